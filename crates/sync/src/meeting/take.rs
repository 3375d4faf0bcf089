//! Taking: our have-list out, entries in; then the strips we want, asked for page by page; all stored in groups and
//! acknowledged once durable.

use super::{GROUP_BYTES, GROUP_MS, Meeting, REFUSED_MAX, WINDOW_BYTES, WINDOW_FRAMES};
use crate::frame::{Frame, fit_have, unpack_entries};
use crate::{Answer, DeskError, Failure, Lane, Misconduct, Output, Question, Stored, StripKey, Wants};
use leadline_model::StripDigest;
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// Strips asked for in one frame.
pub(super) const WANT_PAGE: usize = 1024;
/// A group of entries is stored once so many frames have come: about 2 MiB unpacked.
const GROUP_FRAMES: usize = 8;
/// Entries stored at once, unpacked: each group makes its documents anew, so few large ones are far cheaper than many.
const ENTRIES_BYTES: usize = 4 << 20;

/// What has come and is not stored, and what is still to come.
#[derive(Debug)]
pub(super) struct Take {
    wants: Wants,
    asked: Option<Asked>,
    /// Entries that are still to come of this round's offer; `None` before the offer.
    offered: Option<u32>,
    pending: VecDeque<Bulk>,
    /// When the oldest pending frame came.
    pending_since: u64,
    /// Frames and bytes that came and are not acknowledged.
    open_frames: usize,
    open_bytes: usize,
    /// Strips asked for that have not come, in order.
    due: VecDeque<StripDigest>,
    /// All that was asked for in this meeting; nothing is asked for twice.
    asked_for: BTreeSet<StripKey>,
    cursor: Option<StripDigest>,
    /// The desk names no more wanted strips.
    listed: bool,
    /// All entries of this round are stored.
    entries_in: bool,
    /// Entries of this round that were new.
    new: u32,
    /// Where the desk's news ended before its holdings of this round were read.
    upto: Option<u64>,
    /// Strips the peer did not hold when asked.
    absent: BTreeMap<StripKey, StripDigest>,
    /// Of these, what it says to hold now.
    again: Vec<StripDigest>,
    /// One of the two leaves: nothing more is asked for.
    stopped: bool,
}

#[derive(Debug)]
struct Bulk {
    bytes: usize,
    content: Content,
}

#[derive(Debug)]
enum Content {
    Entries(Vec<Vec<u8>>),
    Strips { came: Vec<(StripDigest, Vec<u8>)>, absent: Vec<StripDigest> },
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Asked {
    Admit,
    Have,
    Store { frames: u32, bytes: usize },
    Wanted,
    Again,
    Upto,
    Secret,
    Holdings,
}

impl Take {
    pub(super) fn new(wants: Wants) -> Self {
        Self {
            listed: wants == Wants::EntriesOnly,
            wants,
            asked: None,
            offered: None,
            pending: VecDeque::new(),
            pending_since: 0,
            open_frames: 0,
            open_bytes: 0,
            due: VecDeque::new(),
            asked_for: BTreeSet::new(),
            cursor: None,
            entries_in: false,
            new: 0,
            upto: None,
            absent: BTreeMap::new(),
            again: Vec::new(),
            stopped: false,
        }
    }

    pub(super) fn begin_round(&mut self) {
        let asked_for = std::mem::take(&mut self.asked_for);
        let wants = std::mem::take(&mut self.wants);
        let absent = std::mem::take(&mut self.absent);
        *self = Self { asked_for, absent, ..Self::new(wants) };
    }

    /// Both know that the entries are the same.
    pub(super) fn skip_entries(&mut self) {
        self.offered = Some(0);
    }

    /// Both know that there is nothing to do.
    pub(super) fn skip_all(&mut self) {
        self.offered = Some(0);
        self.listed = true;
    }

    pub(super) fn is_asking(&self) -> bool {
        self.asked.is_some()
    }

    pub(super) fn upto(&self) -> Option<u64> {
        self.upto
    }

    /// Whether nothing is being asked for, under way or stored.
    pub(super) fn is_idle(&self) -> bool {
        let nothing_due = self.offered == Some(0) && self.due.is_empty() && self.again.is_empty();
        self.asked.is_none() && self.open_frames == 0 && nothing_due && (self.listed || self.stopped)
    }

    /// The strips that are wanted are to be listed anew.
    pub(super) fn relist(&mut self) {
        self.listed = self.wants == Wants::EntriesOnly;
        self.cursor = None;
    }

    /// Nothing more will come.
    pub(super) fn stop(&mut self) {
        self.stopped = true;
        self.offered = Some(0);
        self.due.clear();
        self.again.clear();
    }

    /// The peer says to hold these now.
    pub(super) fn note_here(&mut self, keys: &[StripKey]) {
        self.again.extend(keys.iter().filter_map(|k| self.absent.remove(k)));
    }

    pub(super) fn is_storing(&self) -> bool {
        matches!(self.asked, Some(Asked::Store { .. }))
    }

    pub(super) fn new_entries(&self) -> u32 {
        self.new
    }

    pub(super) fn drop_pending(&mut self) {
        self.pending.clear();
    }

    pub(super) fn ask(&mut self, out: &mut VecDeque<Output>, question: Question) {
        self.asked = match &question {
            Question::Admit { .. } | Question::Introduce { .. } => Some(Asked::Admit),
            Question::Have => Some(Asked::Have),
            Question::WantedStrips { .. } => Some(Asked::Wanted),
            Question::WantedAgain { .. } => Some(Asked::Again),
            Question::News { .. } => Some(Asked::Upto),
            Question::Secret(_) => Some(Asked::Secret),
            _ => Some(Asked::Holdings),
        };
        out.push_back(Output::Ask(Lane::Take, question));
    }

    fn push(&mut self, bytes: usize, content: Content, now: u64) -> Result<(), Failure> {
        if self.pending.is_empty() {
            self.pending_since = now;
        }
        // The giver may exceed the bytes by its last frame, not the frames.
        if self.open_frames >= WINDOW_FRAMES || self.open_bytes >= WINDOW_BYTES {
            return Err(Failure::Peer(Misconduct::Flood));
        }
        self.open_frames += 1;
        self.open_bytes += bytes;
        self.pending.push_back(Bulk { bytes, content });
        Ok(())
    }

    /// Enough for a group, or nothing more to wait for.
    fn is_ripe(&self, now: u64) -> bool {
        let all_here = self.offered == Some(0) && self.due.is_empty();
        let bytes: usize = self.pending.iter().map(|b| b.bytes).sum();
        let entry_frames = self.pending.iter().filter(|b| matches!(b.content, Content::Entries(_))).count();
        all_here
            || bytes >= GROUP_BYTES
            || entry_frames >= GROUP_FRAMES
            || self.open_frames >= WINDOW_FRAMES
            || now - self.pending_since >= GROUP_MS
    }
}

impl Meeting {
    pub(super) fn on_offer(&mut self, count: u32) -> Result<(), Failure> {
        // While staying on, one offer follows another.
        let in_turn = match self.take.offered {
            None => true,
            Some(left) => self.live.is_some() && left == 0 && count > 0,
        };
        if !in_turn {
            return Err(Failure::Peer(Misconduct::Order));
        }
        self.take.offered = Some(count);
        self.summary.entries_offered = self.summary.entries_offered.saturating_add(count);
        Ok(())
    }

    pub(super) fn on_entries(&mut self, packed: Vec<u8>) -> Result<(), Failure> {
        let Some(left) = self.take.offered.filter(|n| *n > 0) else {
            return Err(Failure::Peer(Misconduct::Order));
        };
        let entries =
            unpack_entries(&packed, &self.cfg.limits).map_err(|_| Failure::Peer(Misconduct::Frame))?;
        let count = entries.len() as u32;
        if count == 0 || count > left {
            return Err(Failure::Peer(Misconduct::Flood));
        }
        self.take.offered = Some(left - count);
        self.summary.entries_received += count;
        self.take.push(packed.len(), Content::Entries(entries), self.now)
    }

    pub(super) fn on_strips(&mut self, items: Vec<Vec<u8>>) -> Result<(), Failure> {
        if items.is_empty() || items.len() > self.take.due.len() {
            return Err(Failure::Peer(Misconduct::Flood));
        }
        let bytes = items.iter().map(|i| i.len() + 4).sum();
        let digests = self.take.due.drain(..items.len());
        let (came, absent): (Vec<_>, Vec<_>) = digests.zip(items).partition(|(_, item)| !item.is_empty());
        self.summary.strips_received += came.len() as u32;
        self.summary.strips_absent += absent.len() as u32;
        let absent: Vec<_> = absent.into_iter().map(|(digest, _)| digest).collect();
        self.take.absent.extend(absent.iter().map(|d| (StripKey::from(d), *d)));
        self.take.push(bytes, Content::Strips { came, absent }, self.now)
    }

    pub(super) fn pump_take(&mut self) -> Result<(), Failure> {
        if self.take.asked.is_some() || self.my_done.is_some() {
            return Ok(());
        }
        if !self.take.pending.is_empty() && self.take.is_ripe(self.now) {
            return self.store_group();
        }
        if let Some(question) = self.admission_in_doubt() {
            self.take.ask(&mut self.out, question);
            return Ok(());
        }
        let all_stored = self.take.offered == Some(0) && self.take.open_frames == 0;
        self.take.entries_in |= all_stored;
        let room = self.take.due.len() <= WANT_PAGE / 2 && self.take.entries_in && !self.take.stopped;
        let meeting = self.cfg.meeting;
        if room && !self.take.again.is_empty() {
            let n = self.take.again.len().min(WANT_PAGE);
            let digests = self.take.again.drain(..n).collect();
            self.take.ask(&mut self.out, Question::WantedAgain { meeting, digests });
        } else if room && !self.take.listed {
            let (wants, after) = (self.take.wants.clone(), self.take.cursor);
            self.take.ask(&mut self.out, Question::WantedStrips { meeting, wants, after, max: WANT_PAGE });
        } else if self.take.listed && self.take.due.is_empty() && all_stored && self.live.is_none() {
            if self.awaits_secret() {
                return Ok(());
            }
            if let Some(question) = self.secret_to_keep() {
                self.take.ask(&mut self.out, question);
                return Ok(());
            }
            let upto = self.stays() && self.take.upto.is_none();
            let question = if upto { Question::News { after: 0, max: 0 } } else { Question::Holdings };
            self.take.ask(&mut self.out, question);
        }
        Ok(())
    }

    /// Gives the desk the next group of what has come, if anything has.
    pub(super) fn store_group(&mut self) -> Result<(), Failure> {
        let (mut entries, mut strips, mut absent) = (Vec::new(), Vec::new(), Vec::new());
        let (mut frames, mut bytes, mut size, mut unpacked) = (0u32, 0, 0, 0);
        while size < GROUP_BYTES && unpacked < ENTRIES_BYTES {
            let Some(bulk) = self.take.pending.pop_front() else { break };
            frames += 1;
            bytes += bulk.bytes;
            match bulk.content {
                Content::Entries(e) => {
                    unpacked += e.iter().map(Vec::len).sum::<usize>();
                    // An empty one is an entry the peer no longer holds.
                    entries.extend(e.into_iter().filter(|e| !e.is_empty()));
                }
                Content::Strips { came, absent: none } => {
                    size += came.iter().map(|(_, p)| p.len()).sum::<usize>();
                    strips.extend(came);
                    absent.extend(none);
                }
            }
        }
        self.take.pending_since = self.now;
        if frames == 0 {
            return Ok(());
        }
        if entries.is_empty() && strips.is_empty() && absent.is_empty() {
            self.acknowledge(frames, bytes)?;
            return self.pump_take();
        }
        let (from, meeting) = (self.peer.ok_or(Failure::Answer)?.device, self.cfg.meeting);
        self.take.asked = Some(Asked::Store { frames, bytes });
        self.out
            .push_back(Output::Ask(Lane::Take, Question::Store { from, meeting, entries, strips, absent }));
        Ok(())
    }

    pub(super) fn on_take_answer(&mut self, answer: Result<Answer, DeskError>) -> Result<(), Failure> {
        self.moved = self.now;
        let asked = self.take.asked.take().ok_or(Failure::Answer)?;
        match (asked, answer?) {
            (Asked::Admit, Answer::Admitted(admission)) if self.live.is_some() => {
                self.on_readmission(admission)
            }
            (Asked::Admit, Answer::Admitted(admission)) => self.on_admission(admission),
            (Asked::Have, Answer::Have(have)) => {
                let limit = self.peer.ok_or(Failure::Answer)?.frame;
                self.send(&Frame::Have(fit_have(have, self.cfg.limits.devices, limit)))
            }
            (Asked::Store { frames, bytes }, Answer::Stored(stored)) => {
                self.note_stored(stored)?;
                self.acknowledge(frames, bytes)
            }
            (Asked::Wanted, Answer::Wanted(digests)) => {
                self.take.listed = digests.len() < WANT_PAGE;
                self.take.cursor = digests.last().copied().or(self.take.cursor);
                let asked_for = &mut self.take.asked_for;
                let new = digests.into_iter().filter(|d| asked_for.insert(StripKey::from(d))).collect();
                self.want(new)
            }
            (Asked::Again, Answer::Wanted(digests)) => self.want(digests),
            (Asked::Secret, Answer::Noted) => Ok(()),
            (Asked::Upto, Answer::News { upto, .. }) => {
                self.take.upto = Some(upto);
                Ok(())
            }
            (Asked::Holdings, Answer::Holdings(holdings)) => {
                self.holdings = holdings;
                if self.live.is_some() {
                    self.tell_now(holdings.digest)
                } else {
                    self.send_done(holdings.digest)
                }
            }
            _ => Err(Failure::Answer),
        }
    }

    /// The answer to a group that was being stored when the link was lost.
    pub(super) fn note_last_group(&mut self, answer: Result<Answer, DeskError>) -> Result<(), Failure> {
        match (self.take.asked.take(), answer?) {
            (Some(Asked::Store { .. }), Answer::Stored(stored)) => self.note_stored(stored),
            _ => Ok(()),
        }
    }

    fn note_stored(&mut self, stored: Stored) -> Result<(), Failure> {
        self.note_taken(&stored);
        let s = &mut self.summary;
        self.take.new = self.take.new.saturating_add(stored.entries);
        s.entries_new = s.entries_new.saturating_add(stored.entries);
        s.entries_waiting = s.entries_waiting.saturating_add(stored.waiting);
        s.strips_new = s.strips_new.saturating_add(stored.strips);
        for (reason, n) in stored.refused {
            let sum = s.refused.entry(reason).or_default();
            *sum = sum.saturating_add(n);
        }
        if s.refused.values().fold(0, |sum: u32, n| sum.saturating_add(*n)) > REFUSED_MAX {
            return Err(Failure::Peer(Misconduct::Forged));
        }
        Ok(())
    }

    /// While staying on: tells the caller, and looks for the strips that new entries name.
    fn note_taken(&mut self, stored: &Stored) {
        let Some(live) = &mut self.live else { return };
        live.note_heard(&stored.ids);
        if stored.entries > 0 {
            live.lagging = true;
            self.take.relist();
        }
        if stored.entries > 0 || stored.strips > 0 {
            self.out.push_back(Output::Taken { entries: stored.entries, strips: stored.strips });
        }
    }

    fn acknowledge(&mut self, frames: u32, bytes: usize) -> Result<(), Failure> {
        self.take.open_frames -= frames as usize;
        self.take.open_bytes -= bytes;
        self.send(&Frame::Ack(frames))
    }

    fn want(&mut self, new: Vec<StripDigest>) -> Result<(), Failure> {
        if new.is_empty() || self.take.stopped {
            return Ok(());
        }
        if self.take.due.is_empty() {
            self.summary.round_trips += 1;
        }
        self.summary.strips_asked += new.len() as u32;
        let keys = new.iter().map(StripKey::from).collect();
        self.take.due.extend(new);
        self.send(&Frame::Want(keys))
    }
}
