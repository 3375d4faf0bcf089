//! A table with the columns time and level, and perhaps gauge.

use super::field::{Head, LevelFault, Lines, fields_of, is_comment, level_mm, time_in, too_long};
use super::file::Collector;
use super::{GaugeError, GaugeFile, GaugeFormat, GaugeOptions, LevelUnit, RowFault};
use leadline_model::UtcMillis;

/// Names of the column of times.
pub(super) const TIMES: [&str; 3] = ["time", "at", "utc"];
const METRES: [&str; 3] = ["level_m", "level", "stage_m"];
const FEET: [&str; 2] = ["level_ft", "stage_ft"];

struct Columns {
    count: usize,
    time: usize,
    level: usize,
    gauge: Option<usize>,
    unit: LevelUnit,
}

/// Every row must be sound, so that no half of a record is taken for the whole.
pub(super) fn read(bytes: &[u8], head: &Head, options: &GaugeOptions) -> Result<GaugeFile, GaugeError> {
    let columns = columns(head, options)?;
    let mut rows = Collector::default();
    let mut lines = 0;
    for (line, row) in Lines::new(bytes) {
        lines = line;
        if line <= head.line || row.trim_ascii().is_empty() || is_comment(row) {
            continue;
        }
        let (gauge, reading) =
            one(row, &columns, options).map_err(|fault| GaugeError::Row { line, fault })?;
        rows.take(gauge, reading, line)?;
    }
    rows.finish(GaugeFormat::Plain, lines, Vec::new())
}

fn columns(head: &Head, options: &GaugeOptions) -> Result<Columns, GaugeError> {
    let line = head.line;
    let missing = || GaugeError::NoColumns { line, start: super::start_of(head.header.join(",").as_bytes()) };
    let time = head.column(&TIMES).ok_or_else(missing)?;
    let (level, own) = match (head.column(&METRES), head.column(&FEET)) {
        (Some(level), None) => (level, LevelUnit::Metres),
        (None, Some(level)) => (level, LevelUnit::Feet),
        _ => return Err(missing()),
    };
    let named = head.header.get(level).is_some_and(|name| name != "level");
    let unit = match options.unit {
        Some(stated) if named && stated != own => {
            return Err(GaugeError::OtherUnit { line, file: own, stated });
        }
        stated => stated.unwrap_or(own),
    };
    Ok(Columns { count: head.header.len(), time, level, gauge: head.column(&["gauge"]), unit })
}

type Reading<'a> = (Option<&'a str>, (UtcMillis, i32));

fn one<'a>(row: &'a [u8], columns: &Columns, options: &GaugeOptions) -> Result<Reading<'a>, RowFault> {
    if too_long(row) {
        return Err(RowFault::TooLong);
    }
    let fields = fields_of(row);
    if fields.len() != columns.count {
        return Err(RowFault::Fields { fields: fields.len(), columns: columns.count });
    }
    let field = |i: usize| fields.get(i).copied().unwrap_or_default();
    let level = level_mm(field(columns.level), columns.unit, options).map_err(|fault| match fault {
        LevelFault::Range => RowFault::Range,
        LevelFault::Blank | LevelFault::NoNumber => RowFault::Level,
    })?;
    let text = str::from_utf8(field(columns.time)).map_err(|_| leadline_model::TimeParseError::Shape)?;
    let time = time_in(text, options.zone)?;
    let gauge = columns.gauge.map(|i| str::from_utf8(field(i))).transpose().map_err(|_| RowFault::Gauge)?;
    Ok((gauge, (time, level)))
}

#[cfg(test)]
mod tests {
    use super::super::{Zone, read};
    use super::*;

    fn of(text: &str) -> Result<GaugeFile, GaugeError> {
        read(text.as_bytes(), &GaugeOptions::default())
    }

    fn refused(text: &str) -> String {
        of(text).expect_err("refused").to_string()
    }

    #[test]
    fn times_levels_and_gauges() {
        let text = "\u{feff}# remark\nTime, Level_M ,gauge\r\n2026-05-01T10:00:00Z,4.20,mill\r\n\r\n\
                    2026-05-01T14:00:00+02:00,-0.5,\"lock, upper\"\n2026-05-01T11:00:00Z,4.3,mill\n";
        let file = of(text).expect("sound");
        assert_eq!((file.format, file.lines, file.readings()), (GaugeFormat::Plain, 6, 3));
        let names: Vec<_> = file.series.iter().map(|s| s.gauge.as_ref().map(ToString::to_string)).collect();
        assert_eq!(names, [Some("mill".to_owned()), Some("lock, upper".to_owned())]);
        let noon = "2026-05-01T12:00:00Z".parse().expect("a time");
        assert_eq!(file.series[1].readings, [(noon, -500)]);
        let file = of("at;stage_ft\n2026-05-01T10:00:00Z;10\n").expect("sound");
        assert_eq!((file.series[0].readings[0].1, file.series[0].gauge.as_ref()), (3_048, None));
    }

    #[test]
    fn one_bad_row_refuses_the_file_and_names_the_line() {
        let head = "time,level_m\n2026-05-01T10:00:00Z,4.20\n\n";
        assert_eq!(
            refused(&format!("{head}2026-05-01T11:00:00Z,high\n")),
            "line 4: the level is no number of metres"
        );
        assert_eq!(
            refused(&format!("{head}2026-05-01T11:00:00,4.3\n")),
            "line 4: the time needs Z or an offset like +02:00 at its end"
        );
        assert_eq!(
            refused(&format!("{head}2026-05-01T11:00:00Z,4.3,x\n")),
            "line 4: 3 fields where the first line names 2"
        );
        assert!(refused(&format!("{head}2026-05-01T11:00:00Z,10001\n")).contains("between -10000 and 10000"));
        assert!(refused(&format!("{head}{},1\n", "9".repeat(5_000))).starts_with("line 4: longer"));
        assert_eq!(refused("time,level_m\n"), "no readings in it");
        assert!(refused("when,depth\n1,2\n").contains("must name the columns time and level_m"));
        assert!(refused("time,depth\n1,2\n").contains("must name the columns time and level_m"));
        let blank = refused("time,level_m,gauge\n2026-05-01T10:00:00Z,1,\n");
        assert_eq!(blank, "line 2: the gauge's name is not readable text of at most 256 bytes");
    }

    #[test]
    fn options_say_what_the_file_does_not() {
        let text = b"time,level\n2026-05-01 10:00,1\n";
        let options = GaugeOptions {
            unit: Some(LevelUnit::Feet),
            zone: Zone::from_code("EST"),
            offset_mm: 1_000,
            column: None,
        };
        let file = read(text, &options).expect("sound");
        let at = "2026-05-01T15:00:00Z".parse().expect("a time");
        assert_eq!(file.series[0].readings, [(at, 1_305)]);
        let error = read(b"time,level_m\n2026-05-01 10:00,1\n", &options).expect_err("metres by name");
        assert!(matches!(error, GaugeError::OtherUnit { line: 1, .. }), "{error}");
    }

    #[test]
    fn gauges_and_readings_are_bounded() {
        let row = |g: usize| format!("2026-05-01T10:00:00Z,1,g{g}\n");
        let many = |n: usize| "time,level_m,gauge\n".to_owned() + &(0..n).map(row).collect::<String>();
        assert_eq!(of(&many(super::super::MAX_GAUGES)).map(|f| f.series.len()), Ok(super::super::MAX_GAUGES));
        assert_eq!(of(&many(super::super::MAX_GAUGES + 1)), Err(GaugeError::TooManyGauges { line: 66 }));
    }
}
