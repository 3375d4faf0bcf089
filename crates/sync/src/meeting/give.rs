//! Giving: the peer's have-list → an offer and entries; the strips it wants.

use super::live::{Live, NEWS_PAGE};
use super::{Meeting, WINDOW_BYTES, WINDOW_FRAMES};
use crate::frame::{Frame, pack_entries};
use crate::{Answer, DeskError, Failure, Lane, Misconduct, Output, Question, StripKey};
use leadline_logbook::Have;
use leadline_model::EntryId;
use std::collections::{BTreeSet, VecDeque};

/// Bytes of entries or strips asked of the desk for one frame, before packing.
const BATCH_BYTES: usize = 256 << 10;
/// Entries or strips asked of the desk at once.
const BATCH_ITEMS: usize = 1024;
/// Strips a peer may have asked for and not been sent.
const WANTED_MAX: usize = 4 * super::take::WANT_PAGE;
/// Strips a peer has asked for in vain that are remembered while it stays on.
const ABSENT_MAX: usize = 4096;

/// Entries given in one meeting that are remembered: 2 MiB. Of what is beyond some may be given twice.
const GIVEN_MAX: usize = 1 << 16;

/// What is to be given and what is under way.
#[derive(Debug, Default)]
pub(super) struct Give {
    asked: Option<Asked>,
    have: Option<Have>,
    ids: VecDeque<EntryId>,
    /// The peer's have-list of this round has come.
    listed: bool,
    /// The offer of this round is out.
    offered: bool,
    wanted: VecDeque<StripKey>,
    /// Sizes of the frames that are not acknowledged.
    flight: VecDeque<usize>,
    /// Where the desk's news ended before the peer's have-list was answered.
    upto: Option<u64>,
    /// Strips the peer has asked for in vain.
    absent: BTreeSet<StripKey>,
    /// Entries given in this meeting: the peer has them, whatever its have-list of a later round can tell. Where a log
    /// has a gap here and goes on there, that list does not show it.
    given: BTreeSet<EntryId>,
    /// One of the two leaves: nothing more is given.
    stopped: bool,
    /// The peer asks what admitted this device.
    credentials: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Asked {
    Credentials,
    Upto,
    News,
    Held,
    Missing,
    Entries(usize),
    Strips(usize),
}

impl Give {
    pub(super) fn begin_round(&mut self) {
        let (absent, given) = (std::mem::take(&mut self.absent), std::mem::take(&mut self.given));
        *self = Self { absent, given, credentials: self.credentials, ..Self::default() };
    }

    pub(super) fn owe_credentials(&mut self) -> Result<(), Failure> {
        self.credentials = true;
        Ok(())
    }

    /// Both know that the entries are the same.
    pub(super) fn skip_entries(&mut self) {
        self.listed = true;
        self.offered = true;
    }

    pub(super) fn is_asking(&self) -> bool {
        self.asked.is_some()
    }

    pub(super) fn upto(&self) -> Option<u64> {
        self.upto
    }

    /// Nothing more is given, and no acknowledgement waited for.
    pub(super) fn stop(&mut self) {
        self.stopped = true;
        self.ids.clear();
        self.wanted.clear();
        self.flight.clear();
    }

    fn note_absent(&mut self, keys: impl Iterator<Item = StripKey>) {
        let room = ABSENT_MAX.saturating_sub(self.absent.len());
        self.absent.extend(keys.take(room));
    }

    /// Entries from the front are on their way; `None` = not held any more.
    fn note_given(&mut self, items: &[Option<Vec<u8>>]) {
        let went = self.ids.drain(..items.len()).zip(items).filter(|(_, item)| item.is_some());
        let room = GIVEN_MAX.saturating_sub(self.given.len());
        self.given.extend(went.map(|(id, _)| id).take(room));
    }

    /// Whether everything offered and wanted is durable at the peer.
    pub(super) fn is_settled(&self) -> bool {
        self.offered
            && self.asked.is_none()
            && self.ids.is_empty()
            && self.wanted.is_empty()
            && self.flight.is_empty()
    }

    fn has_room(&self) -> bool {
        self.flight.len() < WINDOW_FRAMES && self.flight.iter().sum::<usize>() < WINDOW_BYTES
    }
}

impl Meeting {
    pub(super) fn on_have(&mut self, have: Have) -> Result<(), Failure> {
        if self.give.listed {
            return Err(Failure::Peer(Misconduct::Order));
        }
        if !have.is_bounded(&self.cfg.limits) {
            return Err(Failure::Peer(Misconduct::Have));
        }
        self.give.listed = true;
        self.give.have = Some(have);
        Ok(())
    }

    pub(super) fn on_ack(&mut self, frames: u32) -> Result<(), Failure> {
        let frames = frames as usize;
        if self.give.stopped {
            return Ok(());
        }
        if frames == 0 || frames > self.give.flight.len() {
            return Err(Failure::Peer(Misconduct::Counts));
        }
        self.give.flight.drain(..frames);
        Ok(())
    }

    pub(super) fn on_want(&mut self, keys: Vec<StripKey>) -> Result<(), Failure> {
        // A peer asks once it has stored all entries of this round, and never after it is done.
        let entries_out = self.give.offered && self.give.ids.is_empty();
        let in_turn = entries_out && self.their_done.is_none() && self.peer.is_some_and(|p| !p.quick);
        if keys.is_empty() || !(in_turn || self.live.is_some()) {
            return Err(Failure::Peer(Misconduct::Order));
        }
        if keys.len() + self.give.wanted.len() > WANTED_MAX {
            return Err(Failure::Peer(Misconduct::Flood));
        }
        if !self.give.stopped {
            self.give.wanted.extend(keys);
        }
        Ok(())
    }

    pub(super) fn pump_give(&mut self) -> Result<(), Failure> {
        if self.give.asked.is_some() || self.give.stopped || !self.give.has_room() {
            return Ok(());
        }
        let upto = self.stays() && self.give.have.is_some() && self.give.upto.is_none();
        let (asked, question) = if std::mem::take(&mut self.give.credentials) {
            (Asked::Credentials, Question::Credentials)
        } else if upto {
            (Asked::Upto, Question::News { after: 0, max: 0 })
        } else if let Some(have) = self.give.have.take() {
            (Asked::Missing, Question::Missing(have))
        } else if !self.give.ids.is_empty() {
            let ids: Vec<_> = self.give.ids.iter().copied().take(BATCH_ITEMS).collect();
            (Asked::Entries(ids.len()), Question::Entries { ids, max_bytes: BATCH_BYTES })
        } else if !self.give.wanted.is_empty() {
            let keys: Vec<_> = self.give.wanted.iter().copied().take(BATCH_ITEMS).collect();
            (Asked::Strips(keys.len()), Question::Strips { keys, max_bytes: BATCH_BYTES })
        } else if let Some(live) =
            self.live.as_mut().filter(|l| l.stirred && !l.doubted && !self.take.is_storing())
        {
            // What is being stored may be news already, and came from the peer.
            live.stirred = false;
            (Asked::News, Question::News { after: live.cursor, max: NEWS_PAGE })
        } else if !self.give.absent.is_empty() && self.live.as_mut().is_some_and(Live::takes_absent_up) {
            (Asked::Held, Question::Held(self.give.absent.iter().copied().collect()))
        } else {
            return Ok(());
        };
        self.give.asked = Some(asked);
        self.out.push_back(Output::Ask(Lane::Give, question));
        Ok(())
    }

    pub(super) fn on_give_answer(&mut self, answer: Result<Answer, DeskError>) -> Result<(), Failure> {
        self.moved = self.now;
        let asked = self.give.asked.take().ok_or(Failure::Answer)?;
        if self.give.stopped {
            return answer.map(drop).map_err(Failure::from);
        }
        match (asked, answer?) {
            (Asked::Credentials, Answer::Items(items)) => {
                let entries: Vec<_> = items.into_iter().flatten().collect();
                self.show_credentials(&entries)
            }
            (Asked::Upto, Answer::News { upto, .. }) => {
                self.give.upto = Some(upto);
                Ok(())
            }
            (Asked::News, Answer::News { ids, upto }) => self.give_news(ids, upto),
            (Asked::Held, Answer::Held(keys)) => self.tell_here(keys),
            (Asked::Missing, Answer::Missing(ids)) => {
                let given = &self.give.given;
                self.give.ids = ids.into_iter().filter(|id| !given.contains(id)).collect();
                self.give.offered = true;
                let count = u32::try_from(self.give.ids.len()).map_err(|_| Failure::Answer)?;
                self.send(&Frame::Offer(count))
            }
            (Asked::Entries(asked), Answer::Items(items)) if (1..=asked).contains(&items.len()) => {
                self.give.note_given(&items);
                self.summary.entries_sent += items.len() as u32;
                let items: Vec<_> = items.into_iter().map(Option::unwrap_or_default).collect();
                let packed = pack_entries(items.iter().map(Vec::as_slice)).map_err(DeskError::new)?;
                self.send_bulk(Frame::Entries(packed))
            }
            (Asked::Strips(asked), Answer::Items(items)) if (1..=asked).contains(&items.len()) => {
                let keys: Vec<_> = self.give.wanted.drain(..items.len()).collect();
                let none = keys.into_iter().zip(&items).filter(|(_, item)| item.is_none());
                self.give.note_absent(none.map(|(key, _)| key));
                self.summary.strips_sent += items.iter().flatten().count() as u32;
                self.send_bulk(Frame::Strips(items.into_iter().map(Option::unwrap_or_default).collect()))
            }
            _ => Err(Failure::Answer),
        }
    }

    /// What the desk has new is offered, except what the peer has given itself.
    fn give_news(&mut self, ids: Vec<EntryId>, upto: u64) -> Result<(), Failure> {
        let live = self.live.as_mut().ok_or(Failure::Answer)?;
        live.stirred |= ids.len() >= NEWS_PAGE;
        live.cursor = upto;
        let ids = live.new_to_peer(ids);
        if ids.is_empty() {
            return Ok(());
        }
        let count = u32::try_from(ids.len()).map_err(|_| Failure::Answer)?;
        self.give.ids = ids.into();
        self.send(&Frame::Offer(count))
    }

    fn tell_here(&mut self, keys: Vec<StripKey>) -> Result<(), Failure> {
        if keys.is_empty() {
            return Ok(());
        }
        self.give.absent.retain(|k| !keys.contains(k));
        self.send(&Frame::Here(keys))
    }

    fn send_bulk(&mut self, frame: Frame) -> Result<(), Failure> {
        let before = self.summary.bytes_sent;
        self.send(&frame)?;
        self.give.flight.push_back((self.summary.bytes_sent - before) as usize);
        Ok(())
    }
}
