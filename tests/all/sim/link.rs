//! One meeting on one stream between two ends, and what is noted of it for the checks.

use leadline_model::{EntryId, StripDigest};
use leadline_sync::{Config, Deframer, Failure, Holdings, Input, Lane, Meeting, Question, Summary};
use std::collections::{BTreeSet, VecDeque};

/// Whose end it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Who {
    Honest(usize),
    Liar(usize),
    /// Sends bytes prepared before, and listens to nothing.
    Script,
}

/// One frame of entries or strips that is on its way.
#[derive(Debug, Default)]
pub(super) struct Bulk {
    pub(super) entries: Vec<EntryId>,
    pub(super) strips: Vec<StripDigest>,
}

pub(super) struct End {
    pub(super) who: Who,
    /// `None`: a script, or its program has died.
    pub(super) meeting: Option<Meeting>,
    /// Its number at its desk.
    pub(super) meeting_number: u64,
    /// Questions that the desk has not answered yet.
    pub(super) pending: Vec<(Lane, Question)>,
    /// Bytes that are to go to the other end.
    pub(super) wire: VecDeque<u8>,
    pub(super) deframer: Deframer,
    pub(super) ended: Option<Result<Box<Summary>, Failure>>,
    /// By the model's own reckoning, the peer may learn of the survey.
    pub(super) allowed: bool,
    /// Sent, not acknowledged.
    pub(super) flight: VecDeque<Bulk>,
    /// Entries that the peer has acknowledged in this meeting and holds.
    pub(super) durable: BTreeSet<EntryId>,
    pub(super) strips_sent: BTreeSet<StripDigest>,
    pub(super) entries_sent: usize,
    pub(super) haves: u32,
    pub(super) bytes: usize,
    /// The first frames, for whoever listens and repeats them.
    pub(super) record: Vec<Vec<u8>>,
}

impl End {
    pub(super) fn script(frames: &[Vec<u8>]) -> Self {
        let wire = frames.iter().flat_map(|f| leadline_sync::framed(f)).collect();
        Self { wire, ..Self::silent(Who::Script, None) }
    }

    pub(super) fn new(who: Who, opened: (Config, Holdings), now: u64) -> Self {
        let meeting_number = opened.0.meeting;
        Self { meeting_number, ..Self::silent(who, Some(Meeting::new(opened.0, opened.1, now))) }
    }

    fn silent(who: Who, meeting: Option<Meeting>) -> Self {
        Self {
            who,
            meeting,
            meeting_number: 0,
            pending: Vec::new(),
            wire: VecDeque::new(),
            deframer: Deframer::new(1 << 20),
            ended: None,
            allowed: false,
            flight: VecDeque::new(),
            durable: BTreeSet::new(),
            strips_sent: BTreeSet::new(),
            entries_sent: 0,
            haves: 0,
            bytes: 0,
            record: Vec::new(),
        }
    }

    /// Takes no part any more.
    pub(super) fn is_out(&self) -> bool {
        self.meeting.is_none() || self.ended.is_some()
    }

    pub(super) fn handle(&mut self, input: Input) {
        if let (Some(meeting), None) = (&mut self.meeting, &self.ended) {
            meeting.handle(input);
        }
    }

    pub(super) fn honest(&self) -> Option<usize> {
        if let Who::Honest(site) = self.who { Some(site) } else { None }
    }
}

pub(super) struct Link {
    pub(super) number: u64,
    pub(super) ends: [End; 2],
    /// No byte passes any more, and nobody is told.
    pub(super) silent_since: Option<u64>,
}

impl Link {
    pub(super) fn is_over(&self) -> bool {
        self.ends.iter().all(End::is_out)
    }
}
