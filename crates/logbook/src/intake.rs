//! Intake: entries from outside to entries in force, masked ones, those that wait, and those refused.

use crate::entry::{Entry, Refusal, entry_id};
use crate::{Chains, Crew, Limits, Place};
use leadline_model::{DeviceId, EntryId, Epoch, SurveyId};
use std::collections::{BTreeMap, BTreeSet};

/// What is asked of the store while taking entries in.
pub trait Held {
    /// Whether this entry is held already, in force or masked.
    fn holds(&self, id: &EntryId) -> bool;
    /// How many other entries held have the same device, epoch and number.
    fn siblings(&self, place: &Place) -> usize;
    /// The place of an entry that is held, in force or masked.
    fn place(&self, id: &EntryId) -> Option<Place>;
}

/// What became of a batch.
#[derive(Debug, Default)]
pub struct Taken {
    /// New, checked, and counting; in the order in which they came to be acceptable.
    pub accepted: Vec<Entry>,
    /// New and checked, of devices that belong or belonged to the crew, but beyond what a keeper lets count: to be
    /// kept aside, and looked at again when the crew or what lies behind its cuts changes ([`Crew::counts_as`]).
    pub masked: Vec<Entry>,
    /// Held already, or twice in the batch.
    pub known: usize,
    /// Of devices not (yet) admitted: to be kept aside, bounded, and offered again when the crew grows.
    pub waiting: Vec<(DeviceId, Vec<u8>)>,
    /// Never acceptable, with the reason.
    pub refused: Vec<(Option<EntryId>, Refusal, Vec<u8>)>,
    /// Some device's part in the crew became another: entries held before may count otherwise now.
    pub crew_changed: bool,
}

/// Checks `batch` against the crew, which grows with it: an admission and the admitted device's entries may come
/// in any order.
pub fn take_in(
    batch: Vec<Vec<u8>>,
    survey: &SurveyId,
    crew: &mut Crew,
    held: &dyn Held,
    limits: &Limits,
) -> Taken {
    let mut taken = Taken::default();
    let mut new = New::default();
    let mut pending = batch;
    loop {
        let mut noted = false;
        let mut left = Vec::new();
        for bytes in pending {
            match Entry::open(&bytes, survey, |d| crew.admits(d), limits) {
                Ok(entry) => noted |= new.take(entry, crew, held, limits, &mut taken),
                Err(Refusal::NotAdmitted(device)) => left.push((device, bytes)),
                Err(reason) => taken.refused.push((entry_id(&bytes), reason, bytes)),
            }
        }
        let changed = noted && crew.settle(&Chains::new(|id: &EntryId| new.place(id, held)));
        taken.crew_changed |= changed;
        if !changed || left.is_empty() {
            taken.waiting = left;
            break;
        }
        pending = left.into_iter().map(|(_, b)| b).collect();
    }
    let chains = Chains::new(|id: &EntryId| new.place(id, held));
    let counts = |e: &Entry| crew.counts_as(&e.place(), &chains).is_some();
    (taken.accepted, taken.masked) = std::mem::take(&mut taken.accepted).into_iter().partition(counts);
    taken
}

/// The new entries of a batch.
#[derive(Default)]
struct New {
    places: BTreeMap<EntryId, Place>,
    numbers: BTreeMap<(DeviceId, Epoch, u64), usize>,
    seen: BTreeSet<EntryId>,
}

impl New {
    /// True if the crew must be settled anew.
    fn take(
        &mut self,
        entry: Entry,
        crew: &mut Crew,
        held: &dyn Held,
        limits: &Limits,
        taken: &mut Taken,
    ) -> bool {
        if held.holds(&entry.id()) || !self.seen.insert(entry.id()) {
            taken.known += 1;
            return false;
        }
        let place = entry.place();
        let new = self.numbers.entry((place.device, place.epoch, place.seq)).or_default();
        if held.siblings(&place).saturating_add(*new) >= limits.fork_siblings {
            taken.refused.push((Some(entry.id()), Refusal::Fork, entry.bytes().to_vec()));
            return false;
        }
        *new += 1;
        self.places.insert(place.id, place);
        // Where a keeper's word is on a device, each entry of it may lengthen a chain behind a cut.
        let noted = crew.note(&entry) | crew.has_standing(&place.device);
        taken.accepted.push(entry);
        noted
    }

    fn place(&self, id: &EntryId, held: &dyn Held) -> Option<Place> {
        self.places.get(id).copied().or_else(|| held.place(id))
    }
}
