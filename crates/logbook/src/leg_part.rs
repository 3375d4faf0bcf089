//! A part of a leg that proves itself: a gift of one bay holds its strips and the hashes of the rest, which name no
//! tile, and still has the leg's id.

use crate::leg::{leaf, node};
use crate::{LegClaim, Limits, StripRef};
use leadline_model::{Digest, LegId, LegWindow};
use serde::{Deserialize, Serialize};

/// Some strips of a leg, and what is needed to compute the leg's id without the others.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LegPart {
    /// The ten minutes.
    pub window: LegWindow,
    /// Strips of the whole leg.
    pub n_strips: u32,
    /// The strips given, each with its number in the leg; ascending.
    pub strips: Vec<(u32, StripRef)>,
    /// Nodes of the tree that the given strips do not make themselves: level by level from the leaves, from left to
    /// right.
    pub hashes: Vec<Digest>,
}

impl LegClaim {
    /// The strips that `keep` chooses, with their proof; `None` if it chooses none.
    pub fn part(&self, keep: impl Fn(&StripRef) -> bool) -> Option<LegPart> {
        let strips: Vec<_> =
            self.strips.iter().copied().zip(0u32..).filter(|(s, _)| keep(s)).map(|(s, i)| (i, s)).collect();
        if strips.is_empty() {
            return None;
        }
        let mut level: Vec<_> = self.strips.iter().map(|s| (leaf(self.window, s), keep(s))).collect();
        let mut hashes = Vec::new();
        while level.len() > 1 {
            for pair in level.chunks(2) {
                if let [(l, l_known), (r, r_known)] = pair
                    && l_known != r_known
                {
                    hashes.push(Digest(if *l_known { *r } else { *l }));
                }
            }
            level = level
                .chunks(2)
                .map(|pair| {
                    (
                        node(&pair.iter().map(|(h, _)| *h).collect::<Vec<_>>()),
                        pair.iter().any(|(_, known)| *known),
                    )
                })
                .collect();
        }
        Some(LegPart { window: self.window, n_strips: self.strips.len() as u32, strips, hashes })
    }
}

impl LegPart {
    /// The id of the leg this is a part of; `None` if it is not well formed. Equal to the id that a claim was
    /// made under, it proves every strip in it.
    pub fn leg(&self, limits: &Limits) -> Option<LegId> {
        let n = usize::try_from(self.n_strips).ok().filter(|n| *n <= limits.writes)?;
        let in_order = self.strips.windows(2).all(|w| w[0].0 < w[1].0 && w[0].1.tile < w[1].1.tile);
        if self.strips.is_empty() || !in_order {
            return None;
        }
        let mut level: Vec<Option<[u8; 32]>> = vec![None; n];
        for (i, s) in &self.strips {
            *level.get_mut(usize::try_from(*i).ok()?)? = Some(leaf(self.window, s));
        }
        let mut hashes = self.hashes.iter();
        while level.len() > 1 {
            level = level.chunks(2).map(|pair| rise(pair, &mut hashes)).collect::<Option<_>>()?;
        }
        let root = level.first().copied().flatten()?;
        hashes.next().is_none().then_some(LegId(root))
    }
}

/// The node above a pair: known if one of the two is, the other then comes from the proof. `None`: the proof is short.
fn rise<'a>(
    pair: &[Option<[u8; 32]>],
    hashes: &mut impl Iterator<Item = &'a Digest>,
) -> Option<Option<[u8; 32]>> {
    match pair {
        [Some(l), Some(r)] => Some(Some(node(&[*l, *r]))),
        [Some(l), None] => Some(Some(node(&[*l, hashes.next()?.0]))),
        [None, Some(r)] => Some(Some(node(&[hashes.next()?.0, *r]))),
        [one] => Some(*one),
        _ => Some(None),
    }
}
