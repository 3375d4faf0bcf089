//! Intake: entries from outside to entries in force, those that wait, and those refused.

use crate::entry::{Entry, Refusal, entry_id};
use crate::{Crew, Limits, Place};
use leadline_model::{DeviceId, EntryId, Epoch, SurveyId};
use std::collections::{BTreeMap, BTreeSet};

/// What is asked of the store while taking entries in.
pub trait Held {
    /// Whether this entry is in force already.
    fn holds(&self, id: &EntryId) -> bool;
    /// How many other entries in force have the same device, epoch and number.
    fn siblings(&self, place: &Place) -> usize;
}

/// What became of a batch.
#[derive(Debug, Default)]
pub struct Taken {
    /// New, checked, of admitted devices; in the order in which they came to be acceptable.
    pub accepted: Vec<Entry>,
    /// Held already, or twice in the batch.
    pub known: usize,
    /// Of devices not (yet) admitted: to be kept aside, bounded, and offered again when the crew grows.
    pub waiting: Vec<(DeviceId, Vec<u8>)>,
    /// Never acceptable, with the reason.
    pub refused: Vec<(Option<EntryId>, Refusal, Vec<u8>)>,
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
    let mut seen = BTreeSet::new();
    let mut pending = batch;
    let mut numbers: BTreeMap<(DeviceId, Epoch, u64), usize> = BTreeMap::new();
    loop {
        let mut grew = false;
        let mut left = Vec::new();
        for bytes in pending {
            match Entry::open(&bytes, survey, |d| crew.admits(d), limits) {
                Ok(entry) => {
                    if held.holds(&entry.id()) || !seen.insert(entry.id()) {
                        taken.known += 1;
                        continue;
                    }
                    let place = entry.place();
                    let new = numbers.entry((place.device, place.epoch, place.seq)).or_default();
                    if held.siblings(&place).saturating_add(*new) >= limits.fork_siblings {
                        taken.refused.push((Some(entry.id()), Refusal::Fork, bytes));
                    } else {
                        *new += 1;
                        grew |= crew.note(&entry);
                        taken.accepted.push(entry);
                    }
                }
                Err(Refusal::NotAdmitted(device)) => left.push((device, bytes)),
                Err(reason) => taken.refused.push((entry_id(&bytes), reason, bytes)),
            }
        }
        if !grew || left.is_empty() {
            taken.waiting = left;
            return taken;
        }
        pending = left.into_iter().map(|(_, b)| b).collect();
    }
}
