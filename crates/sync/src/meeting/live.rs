//! Staying on: both are in step, the stream stays open, and what is new goes over as it is made.

use super::{Meeting, Phase};
use crate::frame::Frame;
use crate::{Failure, Misconduct, Output, Question, StripKey};
use leadline_model::{Digest, EntryId};
use std::collections::BTreeSet;

/// Entries asked of the desk at once as news.
pub(super) const NEWS_PAGE: usize = 1024;
/// Ids of entries the peer has given while staying on, so that they are not given back to it.
const HEARD_MAX: usize = 16_384;
/// After what has moved, so long nothing moves before the digest is told, ms.
const QUIET_MS: u64 = 1_000;
/// Digests that were equal and differ for so long, with nothing moving: only new have-lists can tell why, ms.
const DIFFER_MS: u64 = 8_000;
/// For the peer's own leave, ms.
const PARTING_MS: u64 = 2_000;
/// The longest provisional leg, bytes.
pub const PROVISIONAL_BYTES: usize = 64 << 10;

/// The state of a meeting that stays on.
#[derive(Debug)]
pub(super) struct Live {
    /// Up to where the desk's news have been asked for.
    pub(super) cursor: u64,
    /// The crew may have become another: the peer's admission is asked for anew before more is given.
    pub(super) doubted: bool,
    /// The desk may have news, or strips that the peer has asked for in vain.
    pub(super) stirred: bool,
    look_for_absent: bool,
    /// Something has moved since the digest was told.
    pub(super) lagging: bool,
    told: Digest,
    theirs: Digest,
    were_equal: bool,
    differ_since: Option<u64>,
    heard: BTreeSet<EntryId>,
    /// Counters as they were when the caller was told.
    pushed: (u32, u32),
    leaving: Option<u64>,
    they_left: bool,
}

impl Live {
    fn new(cursor: u64, told: Digest, theirs: Digest) -> Self {
        Self {
            cursor,
            // Something may have been made since.
            stirred: true,
            doubted: true,
            look_for_absent: false,
            lagging: false,
            told,
            theirs,
            were_equal: told == theirs,
            differ_since: None,
            heard: BTreeSet::new(),
            pushed: (0, 0),
            leaving: None,
            they_left: false,
        }
    }

    pub(super) fn note_heard(&mut self, ids: &[EntryId]) {
        if self.heard.len() + ids.len() > HEARD_MAX {
            self.heard.clear();
        }
        self.heard.extend(ids);
    }

    /// What of the desk's news the peer has not given itself.
    pub(super) fn new_to_peer(&mut self, ids: Vec<EntryId>) -> Vec<EntryId> {
        ids.into_iter().filter(|id| !self.heard.remove(id)).collect()
    }

    pub(super) fn is_leaving(&self) -> bool {
        self.leaving.is_some() || self.they_left
    }

    /// Whether the keys the peer has asked for in vain are to be looked up again.
    pub(super) fn takes_absent_up(&mut self) -> bool {
        std::mem::take(&mut self.look_for_absent)
    }

    fn compare(&mut self, now: u64) -> bool {
        let equal = self.told == self.theirs;
        self.were_equal |= equal;
        self.differ_since = (!equal && self.were_equal).then_some(now);
        equal
    }
}

impl Meeting {
    /// Whether this meeting stays on when both are done.
    pub(super) fn stays(&self) -> bool {
        self.cfg.stay && self.summary.peer_stays
    }

    pub(super) fn go_live(&mut self, told: Digest, theirs: Digest) {
        // Equal digests: all that was held when ours was made is held there too. Else all that came since the
        // peer's have-list was answered counts as news, though some of it came from the peer.
        let cursor = if told == theirs { self.take.upto() } else { self.give.upto() };
        let cursor = cursor.unwrap_or(self.cfg.upto);
        self.my_done = None;
        self.their_done = None;
        let mut live = Live::new(cursor, told, theirs);
        live.pushed = (self.summary.entries_sent, self.summary.strips_sent);
        self.live = Some(live);
        self.take.relist();
        self.out.push_back(Output::InStep(Box::new(self.summary.clone())));
        if self.wants_to_leave {
            self.leave();
        }
    }

    /// The desk has changed: entries came from elsewhere, or strips another meeting was to fetch are free again.
    pub(super) fn on_stirred(&mut self) {
        if let Some(live) = &mut self.live {
            live.stirred = true;
            live.doubted = true;
            live.look_for_absent = true;
            self.take.relist();
        }
    }

    /// The question whether the peer still belongs to the crew, if that is in doubt.
    pub(super) fn admission_in_doubt(&self) -> Option<Question> {
        self.live.as_ref().filter(|l| l.doubted && !l.is_leaving())?;
        let (device, name) = self.summary.peer.clone()?;
        Some(Question::Admit { device, name, invite: None })
    }

    pub(super) fn leave(&mut self) {
        self.wants_to_leave = true;
        let now = self.now;
        if let Some(live) = self.live.as_mut().filter(|l| l.leaving.is_none()) {
            live.leaving = Some(now);
            self.give.stop();
            // Two bytes fit into any frame.
            let _ = self.send(&Frame::Leave);
        }
    }

    pub(super) fn on_leave(&mut self) -> Result<(), Failure> {
        let live = self.live.as_mut().ok_or(Failure::Peer(Misconduct::Order))?;
        if std::mem::replace(&mut live.they_left, true) {
            return Err(Failure::Peer(Misconduct::Order));
        }
        self.give.stop();
        self.take.stop();
        Ok(())
    }

    pub(super) fn on_now(&mut self, digest: Digest) -> Result<(), Failure> {
        let now = self.now;
        let live = self.live.as_mut().ok_or(Failure::Peer(Misconduct::Order))?;
        live.theirs = digest;
        self.summary.same_entries = live.compare(now);
        Ok(())
    }

    /// The desk's digest, asked for after things have moved.
    pub(super) fn tell_now(&mut self, digest: Digest) -> Result<(), Failure> {
        let now = self.now;
        let Some(live) = &mut self.live else { return Err(Failure::Answer) };
        self.summary.digest = Some(digest);
        let changed = std::mem::replace(&mut live.told, digest) != digest;
        self.summary.same_entries = live.compare(now);
        if changed { self.send(&Frame::Now(digest)) } else { Ok(()) }
    }

    /// Strips the peer has asked for in vain are held now.
    pub(super) fn on_here(&mut self, keys: &[StripKey]) -> Result<(), Failure> {
        if self.live.is_none() || keys.is_empty() {
            return Err(Failure::Peer(Misconduct::Order));
        }
        self.take.note_here(keys);
        Ok(())
    }

    pub(super) fn on_provisional(&mut self, bytes: Vec<u8>) {
        if self.live.is_some() {
            self.out.push_back(Output::Provisional(bytes));
        }
    }

    pub(super) fn send_provisional(&mut self, bytes: Vec<u8>) -> Result<(), Failure> {
        let open = self.live.as_ref().is_some_and(|l| !l.is_leaving());
        if open && bytes.len() <= PROVISIONAL_BYTES {
            return self.send(&Frame::Provisional(bytes));
        }
        Ok(())
    }

    pub(super) fn pump_live(&mut self) -> Result<(), Failure> {
        self.report_pushed();
        let Some(live) = &self.live else { return Ok(()) };
        if live.they_left && self.take.is_idle() && !self.give.is_asking() {
            self.leave();
            self.finish();
        }
        Ok(())
    }

    fn report_pushed(&mut self) {
        let counts = (self.summary.entries_sent, self.summary.strips_sent);
        let Some(live) = self.live.as_mut().filter(|l| l.pushed != counts) else { return };
        if self.give.is_settled() {
            let (entries, strips) = (counts.0 - live.pushed.0, counts.1 - live.pushed.1);
            live.pushed = counts;
            live.lagging |= entries > 0;
            self.out.push_back(Output::Pushed { entries, strips });
        }
    }

    pub(super) fn tick_live(&mut self) -> Result<(), Failure> {
        let now = self.now;
        let quiet = now - self.moved >= QUIET_MS && self.give.is_settled() && self.take.is_idle();
        let Some(live) = &mut self.live else { return Ok(()) };
        if live.leaving.is_some_and(|since| now - since > PARTING_MS) {
            self.finish();
            return Ok(());
        }
        if quiet && std::mem::take(&mut live.lagging) {
            self.take.ask(&mut self.out, Question::Holdings);
        }
        let moved = self.moved;
        let differs = live.differ_since.is_some_and(|since| now - since.max(moved) > DIFFER_MS);
        // One of the two is enough.
        let mine_to_leave = self.peer.is_some_and(|p| self.cfg.device < p.device);
        if quiet && differs && mine_to_leave {
            self.leave();
        }
        Ok(())
    }

    /// Whether nothing is under way that could stand still.
    pub(super) fn rests(&self) -> bool {
        self.live.is_some() && self.give.is_settled() && self.take.is_idle()
    }

    pub(super) fn finish(&mut self) {
        if !matches!(self.phase, Phase::Over) {
            self.phase = Phase::Over;
            self.out.push_back(Output::Finished(Box::new(self.summary.clone())));
        }
    }
}
