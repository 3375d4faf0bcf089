//! Soundings gathered into legs.

use crate::Problem;
use crate::account::{Account, Label};
use leadline_model::{Flags, LEG_MILLIS, LegWindow, Sounding};
use std::collections::BTreeMap;

/// Soundings after which a leg is handed out though its window may go on (50 a second for ten minutes are
/// 30,000).
const MAX_LEG_SOUNDINGS: usize = 1 << 18;
/// Instruments named in a leg.
const NAMED_STREAMS: usize = 4;

/// The soundings of one log within one ten-minute window.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Leg {
    /// The window all soundings lie in.
    pub window: LegWindow,
    /// In canonical order, identical ones once; never empty.
    pub soundings: Vec<Sounding>,
    /// What measured, such as `NMEA 0183 SD/DPT` or `CSV`.
    pub instrument: String,
    /// Readings of this window that did not become soundings, by kind.
    pub counts: BTreeMap<Problem, u32>,
}

/// The sentence or table a sounding came from: smaller is better.
pub(crate) type Stream = u32;

struct OpenLeg {
    window: LegWindow,
    start: i64,
    soundings: Vec<Sounding>,
    streams: Vec<Stream>,
    counts: BTreeMap<Problem, u32>,
    touched: u64,
}

/// Gathers soundings window by window.
pub(crate) struct LegBuilder {
    current: Option<OpenLeg>,
    parked: BTreeMap<LegWindow, OpenLeg>,
    /// Windows kept open besides the current one.
    max_parked: usize,
    switches: u64,
    /// Counts of windows that have no sounding yet.
    early: BTreeMap<(LegWindow, Problem), u32>,
    name: fn(Stream) -> String,
    done: Vec<Leg>,
    soundings: u64,
}

impl LegBuilder {
    /// Keeps `max_parked` windows open besides the current one; `name` names a stream.
    pub(crate) fn new(max_parked: usize, name: fn(Stream) -> String) -> Self {
        Self {
            current: None,
            parked: BTreeMap::new(),
            max_parked,
            switches: 0,
            early: BTreeMap::new(),
            name,
            done: Vec::new(),
            soundings: 0,
        }
    }

    /// Adds a sounding whose line is already labelled by [`label_of`].
    pub(crate) fn add(&mut self, sounding: Sounding, stream: Stream, account: &mut Account) {
        let into_current = self.current.as_ref().is_some_and(|leg| {
            (0..LEG_MILLIS).contains(&sounding.time.0.saturating_sub(leg.start))
                && leg.soundings.len() < MAX_LEG_SOUNDINGS
        });
        if !into_current {
            self.switch(sounding.time.leg_window(), account);
        }
        let Some(leg) = &mut self.current else { return };
        leg.soundings.push(sounding);
        if !leg.streams.contains(&stream) && leg.streams.len() < NAMED_STREAMS {
            leg.streams.push(stream);
        }
    }

    /// Counts a reading at `window` that became no sounding.
    pub(crate) fn count(&mut self, window: LegWindow, problem: Problem) {
        let leg = match &mut self.current {
            Some(leg) if leg.window == window => Some(leg),
            _ => self.parked.get_mut(&window),
        };
        match leg {
            Some(leg) => *leg.counts.entry(problem).or_default() += 1,
            None => {
                if self.early.len() >= 256 {
                    self.early.pop_first();
                }
                *self.early.entry((window, problem)).or_default() += 1;
            }
        }
    }

    /// Flags the soundings of the open leg from `since` (ms) on.
    pub(crate) fn flag_since(&mut self, since: i64, flag: Flags) {
        let Some(leg) = &mut self.current else { return };
        for s in leg.soundings.iter_mut().rev().take_while(|s| s.time.0 >= since) {
            s.flags = s.flags.with(flag);
        }
    }

    /// The soundings of the window being gathered, in arrival order.
    pub(crate) fn open(&self) -> &[Sounding] {
        self.current.as_ref().map_or(&[], |leg| &leg.soundings)
    }

    /// Moves the finished legs out.
    pub(crate) fn drain_into(&mut self, legs: &mut Vec<Leg>) {
        legs.append(&mut self.done);
    }

    /// Closes all legs; how many soundings there were in all.
    pub(crate) fn finish(&mut self, account: &mut Account) -> u64 {
        let mut open = std::mem::take(&mut self.parked);
        if let Some(leg) = self.current.take() {
            open.insert(leg.window, leg);
        }
        for leg in open.into_values() {
            self.close(leg, account);
        }
        self.soundings
    }

    fn switch(&mut self, window: LegWindow, account: &mut Account) {
        self.switches += 1;
        if let Some(mut leg) = self.current.take() {
            leg.touched = self.switches;
            if self.max_parked == 0 || leg.soundings.len() >= MAX_LEG_SOUNDINGS {
                self.close(leg, account);
            } else {
                self.parked.insert(leg.window, leg);
            }
        }
        let reopened = self.parked.remove(&window);
        if self.parked.len() > self.max_parked {
            let oldest = self.parked.values().min_by_key(|l| l.touched).map(|l| l.window);
            if let Some(leg) = oldest.and_then(|w| self.parked.remove(&w)) {
                self.close(leg, account);
            }
        }
        self.current = Some(reopened.unwrap_or_else(|| self.fresh(window)));
    }

    fn fresh(&mut self, window: LegWindow) -> OpenLeg {
        let early: Vec<_> =
            self.early.range((window, Problem::BadChecksum)..).take_while(|(k, _)| k.0 == window).collect();
        let counts: BTreeMap<_, _> = early.into_iter().map(|((_, p), n)| (*p, *n)).collect();
        self.early.retain(|(w, _), _| *w != window);
        let start = window.start().0;
        OpenLeg { window, start, soundings: Vec::new(), streams: Vec::new(), counts, touched: 0 }
    }

    fn close(&mut self, leg: OpenLeg, account: &mut Account) {
        let OpenLeg { window, mut soundings, mut streams, mut counts, .. } = leg;
        if !soundings.is_sorted() {
            soundings.sort_unstable();
        }
        let before = soundings.len();
        soundings.dedup_by(|again, first| {
            let same = again == first;
            if same {
                account.relabel_duplicate(label_of(again));
            }
            same
        });
        if before > soundings.len() {
            *counts.entry(Problem::Duplicate).or_default() += (before - soundings.len()) as u32;
        }
        self.soundings += soundings.len() as u64;
        streams.sort_unstable();
        let names: Vec<_> = streams.iter().map(|s| (self.name)(*s)).collect();
        self.done.push(Leg { window, soundings, instrument: names.join(", "), counts });
    }
}

/// The label of a line that became this sounding.
pub(crate) fn label_of(sounding: &Sounding) -> Label {
    if sounding.flags.has(Flags::UNCHECKED) { Label::Problem(Problem::NoChecksum) } else { Label::Used }
}
