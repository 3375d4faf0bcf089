//! A log of the bus, line by line.
//!
//! Pairing: a position with its time (129029) makes an epoch; depths lie between the epochs before and after by the
//! log's own stamps, or by the number of lines where it has none. A position alone (129025) makes an epoch only while
//! no 129029 has come for two seconds, at the receiver's last stated time; without a stated time it is not used. Of
//! two receivers the one with the lower address stands.

use super::clock::Clock;
use super::fast::{Assembler, Message};
use super::line::BusLine;
use super::message::{Needed, Said, needed, said};
use crate::account::Label;
use crate::kinds::Good;
use crate::nmea::{Content, Day, Fix, FixKind, Position};
use crate::pairing::{Feed, numbered_stream};
use crate::{Options, Problem};
use leadline_model::UtcMillis;

/// A receiver that was silent for so long gives way to another, ms (or lines) of the log.
const SILENT: u64 = 2_000;

/// Reads a log of NMEA 2000 frames.
pub(crate) struct N2kLog {
    pub(crate) feed: Feed,
    clock: Clock,
    fast: Assembler,
    /// The receiver in use, and when it last spoke.
    receiver: Option<(u8, u64)>,
    /// When a position with its time last came.
    timed_at: Option<u64>,
}

impl N2kLog {
    pub(crate) fn new(options: &Options) -> Self {
        Self {
            feed: Feed::new(options),
            clock: Clock::default(),
            fast: Assembler::default(),
            receiver: None,
            timed_at: None,
        }
    }

    /// Takes line `number`, neither blank nor a remark.
    pub(crate) fn line(&mut self, number: u64, line: &[u8]) {
        let became = self.read(number, line);
        self.feed.note(number, line, became);
    }

    /// Counts a line that cannot be a frame.
    pub(crate) fn refuse(&mut self, number: u64, line: &[u8], problem: Problem) {
        self.feed.refuse(number, line, problem);
    }

    fn read(&mut self, number: u64, line: &[u8]) -> Result<Option<Label>, Problem> {
        let frame = BusLine::of(line)?;
        let arrival = self.clock.line(frame.stamp);
        let need = needed(frame.pgn);
        let good = if need.is_some() { Good::Used } else { Good::NotNeeded };
        self.feed.sink.account.kinds.number(frame.pgn, good);
        let message = match need {
            None => return Ok(Some(Label::NotNeeded)),
            Some(Needed::Fast) if frame.len <= 8 => match self.fast.take(&frame)? {
                Some(message) => message,
                None => return Ok(Some(Label::Used)),
            },
            Some(_) => Message { pgn: frame.pgn, source: frame.source, data: frame.data().to_vec() },
        };
        self.message(arrival, number, &message)
    }

    fn message(&mut self, arrival: u64, number: u64, m: &Message) -> Result<Option<Label>, Problem> {
        let content = match said(m)? {
            Said::Content(content) => content,
            Said::Fix(fix) => return self.fix(arrival, m.source, &fix).map(Some),
            Said::Place(position) => return self.place(arrival, m.source, position).map(Some),
            Said::Time(day, ms) => return self.time(day, ms).map(Some),
        };
        Ok(Some(match content {
            Content::Depth(depth) => {
                let stream = numbered_stream(depth.kind, m.source);
                self.feed.depth(arrival, number, depth, stream, true);
                return Ok(None);
            }
            Content::Speed(Some(_)) | Content::Dop(Some(_)) | Content::Temperature(Some(_)) => {
                self.feed.evidence(&content, Label::Used)
            }
            _ => Label::NotNeeded,
        }))
    }

    fn fix(&mut self, arrival: u64, source: u8, fix: &Fix) -> Result<Label, Problem> {
        if !self.is_heard(source, arrival) {
            return Ok(Label::NotNeeded);
        }
        if let (Some(Day::Start(day)), Some(ms)) = (fix.day, fix.time_of_day) {
            self.clock.state(day.0 + i64::from(ms));
        }
        if fix.position.is_some() && fix.time_of_day.is_some() {
            self.timed_at = Some(arrival);
        }
        Ok(self.feed.fix(arrival, fix, true, Label::Used))
    }

    fn place(&mut self, arrival: u64, source: u8, position: Position) -> Result<Label, Problem> {
        let timed = self.timed_at.is_some_and(|at| arrival - at <= SILENT);
        if timed || !self.is_heard(source, arrival) {
            return Ok(Label::NotNeeded);
        }
        let now = self.clock.now().map(UtcMillis).ok_or(Problem::NoDate)?;
        let fix = Fix {
            kind: FixKind::Gll,
            time_of_day: u32::try_from(now.millis_of_day()).ok(),
            day: Some(Day::Start(now.day_start())),
            position: Some(position),
            void: false,
            class: None,
            sats: None,
            hdop_centi: None,
            speed_mm_s: None,
        };
        Ok(self.feed.fix(arrival, &fix, true, Label::Used))
    }

    fn time(&mut self, day: Day, ms: u32) -> Result<Label, Problem> {
        if let Day::Start(start) = day {
            self.clock.state(start.0 + i64::from(ms));
        }
        self.feed.date(ms, day, Label::Used)
    }

    /// Whether this receiver is the one in use now.
    fn is_heard(&mut self, source: u8, arrival: u64) -> bool {
        let other = self.receiver.is_some_and(|(held, at)| held < source && arrival - at <= SILENT);
        if !other {
            self.receiver = Some((source, arrival));
        }
        !other
    }
}
