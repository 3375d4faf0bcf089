//! Statements of instruments to soundings, whatever wrote the log: fixes, dates, depths and evidence in their order
//! of arrival.

use super::streams::stream_name;
use super::{Pairing, Reading, Sink, TimedFix};
use crate::account::{Account, Label, excerpt};
use crate::legs::{LegBuilder, Stream};
use crate::nmea::{Content, Day, Depth, Fix};
use crate::{Options, Problem, Pulse};
use leadline_model::UtcMillis;

/// A receiver whose week counter rolled over is off by 1024 weeks (ten bits of week number).
const ROLL_OVER_MS: i64 = 1024 * 7 * 86_400_000;
/// A date this far from the others is rolled over: a month of slack below [`ROLL_OVER_MS`].
const BAD_DATE_MS: i64 = ROLL_OVER_MS - 30 * 86_400_000;
/// 2000-01-01 to 2080-01-01: no log of this trade is older, and two digits of a year reach no further.
const DATES_MS: std::ops::Range<i64> = 946_684_800_000..3_471_292_800_000;

/// Takes statements and gives legs.
pub(crate) struct Feed {
    pairing: Pairing,
    pub(crate) sink: Sink,
    assumed: Option<UtcMillis>,
    /// The last date taken, ms.
    date: Option<i64>,
    pub(crate) pulse: Pulse,
}

impl Feed {
    pub(crate) fn new(options: &Options) -> Self {
        Self {
            pairing: Pairing::new(options.assumed_date),
            sink: Sink { account: Account::default(), legs: LegBuilder::new(0, stream_name) },
            assumed: options.assumed_date,
            date: None,
            pulse: Pulse::default(),
        }
    }

    /// The present epoch's time.
    pub(crate) fn now_ms(&self) -> Option<i64> {
        self.pairing.now_ms()
    }

    /// Labels line `number` by what became of it; `None` is known later.
    pub(crate) fn note(&mut self, number: u64, line: &[u8], became: Result<Option<Label>, Problem>) {
        let label = match became {
            Ok(label) => label,
            Err(problem) => {
                self.note_lost(problem);
                Some(Label::Problem(problem))
            }
        };
        if let Some(label) = label {
            self.sink.account.label(label, number, || excerpt(line));
        }
    }

    /// Labels a line that cannot be one of this log's.
    pub(crate) fn refuse(&mut self, number: u64, line: &[u8], problem: Problem) {
        self.sink.account.label(Label::Problem(problem), number, || excerpt(line));
    }

    /// A lost depth is counted in its leg.
    fn note_lost(&mut self, problem: Problem) {
        if matches!(problem, Problem::NoDepth | Problem::ZeroDepth | Problem::DepthOutOfRange)
            && let Some(ms) = self.pairing.dated_now_ms()
        {
            self.sink.legs.count(UtcMillis(ms).leg_window(), problem);
        }
    }

    /// A depth of line `number`. Its label is given when its place is known. Arrivals never go down.
    pub(crate) fn depth(&mut self, arrival: u64, number: u64, depth: Depth, stream: Stream, checked: bool) {
        self.pulse.note_depth(depth.kind, depth.depth_mm, depth.offset_mm);
        let reading = Reading { arrival, line: number, depth, stream, checked };
        self.pairing.depth(reading, &mut self.sink);
    }

    /// Speed, HDOP or temperature.
    pub(crate) fn evidence(&mut self, content: &Content, used: Label) -> Label {
        if let Content::Speed(v) = content {
            self.pulse.note_speed(*v);
        }
        let Some((evidence, now)) = self.pairing.evidence() else { return Label::NotNeeded };
        match content {
            Content::Speed(v) => evidence.speed(*v, now),
            Content::Dop(v) => evidence.dop(*v, now),
            Content::Temperature(v) => evidence.temperature(*v, now),
            _ => {}
        }
        used
    }

    /// A date and time without a position.
    pub(crate) fn date(&mut self, time_of_day: u32, day: Day, used: Label) -> Result<Label, Problem> {
        Ok(match self.accept(day)? {
            Some(day) => {
                self.pairing.date(i64::from(time_of_day), day, &mut self.sink);
                used
            }
            None => Label::NotNeeded,
        })
    }

    /// A fix; arrivals never go down.
    pub(crate) fn fix(&mut self, arrival: u64, fix: &Fix, checked: bool, used: Label) -> Label {
        let label = self.take_fix(arrival, fix, checked, used);
        self.pulse.note_fix(fix);
        self.pulse.note_time(self.pairing.dated_now_ms());
        label
    }

    fn take_fix(&mut self, arrival: u64, fix: &Fix, checked: bool, used: Label) -> Label {
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
                let timed = TimedFix { arrival, time_of_day, day, position, checked };
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

    /// What comes next was not heard in one go with what came: nothing is worked out between the two.
    pub(crate) fn interrupt(&mut self) {
        self.pairing.finish(&mut self.sink);
    }

    /// Ends the log; how many soundings there were.
    pub(crate) fn finish(&mut self) -> u64 {
        self.pairing.finish(&mut self.sink);
        self.sink.legs.finish(&mut self.sink.account)
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
}
