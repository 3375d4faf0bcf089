//! Why a file of levels, or a row of one, is not taken.

use super::{LevelUnit, MAX_GAUGE_BYTES, MAX_GAUGE_LINE_BYTES, MAX_GAUGE_READINGS, MAX_GAUGES, Skip};
use leadline_model::TimeParseError;

/// Why a file is refused as a whole.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum GaugeError {
    /// Too many bytes.
    #[error("the file has {0} bytes, {MAX_GAUGE_BYTES} are read; cut it by years and import the parts")]
    TooLarge(usize),
    /// Nothing but blanks and remarks.
    #[error("no readings in it")]
    Empty,
    /// The columns are not known.
    #[error(
        "line {line}: the first line must name the columns time and level_m (metres above the sounding datum); \
         it is {start:?}"
    )]
    NoColumns {
        /// Where.
        line: u64,
        /// How the line begins, escaped.
        start: String,
    },
    /// A column of levels is missing in an RDB file.
    #[error(
        "line {line}: no column of gauge heights (a name that ends in _00065); fetch the file again with \
         parameter 00065"
    )]
    NoHeights {
        /// Where.
        line: u64,
    },
    /// An RDB file of daily values.
    #[error(
        "line {line}: daily values ({column}) have no time of day, and the level moves within a day; fetch the \
         instantaneous values"
    )]
    Daily {
        /// Where.
        line: u64,
        /// The column.
        column: String,
    },
    /// Several columns of levels.
    #[error("line {line}: several columns hold gauge heights ({columns}); name the one to take")]
    SeveralColumns {
        /// Where.
        line: u64,
        /// Their names.
        columns: String,
    },
    /// The column asked for is not there.
    #[error("line {line}: there is no column {column}; the columns of gauge heights are: {columns}")]
    NoSuchColumn {
        /// Where.
        line: u64,
        /// What was asked for.
        column: String,
        /// What is there.
        columns: String,
    },
    /// Computed tides, not what the water did.
    #[error("line {line}: these are predictions, not measured levels; fetch the product water_level")]
    Predictions {
        /// Where.
        line: u64,
    },
    /// Neither the file nor the importer states the unit.
    #[error("the file does not say whether its levels are metres or feet; state the unit as it was fetched")]
    NoUnit,
    /// Neither the file nor the importer states the zone.
    #[error("the file does not say in which time zone its times are; state the zone, such as UTC or -05:00")]
    NoZone,
    /// The importer states another unit than the file.
    #[error("line {line}: the file's own unit is {file}, not {stated}; leave the unit away")]
    OtherUnit {
        /// Where.
        line: u64,
        /// What the file says.
        file: LevelUnit,
        /// What the importer says.
        stated: LevelUnit,
    },
    /// A row of a plain table that is not sound: none of the file is taken.
    #[error("line {line}: {fault}")]
    Row {
        /// Where.
        line: u64,
        /// What is wrong.
        fault: RowFault,
    },
    /// Too many readings.
    #[error(
        "line {line}: more than {MAX_GAUGE_READINGS} readings; cut the file by years and import the parts"
    )]
    TooManyReadings {
        /// Where.
        line: u64,
    },
    /// Too many gauges.
    #[error("line {line}: more than {MAX_GAUGES} gauges in one file; import them one by one")]
    TooManyGauges {
        /// Where.
        line: u64,
    },
    /// Every row was left out.
    #[error("no readings in it: {count} rows were left out, most because {why}", why = reason.words())]
    NothingLeft {
        /// How many rows.
        count: u64,
        /// Why most of them.
        reason: Skip,
    },
}

/// What is wrong with a row of a plain table.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum RowFault {
    /// Longer than any row of levels.
    #[error("longer than {MAX_GAUGE_LINE_BYTES} bytes")]
    TooLong,
    /// More or fewer fields than columns.
    #[error("{fields} fields where the first line names {columns}")]
    Fields {
        /// How many fields.
        fields: usize,
        /// How many columns.
        columns: usize,
    },
    /// The level is not a number.
    #[error("the level is no number of metres")]
    Level,
    /// The level is a number no water has.
    #[error("the level should lie between -10000 and 10000 m")]
    Range,
    /// The time cannot be read.
    #[error(transparent)]
    Time(#[from] TimeParseError),
    /// The gauge's name is no text.
    #[error("the gauge's name is not readable text of at most 256 bytes")]
    Gauge,
}

impl GaugeError {
    /// The line it is about, from 1.
    pub fn line(&self) -> Option<u64> {
        match self {
            Self::NoColumns { line, .. }
            | Self::NoHeights { line }
            | Self::Daily { line, .. }
            | Self::SeveralColumns { line, .. }
            | Self::NoSuchColumn { line, .. }
            | Self::Predictions { line }
            | Self::OtherUnit { line, .. }
            | Self::Row { line, .. }
            | Self::TooManyReadings { line }
            | Self::TooManyGauges { line } => Some(*line),
            Self::TooLarge(_) | Self::Empty | Self::NoUnit | Self::NoZone | Self::NothingLeft { .. } => None,
        }
    }
}
