//! What must hold after every step.

use super::link::{Bulk, End};
use super::ops::legs;
use super::site::WATER;
use super::wire::Seen;
use super::world::{Violation, World};
use leadline_logbook::entry_id;
use leadline_model::{EntryId, StripDigest};
use leadline_sync::{ROUNDS_MAX, WINDOW_FRAMES};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::OnceLock;

/// The strips of the pool by their packed bytes.
fn digests() -> &'static BTreeMap<&'static [u8], StripDigest> {
    static DIGESTS: OnceLock<BTreeMap<&'static [u8], StripDigest>> = OnceLock::new();
    DIGESTS.get_or_init(|| {
        legs().iter().flat_map(|l| &l.strips).map(|s| (s.packed.as_slice(), s.digest)).collect()
    })
}

impl World {
    /// What a device was said to hold it still holds, and it holds nothing that nobody signed.
    pub(super) fn check_site(&mut self, site: usize) -> Result<(), Violation> {
        let seat = &mut self.seats[site];
        let (held, strips) = (seat.site.held(), seat.site.strips());
        if let Some(lost) = seat.must.entries.iter().find(|id| !held.contains(id)) {
            return Err(format!("{site} has lost entry {lost:?}, which was durable"));
        }
        if let Some(lost) = seat.must.strips.iter().find(|d| !strips.contains(d)) {
            return Err(format!("{site} has lost strip {lost:?}, which was durable"));
        }
        if let Some(forged) = held.iter().find(|id| !self.signed.contains_key(id)) {
            return Err(format!("{site} holds entry {forged:?}, which nobody signed"));
        }
        (seat.must.entries, seat.must.strips) = (held, strips);
        Ok(())
    }

    /// A frame leaves an end.
    pub(super) fn note_sent(&mut self, l: usize, e: usize, frame: &[u8]) -> Result<(), Violation> {
        let seen = Seen::of(frame);
        let number = self.links[l].number;
        self.stats.bytes += frame.len() as u64 + 4;
        // A liar may ask twice.
        let fair = self.links[l].ends[1 - e].honest().is_some();
        let end = &mut self.links[l].ends[e];
        end.bytes += frame.len() + 4;
        if end.record.len() < 60 {
            end.record.push(frame.to_vec());
        }
        let wrong = |what: &str| Err(format!("stream {number} end {e}: {what}"));
        let honest = end.honest();
        self.trace.note(format!("stream {number} end {e} sends {seen} ({} bytes)", frame.len()));
        if honest.is_some() && !end.allowed {
            let names = frame.windows(WATER.len()).any(|w| w == WATER.as_bytes());
            if !seen.tells_nothing() || names {
                return wrong("a device that is not in the crew is told something");
            }
        }
        match seen {
            Seen::Have => {
                end.haves += 1;
                if honest.is_some() && end.haves > ROUNDS_MAX {
                    return wrong("more rounds than there may be");
                }
            }
            Seen::Entries(entries) => {
                let ids: Vec<_> = entries.iter().filter_map(|b| entry_id(b)).collect();
                end.entries_sent += ids.len();
                let twice = |id: &EntryId| {
                    let author = self.signed.get(id);
                    end.durable.contains(id) && author.is_some_and(|a| !self.forking.contains(a))
                };
                if honest.is_some() && ids.iter().any(twice) {
                    return wrong("an entry is sent that the peer has acknowledged");
                }
                end.flight.push_back(Bulk { entries: ids, strips: Vec::new() });
            }
            Seen::Strips(strips) => {
                let strips: Vec<_> =
                    strips.iter().filter_map(|s| digests().get(s.as_slice()).copied()).collect();
                let new = strips.iter().filter(|d| end.strips_sent.insert(**d)).count();
                if honest.is_some() && fair && new < strips.len() {
                    return wrong("a strip is sent twice");
                }
                end.flight.push_back(Bulk { entries: Vec::new(), strips });
            }
            Seen::Ack(frames) => return self.note_ack(l, e, frames),
            _ => {}
        }
        let end = &self.links[l].ends[e];
        if honest.is_some() && end.flight.len() > WINDOW_FRAMES {
            return wrong("more frames are under way than there may be");
        }
        Ok(())
    }

    /// An honest device says that so many frames of its peer are durable.
    fn note_ack(&mut self, l: usize, e: usize, frames: u32) -> Result<(), Violation> {
        let number = self.links[l].number;
        let Some(site) = self.links[l].ends[e].honest() else {
            let flight = &mut self.links[l].ends[1 - e].flight;
            flight.drain(..flight.len().min(frames as usize));
            return Ok(());
        };
        let (held, strips) = (self.seats[site].site.held(), self.seats[site].site.strips());
        let counting = self.seats[site].site.counting();
        let giver: &mut End = &mut self.links[l].ends[1 - e];
        let fair = giver.honest().is_some();
        let mut lacking = Vec::new();
        for _ in 0..frames {
            let Some(bulk) = giver.flight.pop_front() else {
                return Err(format!("stream {number}: {site} acknowledges a frame that was not sent"));
            };
            for id in bulk.entries {
                if counting.contains(&id) {
                    giver.durable.insert(id);
                }
                if held.contains(&id) {
                    continue;
                }
                // A liar may have spoiled the signature, which is no part of the id.
                let author = self.signed.get(&id).filter(|a| fair && !self.lying.contains(*a));
                if author.is_some_and(|a| self.seats[site].site.crew().admits(a)) {
                    return Err(format!("stream {number}: {site} acknowledges entry {id:?} without it"));
                }
            }
            let lost = bulk.strips.into_iter().find(|d| fair && !strips.contains(d));
            lacking.extend(lost);
        }
        // What no entry in force names any more, as one was masked meanwhile, is not kept.
        let named = if lacking.is_empty() {
            BTreeSet::new()
        } else {
            self.named(site, &self.seats[site].site.entries())
        };
        match lacking.into_iter().find(|d| named.contains(d)) {
            Some(lost) => Err(format!("stream {number}: {site} acknowledges strip {lost:?} without it")),
            None => Ok(()),
        }
    }
}
