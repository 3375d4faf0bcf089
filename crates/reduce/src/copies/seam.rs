//! Where a log was cut or two were joined, the last sounding before the seam has its last fix instead of one between
//! two fixes, and its time is reckoned otherwise: the same measurement, and not the same bytes.

use super::matching::SAME_PLACE_M;
use super::strand::Leg;
use leadline_model::{Flags, GridPos, LocalFrame, Sounding};

/// A fix is held for a depth no longer than this, ms.
const HOLD_MS: i64 = 2_000;

/// Takes the held soundings out of either leg of one log that the other has with a fix between two; how many.
pub(crate) fn unheld(a: &mut Leg, b: &mut Leg) -> u64 {
    take_held(a, b) + take_held(b, a)
}

fn take_held(leg: &mut Leg, other: &Leg) -> u64 {
    let alone = |s: &Sounding, in_leg: &Leg| in_leg.soundings.binary_search(s).is_err();
    let held =
        |s: &&Sounding| s.flags.has(Flags::HELD) && alone(s, other) && again(s, other, |o| alone(o, leg));
    let gone: Vec<Sounding> = leg.soundings.iter().filter(held).copied().collect();
    if !gone.is_empty() {
        leg.soundings.retain(|s| !gone.contains(s));
    }
    gone.len() as u64
}

/// Whether `other` has the measurement of the held sounding `s` among those that `counts` allows.
fn again(s: &Sounding, other: &Leg, counts: impl Fn(&Sounding) -> bool) -> bool {
    let from = other.soundings.partition_point(|o| o.time.0 < s.time.0.saturating_sub(HOLD_MS));
    let near = other.soundings.iter().skip(from).take_while(|o| o.time.0 <= s.time.0.saturating_add(HOLD_MS));
    near.into_iter()
        .any(|o| o.depth_mm == s.depth_mm && !o.flags.has(Flags::HELD) && same_place(o.at, s.at) && counts(o))
}

/// Within three metres.
pub(crate) fn same_place(a: GridPos, b: GridPos) -> bool {
    let (east, north) = LocalFrame::new(a).metres(b);
    east * east + north * north <= SAME_PLACE_M * SAME_PLACE_M
}
