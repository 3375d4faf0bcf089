//! Legs: ten minutes of one source, named by the Merkle root over their strips.

use crate::{Domain, Limits, PackedStrip, StripError, StripRef};
use leadline_model::{LegId, LegWindow, Sounding, TileId, UtcMillis};

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
        let refs: Vec<_> = strips
            .iter()
            .map(|s| StripRef::of(window, s))
            .collect::<Option<_>>()
            .ok_or(StripError::Columns)?;
        Ok(Self { id: leg_id(window, &refs), window, strips })
    }
}

impl StripRef {
    /// What a claim says of a strip; `None` if the strip does not lie in `window`.
    pub fn of(window: LegWindow, strip: &PackedStrip) -> Option<Self> {
        let since = |t: UtcMillis| u32::try_from(t.0 - window.start().0).ok();
        let inside = strip.first.leg_window() == window && strip.last.leg_window() == window;
        let (first_ms, last_ms) = (since(strip.first)?, since(strip.last)?);
        inside.then_some(Self {
            tile: strip.tile,
            digest: strip.digest,
            count: strip.count,
            first_ms,
            last_ms,
        })
    }
}

/// Merkle root over strips in tile order. A leaf holds all that a claim says of a strip, so that two claims of one leg
/// cannot differ in it; an odd node rises unchanged. A part of a leg proves itself by its strips and the hashes of the
/// rest, which name no tile.
pub fn leg_id(window: LegWindow, strips: &[StripRef]) -> LegId {
    let mut level: Vec<[u8; 32]> = strips.iter().map(|s| leaf(window, s)).collect();
    while level.len() > 1 {
        level = level.chunks(2).map(node).collect();
    }
    LegId(level.first().copied().unwrap_or([0; 32]))
}

pub(crate) fn leaf(window: LegWindow, s: &StripRef) -> [u8; 32] {
    let [x, y] = [s.tile.x(), s.tile.y()].map(u32::to_le_bytes);
    let [count, first, last] = [s.count, s.first_ms, s.last_ms].map(u32::to_le_bytes);
    Domain::LegLeaf.digest(&[&window.0.to_le_bytes(), &x, &y, &s.digest.0, &count, &first, &last]).0
}

pub(crate) fn node(pair: &[[u8; 32]]) -> [u8; 32] {
    match pair {
        [l, r] => Domain::LegNode.digest(&[l, r]).0,
        [rest] => *rest,
        _ => [0; 32],
    }
}
