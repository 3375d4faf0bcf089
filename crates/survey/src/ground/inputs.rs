//! The digest of what a levelling is solved from.

use super::{Ground, verdicts};
use leadline_logbook::{Domain, Hasher, SurveyWrites, encode};
use leadline_model::{Decision, Digest, Scope};
use serde::Serialize;
use std::collections::BTreeSet;

/// Far beyond any single statement.
const ROOM: usize = 1 << 20;

/// Legs with their boats, setups, stages, casts, gauges, river, verdicts and speed limits in force. Who said it and why is left out,
/// and so is what was taken back: the same ground has the same digest, however people came to it.
pub(super) fn digest(ground: &Ground, writes: &SurveyWrites) -> Digest {
    let mut h = Domain::Inputs.hasher();
    let legs = writes.claims.iter().map(|(leg, said)| (leg, ground.boat_of(said)));
    part(&mut h, b"legs", legs);
    part(&mut h, b"setups", ground.setups.iter());
    part(&mut h, b"stages", ground.stages.iter());
    part(&mut h, b"casts", ground.casts.iter());
    part(&mut h, b"gauges", ground.gauges.iter());
    part(&mut h, b"river", ground.river.iter());
    part(&mut h, b"verdicts", effective(ground).iter());
    part(&mut h, b"speeds", ground.speeds.iter());
    h.finish()
}

type Effect<'a> = (&'a Scope, Decision, i64, Option<i32>, Option<i32>);

fn effective(ground: &Ground) -> BTreeSet<Effect<'_>> {
    ground
        .verdicts
        .iter()
        .map(|s| &s.what)
        .filter(|v| v.decision != Decision::Keep || verdicts::contested(v, &ground.verdicts))
        .map(|v| (&v.scope, v.decision, v.until.0, v.shoaler_than_mm, v.deeper_than_mm))
        .collect()
}

/// Each part carries its name, each item its length: no list can pass for another.
fn part<T: Serialize>(h: &mut Hasher, name: &[u8], items: impl Iterator<Item = T>) {
    h.update(&(name.len() as u64).to_le_bytes());
    h.update(name);
    let mut n = 0u64;
    for item in items {
        let bytes = encode(&item, ROOM).unwrap_or_default();
        h.update(&(bytes.len() as u64).to_le_bytes());
        h.update(&bytes);
        n += 1;
    }
    // No item is that long.
    h.update(&u64::MAX.to_le_bytes());
    h.update(&n.to_le_bytes());
}
