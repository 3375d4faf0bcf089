//! Legs: ten minutes of one source, named by the Merkle root over their strips.

use crate::{Domain, Limits, PackedStrip, StripError};
use leadline_model::{LegId, LegWindow, Sounding, StripDigest, TileId};

/// A leg packed for keeping: its strips in tile order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PackedLeg {
    /// Root over (tile, digest) of the strips.
    pub id: LegId,
    /// The ten minutes it lies in.
    pub window: LegWindow,
    /// One strip a tile, in tile order.
    pub strips: Vec<PackedStrip>,
}

impl PackedLeg {
    /// Packs the soundings of one window. They are put in canonical order and twins are dropped; more than a
    /// strip's limit become several legs, cut in that order, so that every device cuts alike.
    pub fn of(
        window: LegWindow,
        mut soundings: Vec<Sounding>,
        limits: &Limits,
    ) -> Result<Vec<Self>, StripError> {
        soundings.sort_unstable();
        soundings.dedup();
        soundings.chunks(limits.strip_soundings).map(|part| Self::of_part(window, part, limits)).collect()
    }

    fn of_part(window: LegWindow, part: &[Sounding], limits: &Limits) -> Result<Self, StripError> {
        let mut by_tile: std::collections::BTreeMap<TileId, Vec<Sounding>> =
            std::collections::BTreeMap::new();
        for s in part {
            by_tile.entry(s.at.tile()).or_default().push(*s);
        }
        let strips: Vec<_> =
            by_tile.iter().map(|(tile, s)| PackedStrip::of(*tile, s, limits)).collect::<Result<_, _>>()?;
        let id = leg_id(strips.iter().map(|s| (s.tile, s.digest)));
        Ok(Self { id, window, strips })
    }
}

/// Merkle root over strips in tile order: a leaf is (tile, digest), an odd node rises unchanged. A part of a leg
/// proves itself by its leaves and the hashes of the rest, which name no tile.
pub fn leg_id(strips: impl Iterator<Item = (TileId, StripDigest)>) -> LegId {
    let mut level: Vec<[u8; 32]> = strips
        .map(|(t, d)| Domain::LegLeaf.digest(&[&t.x().to_le_bytes(), &t.y().to_le_bytes(), &d.0]).0)
        .collect();
    while level.len() > 1 {
        level = level
            .chunks(2)
            .map(|pair| match pair {
                [l, r] => Domain::LegNode.digest(&[l, r]).0,
                rest => rest[0],
            })
            .collect();
    }
    LegId(level.first().copied().unwrap_or([0; 32]))
}
