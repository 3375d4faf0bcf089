//! What can be wrong with a line, in words a person can act on.

use std::fmt;

/// Why a line did not do all it could. Each line of a log has at most one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[non_exhaustive]
pub enum Problem {
    /// The line's checksum does not match its text.
    BadChecksum,
    /// Used, but without a checksum that would show a transmission fault.
    NoChecksum,
    /// The line starts or ends in the middle of a sentence.
    TornLine,
    /// Over [`crate::MAX_LINE_BYTES`].
    TooLongLine,
    /// Not text.
    NotText,
    /// The file is of a kind this crate does not read.
    NotALog,
    /// A sentence type that is in no list.
    UnknownSentence,
    /// A field that is needed cannot be read.
    MalformedField,
    /// The sounder gave no depth.
    NoDepth,
    /// A depth of zero or less: the sounder had lost the bottom.
    ZeroDepth,
    /// A depth no water has.
    DepthOutOfRange,
    /// No fix close enough in time.
    NoPosition,
    /// A latitude or longitude that does not exist or lies off the survey grid.
    PositionOutOfRange,
    /// Neither the log nor the importer says which day it was.
    NoDate,
    /// A date that cannot be true.
    BadDate,
    /// A time without zone.
    NoZone,
    /// The log's clock went back.
    ClockBack,
    /// The receiver itself said its position is not valid.
    ReceiverVoid,
    /// The same reading again.
    Duplicate,
    /// A row that does not fit the table's columns.
    BadRow,
    /// Latitude and longitude are exchanged.
    SwappedColumns,
    /// The columns of the table are not known.
    UnknownColumns,
}

impl Problem {
    /// All kinds, in the order of their numbers.
    pub const ALL: [Self; 22] = [
        Self::BadChecksum,
        Self::NoChecksum,
        Self::TornLine,
        Self::TooLongLine,
        Self::NotText,
        Self::NotALog,
        Self::UnknownSentence,
        Self::MalformedField,
        Self::NoDepth,
        Self::ZeroDepth,
        Self::DepthOutOfRange,
        Self::NoPosition,
        Self::PositionOutOfRange,
        Self::NoDate,
        Self::BadDate,
        Self::NoZone,
        Self::ClockBack,
        Self::ReceiverVoid,
        Self::Duplicate,
        Self::BadRow,
        Self::SwappedColumns,
        Self::UnknownColumns,
    ];

    /// A short name for files and programs.
    pub fn code(self) -> &'static str {
        match self {
            Self::BadChecksum => "bad-checksum",
            Self::NoChecksum => "no-checksum",
            Self::TornLine => "torn-line",
            Self::TooLongLine => "too-long-line",
            Self::NotText => "not-text",
            Self::NotALog => "not-a-log",
            Self::UnknownSentence => "unknown-sentence",
            Self::MalformedField => "malformed-field",
            Self::NoDepth => "no-depth",
            Self::ZeroDepth => "zero-depth",
            Self::DepthOutOfRange => "depth-out-of-range",
            Self::NoPosition => "no-position",
            Self::PositionOutOfRange => "position-out-of-range",
            Self::NoDate => "no-date",
            Self::BadDate => "bad-date",
            Self::NoZone => "no-zone",
            Self::ClockBack => "clock-back",
            Self::ReceiverVoid => "receiver-void",
            Self::Duplicate => "duplicate",
            Self::BadRow => "bad-row",
            Self::SwappedColumns => "swapped-columns",
            Self::UnknownColumns => "unknown-columns",
        }
    }

    /// The kind with this [`code`](Self::code).
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|p| p.code() == code)
    }

    /// What happened and what to do, for people.
    pub fn words(self) -> &'static str {
        match self {
            Self::BadChecksum => {
                "damaged in transmission (checksum does not match); left out. Many of them: check the wiring and the baud rate"
            }
            Self::NoChecksum => "used, but a checksum is missing, so a fault in transmission would go unseen",
            Self::TornLine => "torn: its beginning or end is missing; left out",
            Self::TooLongLine => "longer than 1,024 bytes; left out",
            Self::NotText => "not text; left out",
            Self::NotALog => {
                "this kind of file is not read. Give a log of NMEA 0183, NMEA 2000 or Signal K, a GPX or GeoJSON file, or a CSV or XYZ table with the columns lon, lat and depth"
            }
            Self::UnknownSentence => "a sentence of no known type; left out",
            Self::MalformedField => "a field that is needed cannot be read; left out",
            Self::NoDepth => "the sounder gave no depth",
            Self::ZeroDepth => "a depth of zero: the sounder had lost the bottom",
            Self::DepthOutOfRange => "a depth that no water has; left out. Check the column's unit",
            Self::NoPosition => {
                "a depth without a position: no fix within ten seconds, or the boat would have moved too fast between fixes"
            }
            Self::PositionOutOfRange => {
                "a position that does not exist or lies beyond 85° north or south; left out"
            }
            Self::NoDate => "nothing says on which day this was measured. Import it with a date",
            Self::BadDate => {
                "a date that cannot be true (a receiver whose week counter rolled over); its day is not used. Import with a date"
            }
            Self::NoZone => {
                "a time without zone. Write Z or an offset behind it, or name the column time_utc"
            }
            Self::ClockBack => {
                "the clock went back here; the readings are kept, none is interpolated across it"
            }
            Self::ReceiverVoid => "the receiver marked its position as not valid; kept, but never charted",
            Self::Duplicate => "the same reading once more, in another sentence or line",
            Self::BadRow => "a row that does not fit the table's columns; left out",
            Self::SwappedColumns => {
                "latitude and longitude are exchanged; nothing was guessed. Exchange the names in the first line and import again"
            }
            Self::UnknownColumns => {
                "the columns are not known. Write a first line that names them, such as lon,lat,depth,time, with positions in degrees"
            }
        }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.code())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_and_codes_are_unique() {
        for (i, p) in Problem::ALL.into_iter().enumerate() {
            assert_eq!(p as usize, i);
            assert_eq!(Problem::from_code(p.code()), Some(p));
            assert!(!p.words().is_empty());
        }
        assert_eq!(Problem::from_code("fine"), None);
    }
}
