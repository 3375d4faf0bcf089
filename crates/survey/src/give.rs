//! Soundings that a device gives away: as its instruments measured them, under an id that tells nobody the boat's name.

use crate::query::Computed;
use crate::{Error, Store, home};
use leadline_model::{Sounding, Text, UtcMillis};
use rusqlite::OptionalExtension;
use std::collections::{BTreeMap, BTreeSet};

impl Store {
    /// The soundings of `boat` that this device itself read in, as the instruments gave them, in the order of time. Those
    /// that reduction did not accept (void, or copies of others) are left out; of two at one moment both are, if one is.
    pub fn own_soundings(&self, computed: &Computed, boat: &Text) -> Result<Vec<Sounding>, Error> {
        let boat = computed.ground.boat(boat);
        let accepted = accepted(computed, &boat);
        let mine = self.own_devices()?;
        let mut out = BTreeSet::new();
        for said in computed.claims.values() {
            if computed.ground.boat_of(said) != Some(boat.clone()) {
                continue;
            }
            let Some(claim) = said.iter().find(|c| mine.contains(&c.device)).map(|c| &c.what) else {
                continue;
            };
            for strip in &claim.strips {
                let held = self.strip(claim.window, strip)?.unwrap_or_default();
                out.extend(held.into_iter().filter(|s| accepted.contains(&s.time)));
            }
        }
        Ok(out.into_iter().collect())
    }

    /// The id of `boat` for data that is given away: made by chance when it is first asked for, then kept in this
    /// device's store under whatever names the boat has later. A version 4 UUID (RFC 9562 §5.4).
    pub fn vessel_id(&mut self, computed: &Computed, boat: &Text) -> Result<[u8; 16], Error> {
        let ground = &computed.ground;
        let name = ground.boat(boat);
        let former = ground.renames.iter().filter(|(_, now)| *now == name).map(|(old, _)| old);
        let keys: Vec<String> =
            std::iter::once(&name).chain(former).map(|n| format!("vessel:{}", n.as_str())).collect();
        let fresh = uuid(home::random());
        self.write(|tx| {
            for key in &keys {
                let find = "SELECT value FROM meta WHERE key = ?1";
                if let Some(id) = tx.query_row(find, [key], |r| r.get(0)).optional()? {
                    return Ok(id);
                }
            }
            tx.execute("INSERT INTO meta VALUES (?1, ?2)", (&keys[0], fresh))?;
            Ok(fresh)
        })
    }
}

/// Moments of the boat's passes at which every sounding was accepted.
fn accepted(computed: &Computed, boat: &Text) -> BTreeSet<UtcMillis> {
    let reduced = &computed.reduced;
    let its = |pass: u32| reduced.passes.get(pass as usize).is_some_and(|p| p.boat == *boat);
    let mut moments: BTreeMap<UtcMillis, bool> = BTreeMap::new();
    for s in reduced.soundings.iter().filter(|s| its(s.pass)) {
        *moments.entry(s.time).or_insert(true) &= s.void.is_none();
    }
    moments.into_iter().filter(|(_, good)| *good).map(|(t, _)| t).collect()
}

fn uuid(mut bytes: [u8; 16]) -> [u8; 16] {
    bytes[6] = bytes[6] & 0x0f | 0x40;
    bytes[8] = bytes[8] & 0x3f | 0x80;
    bytes
}
