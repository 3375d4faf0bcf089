//! What a file of levels gave, and what was left out of it.

use super::{GaugeError, MAX_GAUGE_READINGS, MAX_GAUGES};
use leadline_model::{Text, UtcMillis};
use std::collections::BTreeMap;
use std::fmt;

/// Lines named of each reason.
const EXAMPLES_A_REASON: usize = 3;

/// The levels in a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GaugeFile {
    /// What the content looked like.
    pub format: GaugeFormat,
    /// Lines read.
    pub lines: u64,
    /// Readings by gauge, in the order of the gauges' first rows; at least one reading in all.
    pub series: Vec<GaugeSeries>,
    /// Rows left out, by reason.
    pub skipped: BTreeMap<Skip, u64>,
    /// The first three rows left out for each reason, in line order.
    pub examples: Vec<SkippedLine>,
    /// What a person should know before the levels are used.
    pub notes: Vec<GaugeNote>,
}

/// The readings of one gauge, in the order of the file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GaugeSeries {
    /// The gauge as the file names it (an RDB file: its site number); `None` where it does not.
    pub gauge: Option<Text>,
    /// Moment and level in mm, the option's offset added.
    pub readings: Vec<(UtcMillis, i32)>,
}

/// Kind of file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum GaugeFormat {
    /// Tab-separated text with `#` remarks and a row of column formats.
    Rdb,
    /// A table that begins with `Date Time, Water Level`.
    WaterLevels,
    /// A table with the columns time and level.
    Plain,
}

/// Why a row was left out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[non_exhaustive]
pub enum Skip {
    /// No level in it.
    Blank,
    /// −999999, the mark for no value.
    NoValue,
    /// Ice at the gauge.
    Ice,
    /// The gauge was broken.
    Equipment,
    /// Another word instead of a level.
    Word,
    /// A level no water has.
    Range,
    /// A date without time of day.
    NoTime,
    /// The time cannot be read.
    BadTime,
    /// A time zone of no known code.
    UnknownZone,
    /// A row that does not fit the columns, or no text.
    BadRow,
}

/// One row that was left out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SkippedLine {
    /// Number of the line, from 1.
    pub line: u64,
    /// Why.
    pub reason: Skip,
}

/// What a person should know of the levels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum GaugeNote {
    /// The levels count from the gauge's own zero, and no offset was given.
    FromGaugeZero,
    /// The file does not state its datum, and no offset was given.
    DatumNotStated,
    /// So many readings are marked as provisional.
    Provisional(u64),
    /// So many readings are marked as estimated or interpolated.
    Estimated(u64),
}

impl Skip {
    /// The reason in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Blank => "the level is blank",
            Self::NoValue => "the level is -999999, the mark for no value",
            Self::Ice => "there was ice at the gauge",
            Self::Equipment => "the gauge was broken",
            Self::Word => "a word stands where the level should be",
            Self::Range => "no water has such a level (beyond 10000 m)",
            Self::NoTime => "the date has no time of day",
            Self::BadTime => "the time cannot be read",
            Self::UnknownZone => "the code of the time zone is not known",
            Self::BadRow => "the row does not fit the columns",
        }
    }
}

impl fmt::Display for Skip {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.words())
    }
}

impl fmt::Display for GaugeNote {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::FromGaugeZero => f.write_str(
                "the levels count from the gauge's own zero; say how high that lies above the sounding datum",
            ),
            Self::DatumNotStated => f.write_str(
                "the file does not state its datum; say how high that lies above the sounding datum",
            ),
            Self::Provisional(n) => write!(f, "{n} readings are provisional and may be corrected later"),
            Self::Estimated(n) => write!(f, "{n} readings are estimated or interpolated, not measured"),
        }
    }
}

impl GaugeFile {
    /// Readings of all gauges.
    pub fn readings(&self) -> usize {
        self.series.iter().map(|s| s.readings.len()).sum()
    }
}

/// Rows on their way into a [`GaugeFile`].
#[derive(Default)]
pub(super) struct Collector {
    series: Vec<GaugeSeries>,
    /// Where the row before went.
    last: usize,
    readings: usize,
    skipped: BTreeMap<Skip, u64>,
    examples: Vec<SkippedLine>,
}

impl Collector {
    /// One reading of line `line`.
    pub(super) fn take(
        &mut self,
        gauge: Option<&str>,
        reading: (UtcMillis, i32),
        line: u64,
    ) -> Result<(), GaugeError> {
        if self.readings == MAX_GAUGE_READINGS {
            return Err(GaugeError::TooManyReadings { line });
        }
        let same = |s: &GaugeSeries| s.gauge.as_ref().map(Text::as_str) == gauge;
        if !self.series.get(self.last).is_some_and(same) {
            self.last = self.series.iter().position(same).unwrap_or(self.series.len());
        }
        if self.last == MAX_GAUGES {
            return Err(GaugeError::TooManyGauges { line });
        }
        if self.last == self.series.len() {
            let bad = GaugeError::Row { line, fault: super::RowFault::Gauge };
            let gauge = gauge.map(Text::new).transpose().map_err(|_| bad)?;
            self.series.push(GaugeSeries { gauge, readings: Vec::new() });
        }
        if let Some(series) = self.series.get_mut(self.last) {
            series.readings.push(reading);
            self.readings += 1;
        }
        Ok(())
    }

    /// Line `line` is left out.
    pub(super) fn skip(&mut self, line: u64, reason: Skip) {
        let count = self.skipped.entry(reason).or_default();
        *count += 1;
        if *count <= EXAMPLES_A_REASON as u64 {
            self.examples.push(SkippedLine { line, reason });
        }
    }

    pub(super) fn finish(
        self,
        format: GaugeFormat,
        lines: u64,
        notes: Vec<GaugeNote>,
    ) -> Result<GaugeFile, GaugeError> {
        if self.readings == 0 {
            // Of reasons that are as frequent the first.
            let most = self.skipped.iter().rev().max_by_key(|(_, n)| **n);
            let count = self.skipped.values().sum();
            return Err(
                most.map_or(GaugeError::Empty, |(r, _)| GaugeError::NothingLeft { count, reason: *r })
            );
        }
        let Self { series, skipped, examples, .. } = self;
        Ok(GaugeFile { format, lines, series, skipped, examples, notes })
    }
}
