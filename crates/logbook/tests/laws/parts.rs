//! A part of a leg proves itself, and no other part passes for it.

use crate::world::{NOW, text};
use leadline_logbook::{LegClaim, LegPart, Limits, StripRef};
use leadline_model::{Digest, StripDigest, TileId};
use proptest::prelude::*;

fn wide(n: u32) -> LegClaim {
    let strips = (0..n).map(|x| StripRef {
        tile: TileId::new(x, 9).expect("tile"),
        digest: StripDigest([x as u8 + 1; 32]),
        count: x + 1,
        first_ms: x,
        last_ms: 2 * x,
    });
    LegClaim {
        boat: text("Coot"),
        instrument: text("sounder 1"),
        source: Digest([5; 32]),
        window: NOW.leg_window(),
        counts: Vec::new(),
        strips: strips.collect(),
    }
}

proptest! {
    #[test]
    fn parts_have_the_id_of_the_whole(n in 1u32..40, mask in 1u64.., spoil in 0usize..6, at: prop::sample::Index) {
        let (limits, whole) = (Limits::default(), wide(n));
        let kept = |s: &StripRef| mask >> s.tile.x() & 1 == 1;
        let Some(part) = whole.part(kept) else {
            prop_assert!(!whole.strips.iter().any(kept));
            return Ok(());
        };
        prop_assert_eq!(part.leg(&limits), Some(whole.leg()));
        prop_assert_eq!(part.strips.len(), whole.strips.iter().filter(|s| kept(s)).count());
        // At most a node a level beside each strip, and none where all are given.
        prop_assert!(part.hashes.len() <= part.strips.len() * 6);
        prop_assert!(part.strips.len() as u32 != n || part.hashes.is_empty());
        let bad = spoilt(part.clone(), spoil, at);
        prop_assert!(bad == part || bad.leg(&limits) != Some(whole.leg()), "{spoil}: {bad:?}");
    }
}

fn spoilt(mut p: LegPart, how: usize, at: prop::sample::Index) -> LegPart {
    let i = at.index(p.strips.len());
    match how {
        0 => p.strips[i].1.count += 1,
        1 => p.strips[i].1.digest.0[31] ^= 1,
        2 => p.window.0 += 1,
        3 => drop(p.hashes.pop()),
        4 => p.hashes.push(Digest([0; 32])),
        _ => drop(p.strips.remove(i)),
    }
    p
}

#[test]
fn malformed_parts_have_no_id() {
    let limits = Limits::default();
    let part = wide(5).part(|s| s.tile.x() == 2).expect("chooses one");
    let empty = LegPart { strips: Vec::new(), ..part.clone() };
    let beyond = LegPart { strips: vec![(5, part.strips[0].1)], ..part.clone() };
    let huge = LegPart { n_strips: u32::MAX, ..part.clone() };
    let twice = LegPart { strips: vec![part.strips[0]; 2], ..part };
    for bad in [empty, beyond, huge, twice] {
        assert_eq!(bad.leg(&limits), None, "{bad:?}");
    }
}
