//! The map while a leg is being recorded: the survey as it stands, and the soundings of the open leg added as they come.
//!
//! What is added is for showing only. It is reduced, screened and graded as the leg itself will be, so it may still
//! change until the leg closes: a depth that looks like a spike now may be a slope when more comes.

use crate::query::Numbers;
use crate::{Error, Only, Store, Underway};
use leadline_logbook::{Limits, PackedLeg};
use leadline_model::{LegId, ReducedSounding, Setup, Sounding, Text, UtcMillis};
use leadline_reduce::{DeviceSet, LegInput, Map, Reduced, Refreshed};
use std::collections::BTreeMap;

/// Surveys with more soundings are not kept a second time in memory for showing a leg that grows: about 170 bytes each.
pub const MOST_SOUNDINGS: u64 = 4_000_000;

/// A survey and the open leg of this device.
#[derive(Debug)]
pub struct GrowingMap {
    map: Map,
    boat: Text,
    device: DeviceSet,
    /// What was added, by the id it was added under.
    added: BTreeMap<LegId, Vec<Sounding>>,
    /// The newest sounding that was added.
    until: Option<Sounding>,
}

impl GrowingMap {
    /// The survey as it stands; takes as long as computing it. `None` if it is too large, or the state names no boat.
    pub fn begin(store: &Store, state: &Underway, first: UtcMillis) -> Result<Option<Self>, Error> {
        let Ok(boat) = Text::new(&state.boat) else { return Ok(None) };
        let mut union = store.union(&Only::default())?;
        let held: u64 = union.legs.iter().map(|l| l.soundings.len() as u64).sum();
        if held > MOST_SOUNDINGS {
            return Ok(None);
        }
        let device = store.number_of(&union);
        let mut input = union.input();
        // What was typed with the recording becomes an entry with its first leg; until then it is said here.
        let typed = Setup {
            boat: boat.clone(),
            from: first.leg_window().start(),
            draft_mm: state.draft_mm,
            sound_speed_mm_s: state.sound_speed_mm_s,
            temp_centi: state.temp_centi,
            lag_ms: None,
        };
        let says = typed.draft_mm.is_some() || typed.sound_speed_mm_s.is_some() || typed.temp_centi.is_some();
        if says && !input.setups.iter().any(|s| s.boat == typed.boat && s.from == typed.from) {
            input.setups.push(typed);
        }
        let boat = union.ground.boat(&boat);
        Ok(Some(Self { map: Map::new(input), boat, device, added: BTreeMap::new(), until: None }))
    }

    /// Adds what came since the last time: those of `open`, which are in canonical order, that are newer than all that
    /// were added. `None` if nothing is new.
    pub fn add(&mut self, store: &Store, open: &[Sounding]) -> Result<Option<Refreshed>, Error> {
        let from = self.until.map_or(0, |u| open.partition_point(|s| *s <= u));
        let new = open.get(from..).unwrap_or_default();
        let (Some(first), Some(last)) = (new.first(), new.last()) else { return Ok(None) };
        self.until = Some(*last);
        let mut legs = Vec::new();
        for leg in PackedLeg::of(first.time.leg_window(), new.to_vec(), &Limits::default())? {
            let within = |s: &&Sounding| leg.strips.iter().any(|p| p.tile == s.at.tile());
            let soundings: Vec<Sounding> = new.iter().filter(within).copied().collect();
            self.added.insert(leg.id, soundings.clone());
            legs.push(self.leg(leg.id, soundings));
        }
        let (added, boat, device) = (&self.added, &self.boat, self.device);
        let mut failed = None;
        let refreshed = self.map.add(legs, |ids| {
            let (own, held): (Vec<LegId>, Vec<LegId>) = ids.iter().partition(|id| added.contains_key(id));
            let mut out =
                match store.union(&Only { legs: Some(held.into_iter().collect()), ..Only::default() }) {
                    Ok(union) => union.legs,
                    Err(e) => {
                        failed = Some(e);
                        Vec::new()
                    }
                };
            out.extend(own.into_iter().map(|id| LegInput {
                id,
                boat: boat.clone(),
                devices: device,
                soundings: added.get(&id).cloned().unwrap_or_default(),
            }));
            out
        });
        failed.map_or(Ok(Some(refreshed)), Err)
    }

    fn leg(&self, id: LegId, soundings: Vec<Sounding>) -> LegInput {
        LegInput { id, boat: self.boat.clone(), devices: self.device, soundings }
    }

    /// What is known, the open leg included.
    pub fn reduced(&self) -> &Reduced {
        self.map.reduced()
    }

    /// The reduced soundings of the open leg, by time.
    pub fn trail(&self) -> Vec<ReducedSounding> {
        let Some(first) = self.added.values().filter_map(|s| s.first()).map(|s| s.time).min() else {
            return Vec::new();
        };
        let reduced = self.map.reduced();
        let own = |s: &&ReducedSounding| {
            s.time >= first && reduced.passes.get(s.pass as usize).is_some_and(|p| p.boat == self.boat)
        };
        let mut out: Vec<ReducedSounding> = reduced.soundings.iter().filter(own).copied().collect();
        out.sort_by_key(|s| (s.time, s.at));
        out
    }
}

impl Store {
    /// The number by which this device's claims are counted in what was read of it.
    fn number_of(&self, union: &crate::query::Union) -> DeviceSet {
        let adopted = union.adopted.iter().flat_map(|a| a.claims.values());
        Numbers::of(union.claims.values().chain(adopted)).own(&self.device())
    }
}
