//! Gives each depth the time and place it was measured at.
//!
//! A depth lies, by arrival, between the epoch before and the epoch after; time and position are interpolated
//! by the number of lines. An unbroken run of epochs is a stretch: a gap of more than ten seconds or a clock
//! that goes back ends it, and nothing but the date outlives it.

mod dating;
mod epoch;
mod feed;
mod streams;

pub(crate) use epoch::MAX_GAP_MS;
pub(crate) use feed::Feed;
pub(crate) use streams::{numbered_stream, stream_of};

use crate::Problem;
use crate::account::{Account, Label};
use crate::legs::{LegBuilder, Stream, label_of};
use crate::nmea::{Depth, Fix, Position};
use dating::{Dated, Settled, Waiting};
use epoch::{Epoch, Evidence};
use leadline_model::{Flags, GridPos, Sounding, UtcMillis};
use streams::{Placed, Streams};

const DAY_MS: i64 = 86_400_000;
/// A sentence this late still belongs to the stretch (second receiver, slow sentence), ms.
const LATE_MS: i64 = 2_000;
/// Set back by more than this, the clock is not corrected: another log begins, ms.
const CORRECTION_MS: i64 = 600_000;
/// A last fix is held for a depth this long, ms.
const HOLD_MS: i64 = 2_000;
/// Without two epochs to tell the rate: lines of one burst.
const BURST_LINES: u64 = 32;
/// Receivers may carry the old date this far into the new day, ms.
const STALE_DATE_MS: i64 = 10_000;
/// Depths that wait for the next fix: ten seconds at four hundred a second.
const MAX_WAITING: usize = 4_096;

/// Where lines and soundings go.
pub(crate) struct Sink {
    pub(crate) account: Account,
    pub(crate) legs: LegBuilder,
}

impl Sink {
    fn sounding(&mut self, p: Placed) {
        let depth_mm = p.sounding.depth_mm;
        self.account.label(label_of(&p.sounding), p.line, || format!("depth {depth_mm} mm"));
        self.legs.add(p.sounding, p.stream, &mut self.account);
    }

    /// A reading that became no sounding.
    pub(crate) fn lost(&mut self, problem: Problem, line: u64, depth_mm: i32, at: Option<i64>) {
        self.account.label(Label::Problem(problem), line, || format!("depth {depth_mm} mm"));
        if let Some(ms) = at {
            self.legs.count(UtcMillis(ms).leg_window(), problem);
        }
    }

    fn settle(&mut self, s: Settled) {
        match s {
            Settled::Dated(p) => self.sounding(p),
            Settled::NoDate(p) => self.lost(Problem::NoDate, p.line, p.sounding.depth_mm, None),
        }
    }
}

/// A depth and its place among the lines.
#[derive(Clone, Copy)]
pub(crate) struct Reading {
    pub(crate) arrival: u64,
    pub(crate) line: u64,
    pub(crate) depth: Depth,
    pub(crate) stream: Stream,
    pub(crate) checked: bool,
}

/// A fix and its place among the lines.
#[derive(Clone, Copy)]
pub(crate) struct TimedFix {
    pub(crate) arrival: u64,
    pub(crate) time_of_day: i64,
    /// First moment of the stated day.
    pub(crate) day: Option<i64>,
    pub(crate) position: Position,
    pub(crate) checked: bool,
}

pub(crate) struct Pairing {
    assumed: Option<i64>,
    before: Option<Epoch>,
    now: Option<Epoch>,
    readings: Vec<Reading>,
    evidence: Evidence,
    streams: Streams,
    waiting: Waiting,
    dated: Dated,
    /// Date and time of a sentence without position.
    hint: Option<i64>,
    /// The last epoch's time, beyond the end of a stretch.
    last: Option<i64>,
    /// Soundings up to here are near a set-back clock.
    jump_until: i64,
}

impl Pairing {
    pub(crate) fn new(assumed: Option<UtcMillis>) -> Self {
        Self {
            assumed: assumed.map(|t| t.0),
            before: None,
            now: None,
            readings: Vec::new(),
            evidence: Evidence::default(),
            streams: Streams::default(),
            waiting: Waiting::default(),
            dated: Dated::Unknown,
            hint: None,
            last: None,
            jump_until: i64::MIN,
        }
    }

    /// The present epoch's time in the stretch's reckoning.
    pub(crate) fn now_ms(&self) -> Option<i64> {
        self.now.map(|e| e.time)
    }

    /// The present time, if its day is known.
    pub(crate) fn dated_now_ms(&self) -> Option<i64> {
        self.now_ms().filter(|_| self.dated == Dated::Stated)
    }

    /// Speed, HDOP, temperature: statements without a time count as of now.
    pub(crate) fn evidence(&mut self) -> Option<(&mut Evidence, i64)> {
        self.now.map(|e| (&mut self.evidence, e.time))
    }

    /// The receiver warned without giving a position.
    pub(crate) fn warn(&mut self) {
        if let Some(now) = &mut self.now {
            now.warning = true;
        }
    }

    pub(crate) fn depth(&mut self, reading: Reading, sink: &mut Sink) {
        if self.now.is_none() {
            return sink.lost(Problem::NoPosition, reading.line, reading.depth.depth_mm, None);
        }
        self.readings.push(reading);
        if self.readings.len() >= MAX_WAITING {
            self.end_stretch(false, sink);
        }
    }

    /// A date and time without position. Whether it was of use.
    pub(crate) fn date(&mut self, time_of_day: i64, day: i64, sink: &mut Sink) {
        let stated = day + time_of_day;
        self.hint = Some(stated);
        if let Some(now) = self.now {
            let near = nearest(time_of_day, now.time);
            if continues(near, now.time) && self.dated != Dated::Stated {
                self.confirm(stated - near, sink);
            }
        }
    }

    /// Takes a fix; whether the clock went back.
    pub(crate) fn fix(&mut self, timed: TimedFix, fix: &Fix, sink: &mut Sink) -> bool {
        let (time, back) = self.reckon(timed.time_of_day, timed.day, sink);
        match &mut self.now {
            Some(now) if time < now.time => {}
            Some(now) if time == now.time => now.refine(timed.position),
            _ => self.begin(timed.arrival, time, timed.position, sink),
        }
        if let Some(now) = &mut self.now {
            // A late sentence speaks of the present epoch.
            self.evidence.take(fix, now.time);
            now.warning |= fix.void;
            now.unchecked |= !timed.checked;
        }
        back
    }

    /// Ends the log.
    pub(crate) fn finish(&mut self, sink: &mut Sink) {
        self.end_stretch(false, sink);
    }

    /// The moment of a fix in this stretch or, after a gap or a clock set back, in a new one.
    fn reckon(&mut self, time_of_day: i64, day: Option<i64>, sink: &mut Sink) -> (i64, bool) {
        let near = self.now.map(|now| (nearest(time_of_day, now.time), now.time));
        if let Some((near, _)) = near.filter(|(near, now)| continues(*near, *now)) {
            let Some(stated) = day.map(|d| d + time_of_day) else { return (near, false) };
            if self.dated != Dated::Stated {
                self.confirm(stated - near, sink);
                return (stated, false);
            }
            let stale = stated + DAY_MS == near && time_of_day < STALE_DATE_MS;
            if stated == near || stale {
                return (near, false);
            }
        }
        let old = self.last;
        let (time, dated) = self.new_stretch(time_of_day, day);
        let back = old.filter(|old| time < *old && self.dated != Dated::Unknown && dated != Dated::Unknown);
        // A day counted from 1970 compares only with its like.
        let unknown_back = old.filter(|o| dated == Dated::Unknown && nearest(time_of_day, *o) < *o);
        let corrected = back.is_some_and(|old| old - time <= CORRECTION_MS);
        self.end_stretch(corrected, sink);
        self.dated = dated;
        self.jump_until = if corrected { time + MAX_GAP_MS } else { i64::MIN };
        (time, back.is_some() || unknown_back.is_some())
    }

    fn new_stretch(&self, time_of_day: i64, day: Option<i64>) -> (i64, Dated) {
        if let Some(day) = day {
            return (day + time_of_day, Dated::Stated);
        }
        if let Some(hint) = self.hint {
            let near = nearest(time_of_day, hint);
            if continues(near, hint) {
                return (near, Dated::Stated);
            }
        }
        let assumed = self.assumed.map_or((time_of_day, Dated::Unknown), |start| {
            let time = start + (time_of_day - start).rem_euclid(DAY_MS);
            (time, Dated::Assumed)
        });
        let Some(last) = self.last else { return assumed };
        let near = nearest(time_of_day, last);
        let same_log = near >= last - CORRECTION_MS;
        match self.dated {
            Dated::Unknown => assumed,
            Dated::Assumed if same_log => (near, Dated::Assumed),
            Dated::Stated | Dated::Continued if same_log => (near, Dated::Continued),
            _ => assumed,
        }
    }

    fn confirm(&mut self, by: i64, sink: &mut Sink) {
        self.dated = Dated::Stated;
        if by != 0 {
            for e in self.before.iter_mut().chain(&mut self.now) {
                e.time += by;
            }
            self.evidence.shift(by);
            self.streams.iter_mut().for_each(|s| s.time.0 += by);
            self.last = self.last.map(|t| t + by);
            self.jump_until = self.jump_until.saturating_add(by);
        }
        self.waiting.confirm(by, |s| sink.settle(s));
    }

    fn begin(&mut self, arrival: u64, time: i64, position: Position, sink: &mut Sink) {
        self.close_epoch(sink);
        self.before = self.now.replace(Epoch::new(arrival, time, position));
        self.last = Some(time);
    }

    /// The present epoch is complete: the depths before it can be placed.
    fn close_epoch(&mut self, sink: &mut Sink) {
        let Some(now) = &mut self.now else { return };
        now.evidence = self.evidence.at(now.time);
        let arrival = now.arrival;
        let Some(before) = &mut self.before else { return };
        let due = self.readings.partition_point(|r| r.arrival < arrival);
        if due == 0 {
            return;
        }
        let ends = if before.reaches(now) { before.grid().zip(now.grid()) } else { None };
        let (before, now) = (*before, *now);
        for i in 0..due {
            let reading = self.readings[i];
            match ends {
                Some(ends) => {
                    let (time, at) = between(&before, &now, ends, reading.arrival);
                    let unchecked = before.unchecked || now.unchecked || !reading.checked;
                    let warning = before.warning || now.warning;
                    let flags = flags_if(Flags::UNCHECKED, unchecked).with(flags_if(Flags::WARNING, warning));
                    self.place(&before, reading, time, at, flags, sink);
                }
                None => self.no_position(reading, before.time, sink),
            }
        }
        self.readings.drain(..due);
    }

    /// Nothing after this belongs to what is before.
    fn end_stretch(&mut self, clock_corrected: bool, sink: &mut Sink) {
        self.close_epoch(sink);
        self.hold_last(sink);
        if let Some(last) = self.now_ms().filter(|_| clock_corrected) {
            let since = last - MAX_GAP_MS;
            for s in self.streams.iter_mut().chain(self.waiting.iter_mut()).filter(|s| s.time.0 >= since) {
                s.flags = s.flags.with(Flags::CLOCK_JUMP);
            }
            sink.legs.flag_since(since, Flags::CLOCK_JUMP);
        }
        self.drain_streams(sink);
        self.waiting.settle(self.dated, |s| sink.settle(s));
        (self.before, self.now) = (None, None);
        self.evidence = Evidence::default();
        self.hint = None;
        self.jump_until = i64::MIN;
    }

    /// Depths of the last burst get the last fix; later ones none.
    fn hold_last(&mut self, sink: &mut Sink) {
        let Some(mut now) = self.now else { return };
        let rate = self.before.map(|b| (now.arrival - b.arrival, now.time - b.time));
        let grid = now.grid();
        for reading in std::mem::take(&mut self.readings) {
            let lines = reading.arrival - now.arrival;
            let after = match rate {
                Some((step, ms)) => scale(ms, lines, step),
                None if lines <= BURST_LINES => 0,
                None => i64::MAX,
            };
            match grid.filter(|_| after <= HOLD_MS) {
                Some(at) => {
                    let flags = flags_if(Flags::UNCHECKED, now.unchecked || !reading.checked)
                        .with(flags_if(Flags::WARNING, now.warning))
                        .with(Flags::HELD);
                    self.place(&now, reading, now.time + after, at, flags, sink);
                }
                None => self.no_position(reading, now.time, sink),
            }
        }
    }

    fn place(&mut self, epoch: &Epoch, r: Reading, time: i64, at: GridPos, flags: Flags, sink: &mut Sink) {
        let e = epoch.evidence;
        let sounding = Sounding {
            time: UtcMillis(time),
            at,
            depth_mm: r.depth.depth_mm,
            from: r.depth.kind.from(),
            offset_mm: r.depth.offset_mm,
            speed_mm_s: e.speed_mm_s,
            hdop_centi: e.hdop_centi,
            fix: e.class,
            sats: e.sats,
            temp_centi: e.temp_centi,
            flags: flags.with(flags_if(Flags::CLOCK_JUMP, time <= self.jump_until)),
        };
        let placed = Placed { sounding, stream: r.stream, line: r.line, duplicate: false };
        let (dated, waiting) = (self.dated, &mut self.waiting);
        self.streams.push(placed, |p| pass_on(p, dated, waiting, sink));
    }

    fn drain_streams(&mut self, sink: &mut Sink) {
        let (dated, waiting) = (self.dated, &mut self.waiting);
        self.streams.drain(|p| pass_on(p, dated, waiting, sink));
    }

    fn no_position(&self, r: Reading, time: i64, sink: &mut Sink) {
        let at = (self.dated == Dated::Stated).then_some(time);
        sink.lost(Problem::NoPosition, r.line, r.depth.depth_mm, at);
    }
}

fn pass_on(p: Placed, dated: Dated, waiting: &mut Waiting, sink: &mut Sink) {
    if p.duplicate {
        let at = (dated == Dated::Stated).then_some(p.sounding.time.0);
        sink.lost(Problem::Duplicate, p.line, p.sounding.depth_mm, at);
    } else {
        waiting.push(p, dated, |s| sink.settle(s));
    }
}

fn between(a: &Epoch, b: &Epoch, (from, to): (GridPos, GridPos), arrival: u64) -> (i64, GridPos) {
    let (lines, of) = (arrival - a.arrival, b.arrival - a.arrival);
    let time = a.time + scale(b.time - a.time, lines, of);
    // Shifting left by one makes the 31-bit wrap at 180° a 32-bit wrap.
    let dx = i64::from((to.x() << 1).wrapping_sub(from.x() << 1) as i32 / 2);
    let dy = i64::from(to.y()) - i64::from(from.y());
    let x = (i64::from(from.x()) + scale(dx, lines, of)).rem_euclid(1 << 31);
    let y = i64::from(from.y()) + scale(dy, lines, of);
    (time, GridPos::new(x as u32, y as u32).unwrap_or(from))
}

/// `value` × `lines` / `of`, rounded down; the step of a fraction is below one place or one millisecond.
fn scale(value: i64, lines: u64, of: u64) -> i64 {
    let (lines, of) = (lines as i64, of.max(1) as i64);
    value.saturating_mul(lines).div_euclid(of)
}

/// The moment with this time of day that is nearest to `to`.
fn nearest(time_of_day: i64, to: i64) -> i64 {
    let ahead = (time_of_day - to).rem_euclid(DAY_MS);
    to + if ahead > DAY_MS / 2 { ahead - DAY_MS } else { ahead }
}

fn continues(time: i64, now: i64) -> bool {
    (now - LATE_MS..=now + MAX_GAP_MS).contains(&time)
}

fn flags_if(flags: Flags, set: bool) -> Flags {
    if set { flags } else { Flags::default() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nearest_moment() {
        let noon = DAY_MS * 100 + DAY_MS / 2;
        assert_eq!(nearest(DAY_MS / 2 + 5, noon), noon + 5);
        assert_eq!(nearest(DAY_MS / 2 - 5, noon), noon - 5);
        let eve = DAY_MS * 101 - 1_000;
        assert_eq!(nearest(0, eve), DAY_MS * 101);
        assert_eq!(nearest(DAY_MS - 1_000, DAY_MS * 101), eve);
    }

    #[test]
    fn scale_rounds_down_both_ways() {
        assert_eq!((scale(10, 1, 3), scale(-10, 1, 3), scale(7, 0, 0)), (3, -4, 0));
    }
}
