//! Chunks of bytes to lines, and lines to the reader of their format.

use crate::account::{Account, Label, Report, excerpt};
use crate::csv::CsvLog;
use crate::format::{SAMPLE_BYTES, Sniffed, is_plainly_nmea, sniff, why};
use crate::n2k::N2kLog;
use crate::nmea::NmeaLog;
use crate::pairing::Feed;
use crate::points::PointsLog;
use crate::signalk::{MAX_DELTA_BYTES, SignalKLog};
use crate::{Format, Leg, Problem, Pulse};
use leadline_model::{Sounding, UtcMillis};
use memchr::memchr2;

/// Longest line that is read, without its end.
pub const MAX_LINE_BYTES: usize = 1_024;

/// How a remark begins that names a source of what follows, as recordings write it each time they are begun or gone on
/// with.
pub const SOURCE: &str = "# source ";

/// What the importer says of a log.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// When the log begins, for logs that do not say. With times but no date: the day is chosen so that the
    /// first time is not before this. With no times at all (tables): one row a second from here on. Also used
    /// where the log's own date cannot be true. Such soundings carry `Flags::ASSUMED_TIME`.
    pub assumed_date: Option<UtcMillis>,
}

/// Reads one log, pushed in chunks of any size.
pub struct Importer {
    options: Options,
    stage: Stage,
    /// The sample, then an unfinished line.
    carry: Vec<u8>,
    /// A line ended in CR: an LF that follows belongs to it.
    after_cr: bool,
    bytes: u64,
    lines: u64,
    /// Why the log was taken for what it is.
    why: String,
}

enum Stage {
    Sniffing,
    Nmea(Box<NmeaLog>),
    Csv(Box<CsvLog>),
    N2k(Box<N2kLog>),
    SignalK(Box<SignalKLog>),
    /// Not read by lines.
    Points(Format, Box<PointsLog>),
    Other(Format, Box<Account>),
}

impl Importer {
    /// Starts a log.
    pub fn new(mut options: Options) -> Self {
        // Before 1970 or beyond the year 9999 is no statement; sums with it must not overflow.
        options.assumed_date = options.assumed_date.filter(|t| (0..253_402_300_800_000).contains(&t.0));
        Self {
            options,
            stage: Stage::Sniffing,
            carry: Vec::new(),
            after_cr: false,
            bytes: 0,
            lines: 0,
            why: String::new(),
        }
    }

    /// Reads on; appends the legs that are complete.
    pub fn push(&mut self, bytes: &[u8], legs: &mut Vec<Leg>) {
        self.bytes += bytes.len() as u64;
        let mut rest = bytes;
        if matches!(self.stage, Stage::Sniffing) {
            let wanted = SAMPLE_BYTES - self.carry.len();
            let (sample, later) = rest.split_at(wanted.min(rest.len()));
            self.carry.extend_from_slice(sample);
            if self.carry.len() < SAMPLE_BYTES && !is_plainly_nmea(&self.carry) {
                return;
            }
            self.decide(false);
            rest = later;
        }
        self.feed(rest);
        self.drain_into(legs);
    }

    /// Ends the log; appends the last legs.
    pub fn finish(mut self, legs: &mut Vec<Leg>) -> Report {
        let mut report = self.close(legs);
        report.why = self.why;
        report
    }

    fn close(&mut self, legs: &mut Vec<Leg>) -> Report {
        if matches!(self.stage, Stage::Sniffing) {
            self.decide(true);
        }
        let last = std::mem::take(&mut self.carry);
        if !last.is_empty() {
            self.line(&last, false);
        }
        let (bytes, lines) = (self.bytes, self.lines);
        match &mut self.stage {
            Stage::Nmea(log) => report(&mut log.feed, Format::Nmea0183, (bytes, lines), legs),
            Stage::N2k(log) => report(&mut log.feed, Format::Nmea2000, (bytes, lines), legs),
            Stage::SignalK(log) => report(&mut log.feed, Format::SignalK, (bytes, lines), legs),
            Stage::Csv(log) => {
                let soundings = log.legs.finish(&mut log.account);
                log.legs.drain_into(legs);
                std::mem::take(&mut log.account).into_report(Format::Csv, bytes, lines, soundings)
            }
            Stage::Points(format, log) => {
                log.end();
                let soundings = log.rows().map_or(0, |csv| {
                    let soundings = csv.legs.finish(&mut csv.account);
                    csv.legs.drain_into(legs);
                    soundings
                });
                let points = log.points();
                std::mem::take(log.account()).into_report(*format, bytes, points, soundings)
            }
            Stage::Other(format, account) => {
                std::mem::take(&mut **account).into_report(*format, bytes, lines, 0)
            }
            Stage::Sniffing => Account::default().into_report(Format::Empty, bytes, lines, 0),
        }
    }

    /// The soundings of the leg that is still growing, in arrival order and as far as they are settled.
    pub fn open_soundings(&self) -> &[Sounding] {
        match &self.stage {
            Stage::Nmea(log) => log.feed.sink.legs.open(),
            Stage::N2k(log) => log.feed.sink.legs.open(),
            Stage::SignalK(log) => log.feed.sink.legs.open(),
            Stage::Csv(log) => log.legs.open(),
            _ => &[],
        }
    }

    /// What was heard so far of depth, fix and time; of a table or points nothing.
    pub fn pulse(&self) -> Pulse {
        match &self.stage {
            Stage::Nmea(log) => log.feed.pulse,
            Stage::N2k(log) => log.feed.pulse,
            Stage::SignalK(log) => log.feed.pulse,
            _ => Pulse::default(),
        }
    }

    /// What the log was taken for, once enough of it has come.
    pub fn format(&self) -> Option<Format> {
        match &self.stage {
            Stage::Sniffing => None,
            Stage::Nmea(_) => Some(Format::Nmea0183),
            Stage::N2k(_) => Some(Format::Nmea2000),
            Stage::SignalK(_) => Some(Format::SignalK),
            Stage::Csv(_) => Some(Format::Csv),
            Stage::Points(format, _) | Stage::Other(format, _) => Some(*format),
        }
    }

    fn decide(&mut self, whole: bool) {
        let sample = std::mem::take(&mut self.carry);
        let text = sample.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&sample);
        let sniffed = sniff(text, whole);
        self.why = why(&sniffed, text, whole);
        self.stage = match sniffed {
            Sniffed::Nmea0183 => Stage::Nmea(Box::new(NmeaLog::new(&self.options))),
            Sniffed::Nmea2000 => Stage::N2k(Box::new(N2kLog::new(&self.options))),
            Sniffed::SignalK => Stage::SignalK(Box::new(SignalKLog::new(&self.options))),
            Sniffed::Gpx => Stage::Points(Format::Gpx, Box::new(PointsLog::gpx(&self.options))),
            Sniffed::GeoJson => Stage::Points(Format::GeoJson, Box::new(PointsLog::geojson(&self.options))),
            Sniffed::Csv(table) => {
                Stage::Csv(Box::new(CsvLog::new(*table, &self.options, |_| "CSV".to_owned())))
            }
            Sniffed::Empty => Stage::Other(Format::Empty, Box::default()),
            Sniffed::Unknown(reading) => {
                Stage::Other(Format::Unknown, Box::new(Account::with_reading(reading)))
            }
        };
        self.feed(text);
    }

    fn drain_into(&mut self, legs: &mut Vec<Leg>) {
        match &mut self.stage {
            Stage::Nmea(log) => log.feed.sink.legs.drain_into(legs),
            Stage::N2k(log) => log.feed.sink.legs.drain_into(legs),
            Stage::SignalK(log) => log.feed.sink.legs.drain_into(legs),
            Stage::Csv(log) => log.legs.drain_into(legs),
            Stage::Points(_, log) => {
                if let Some(csv) = log.rows() {
                    csv.legs.drain_into(legs);
                }
            }
            Stage::Sniffing | Stage::Other(..) => {}
        }
    }

    fn feed(&mut self, mut rest: &[u8]) {
        if let Stage::Points(_, log) = &mut self.stage {
            return log.push(rest);
        }
        if self.after_cr && !rest.is_empty() {
            self.after_cr = false;
            rest = rest.strip_prefix(b"\n").unwrap_or(rest);
        }
        while let Some(end) = memchr2(b'\n', b'\r', rest) {
            let (line, after) = (&rest[..end], &rest[end + 1..]);
            if self.carry.is_empty() {
                self.line(line, true);
            } else {
                self.keep(line);
                let mut carried = std::mem::take(&mut self.carry);
                self.line(&carried, true);
                carried.clear();
                self.carry = carried;
            }
            let cr = rest[end] == b'\r';
            rest = if cr { after.strip_prefix(b"\n").unwrap_or(after) } else { after };
            self.after_cr = cr && after.is_empty();
        }
        self.keep(rest);
    }

    /// Adds to the unfinished line, as far as the limit and one byte more.
    fn keep(&mut self, part: &[u8]) {
        let most = self.longest() + 1;
        let room = most - self.carry.len().min(most);
        self.carry.extend_from_slice(&part[..part.len().min(room)]);
    }

    fn interrupt(&mut self) {
        match &mut self.stage {
            Stage::Nmea(log) => log.feed.interrupt(),
            Stage::N2k(log) => log.feed.interrupt(),
            Stage::SignalK(log) => log.feed.interrupt(),
            _ => {}
        }
    }

    /// Longest line of this kind of log, bytes.
    fn longest(&self) -> usize {
        if matches!(self.stage, Stage::SignalK(_)) { MAX_DELTA_BYTES } else { MAX_LINE_BYTES }
    }

    fn line(&mut self, line: &[u8], whole: bool) {
        self.lines += 1;
        let longest = self.longest();
        let number = self.lines;
        // As much as an unfinished line keeps, so that chunks make no difference.
        let line = line.get(..=longest).unwrap_or(line);
        let label = match line.first() {
            None => Some(Label::Blank),
            Some(b'#') => Some(Label::Comment),
            Some(c) if c.is_ascii_whitespace() && line.trim_ascii().is_empty() => Some(Label::Blank),
            _ => None,
        };
        if line.starts_with(SOURCE.as_bytes()) {
            self.interrupt();
        }
        let too_long = line.len() > longest;
        match &mut self.stage {
            Stage::Nmea(log) => match label {
                _ if too_long => log.refuse(number, line, Problem::TooLongLine),
                Some(label) => log.feed.sink.account.label(label, number, String::new),
                None => log.line(number, line, whole),
            },
            Stage::N2k(log) => match label {
                _ if too_long => log.refuse(number, line, Problem::TooLongLine),
                Some(label) => log.feed.sink.account.label(label, number, String::new),
                None => log.line(number, line),
            },
            Stage::SignalK(log) => match label {
                _ if too_long => log.refuse(number, line, Problem::TooLongLine),
                Some(label) => log.feed.sink.account.label(label, number, String::new),
                None => log.line(number, line),
            },
            Stage::Csv(log) => match label {
                _ if too_long => {
                    log.account.label(Label::Problem(Problem::TooLongLine), number, || excerpt(line))
                }
                Some(label) => log.account.label(label, number, String::new),
                None => log.row(number, line),
            },
            Stage::Other(_, account) => match label {
                Some(Label::Blank) => account.label(Label::Blank, number, String::new),
                _ => account.unread(number),
            },
            Stage::Points(..) | Stage::Sniffing => {}
        }
    }
}

fn report(feed: &mut Feed, format: Format, (bytes, lines): (u64, u64), legs: &mut Vec<Leg>) -> Report {
    let soundings = feed.finish();
    feed.sink.legs.drain_into(legs);
    std::mem::take(&mut feed.sink.account).into_report(format, bytes, lines, soundings)
}
