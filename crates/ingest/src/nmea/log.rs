//! A log of sentences, line by line.

use super::frame::{Frame, frame};
use super::pairing::{Pairing, Reading, Sink, TimedFix};
use super::sentence::{Content, Day, Depth, Fix, parse, talker};
use super::streams::{stream_name, stream_of};
use crate::Options;
use crate::Problem;
use crate::account::{Account, Label, excerpt};
use crate::legs::LegBuilder;
use leadline_model::UtcMillis;

/// A receiver whose week counter rolled over is off by 1024 weeks (facts: ten bits of week number).
const ROLL_OVER_MS: i64 = 1024 * 7 * 86_400_000;
/// A date this far from the others is rolled over: a month of slack below [`ROLL_OVER_MS`].
const BAD_DATE_MS: i64 = ROLL_OVER_MS - 30 * 86_400_000;
/// 2000-01-01 to 2080-01-01: no log of this trade is older, and two digits of a year reach no further.
const DATES_MS: std::ops::Range<i64> = 946_684_800_000..3_471_292_800_000;

/// Reads a log of NMEA 0183 sentences.
pub(crate) struct NmeaLog {
    pairing: Pairing,
    pub(crate) sink: Sink,
    assumed: Option<UtcMillis>,
    /// The last date taken, ms.
    date: Option<i64>,
    /// Lines that are neither blank nor remarks.
    arrivals: u64,
    /// When each kind of sentence last had a checksum.
    checked_at: [Option<i64>; KINDS],
}

const KINDS: usize = 12;

impl NmeaLog {
    pub(crate) fn new(options: &Options) -> Self {
        Self {
            pairing: Pairing::new(options.assumed_date),
            sink: Sink { account: Account::default(), legs: LegBuilder::new(0, stream_name) },
            assumed: options.assumed_date,
            date: None,
            arrivals: 0,
            checked_at: [None; KINDS],
        }
    }

    /// Takes line `number`, neither blank nor a remark; `whole` is false for a last line without its end.
    pub(crate) fn line(&mut self, number: u64, line: &[u8], whole: bool) {
        self.arrivals += 1;
        let label = match frame(line).and_then(|f| self.sentence(number, f, whole)) {
            Ok(label) => label,
            Err(problem) => {
                if matches!(problem, Problem::NoDepth | Problem::ZeroDepth | Problem::DepthOutOfRange)
                    && let Some(ms) = self.pairing.dated_now_ms()
                {
                    self.sink.legs.count(UtcMillis(ms).leg_window(), problem);
                }
                Some(Label::Problem(problem))
            }
        };
        if let Some(label) = label {
            self.sink.account.label(label, number, || excerpt(line));
        }
    }

    /// Counts a line that cannot be a sentence.
    pub(crate) fn refuse(&mut self, number: u64, line: &[u8], problem: Problem) {
        self.arrivals += 1;
        self.sink.account.label(Label::Problem(problem), number, || excerpt(line));
    }

    pub(crate) fn finish(&mut self) -> u64 {
        self.pairing.finish(&mut self.sink);
        self.sink.legs.finish(&mut self.sink.account)
    }

    /// The line's label, or `None` if it is known later.
    fn sentence(&mut self, number: u64, frame: Frame<'_>, whole: bool) -> Result<Option<Label>, Problem> {
        let content = &parse(frame)?;
        let checked = frame.checked;
        let kind = match content {
            Content::NotNeeded => return Ok(Some(Label::NotNeeded)),
            Content::Depth(d) => d.kind as usize,
            Content::Fix(f) => 4 + f.kind as usize,
            Content::Date(..) => 8,
            Content::Speed(_) => 9,
            Content::Dop(_) => 10,
            Content::Temperature(_) => 11,
        };
        if !checked && !whole || self.lost_its_checksum(kind, checked) {
            return Err(Problem::TornLine);
        }
        let used = if checked { Label::Used } else { Label::Problem(Problem::NoChecksum) };
        Ok(Some(match content {
            Content::Depth(depth) => {
                self.depth(number, frame, *depth);
                return Ok(None);
            }
            Content::Fix(fix) => self.fix(fix, checked, used),
            Content::Date(Some(time), day) => match self.accept(*day)? {
                Some(day) => {
                    self.pairing.date(i64::from(*time), day, &mut self.sink);
                    used
                }
                None => Label::NotNeeded,
            },
            Content::Speed(Some(_)) | Content::Dop(Some(_)) | Content::Temperature(Some(_)) => {
                self.evidence(content, used)
            }
            _ => Label::NotNeeded,
        }))
    }

    fn evidence(&mut self, content: &Content, used: Label) -> Label {
        let Some((evidence, now)) = self.pairing.evidence() else { return Label::NotNeeded };
        match content {
            Content::Speed(v) => evidence.speed(*v, now),
            Content::Dop(v) => evidence.dop(*v, now),
            Content::Temperature(v) => evidence.temperature(*v, now),
            _ => {}
        }
        used
    }

    fn depth(&mut self, number: u64, frame: Frame<'_>, depth: Depth) {
        let stream = stream_of(depth.kind, talker(frame));
        let reading = Reading { arrival: self.arrivals, line: number, depth, stream, checked: frame.checked };
        self.pairing.depth(reading, &mut self.sink);
    }

    fn fix(&mut self, fix: &Fix, checked: bool, used: Label) -> Label {
        let void = Label::Problem(Problem::ReceiverVoid);
        let Some(time_of_day) = fix.time_of_day.map(i64::from) else {
            return match fix.position {
                Some(_) => Label::Problem(Problem::NoDate),
                None if fix.void => void,
                None => Label::NotNeeded,
            };
        };
        let day = fix.day.map_or(Ok(None), |day| self.accept(day));
        let (day, bad_date) = (day.unwrap_or(None), day.is_err());
        let back = match fix.position {
            Some(position) => {
                let timed = TimedFix { arrival: self.arrivals, time_of_day, day, position, checked };
                self.pairing.fix(timed, fix, &mut self.sink)
            }
            None => {
                if fix.void {
                    self.pairing.warn();
                }
                // Without a fix the date may be the receiver's default.
                if let Some(day) = day.filter(|_| !fix.void) {
                    self.pairing.date(time_of_day, day, &mut self.sink);
                }
                false
            }
        };
        match (back, bad_date) {
            (true, _) => Label::Problem(Problem::ClockBack),
            (_, true) => Label::Problem(Problem::BadDate),
            _ if fix.void => void,
            _ if fix.position.is_none() && day.is_none() => Label::NotNeeded,
            _ => used,
        }
    }

    /// The first moment of a stated day, if it can be true.
    fn accept(&mut self, day: Day) -> Result<Option<i64>, Problem> {
        let ms = match day {
            Day::Null => return Ok(None),
            Day::Impossible => return Err(Problem::BadDate),
            Day::Start(t) => t.0,
        };
        let far = |from: i64| (ms - from).abs() >= BAD_DATE_MS;
        if !DATES_MS.contains(&ms) || self.assumed.is_some_and(|a| far(a.0)) {
            return Err(Problem::BadDate);
        }
        // Inside one log the later date is the true one: a roll-over only takes time away.
        if self.date.is_some_and(|d| ms < d && far(d)) {
            return Err(Problem::BadDate);
        }
        self.date = Some(ms);
        Ok(Some(ms))
    }

    /// Whether a sentence without checksum is a torn one: its kind had checksums within the last seconds.
    fn lost_its_checksum(&mut self, kind: usize, checked: bool) -> bool {
        let now = self.pairing.now_ms();
        let Some(last) = self.checked_at.get_mut(kind) else { return false };
        if checked {
            *last = now;
            return false;
        }
        last.zip(now).is_some_and(|(last, now)| (0..=super::epoch::MAX_GAP_MS).contains(&(now - last)))
    }
}
