//! The open government RDB text: `#` remarks, a row of names, a row of formats, tab-separated rows.

use super::field::{Lines, header_name, is_comment, level_mm, time_in, too_long};
use super::file::Collector;
use super::levels::time_skip;
use super::{GaugeError, GaugeFile, GaugeFormat, GaugeNote, GaugeOptions, LevelUnit, Skip, Zone};
use leadline_model::UtcMillis;

/// Parameter of the height of the water above the gauge's zero, feet.
const HEIGHT: &str = "00065";
/// Most columns looked at.
const MAX_COLUMNS: usize = 256;
/// Columns named in an error.
const NAMED_COLUMNS: usize = 8;

struct Columns {
    site: usize,
    time: usize,
    zone: Option<usize>,
    height: usize,
    /// Qualifiers of the height.
    marks: Option<usize>,
}

/// Source: USGS Open-File Report 03-123 §6.4 (the format's description), and public samples.
pub(super) fn read(bytes: &[u8], options: &GaugeOptions) -> Result<GaugeFile, GaugeError> {
    let mut rows = Collector::default();
    let mut columns: Option<Columns> = None;
    let (mut lines, mut provisional, mut estimated) = (0, 0, 0);
    for (line, row) in Lines::new(bytes) {
        lines = line;
        if row.trim_ascii().is_empty() || is_comment(row) {
            continue;
        }
        if too_long(row) {
            rows.skip(line, Skip::BadRow);
            continue;
        }
        let fields: Vec<&[u8]> =
            row.split(|c| *c == b'\t').take(MAX_COLUMNS).map(<[u8]>::trim_ascii).collect();
        // Several sites in one file: each has its own row of names.
        if fields.contains(&b"site_no".as_slice()) {
            columns = Some(named(&fields, line, options)?);
        } else if let Some(c) = columns.as_ref()
            && !fields.iter().all(|f| is_format(f))
        {
            match one(&fields, c, options) {
                Ok(reading) => {
                    let site = fields.get(c.site).and_then(|f| str::from_utf8(f).ok());
                    rows.take(site, reading, line)?;
                    let marks = c.marks.and_then(|m| fields.get(m)).copied().unwrap_or_default();
                    provisional += u64::from(has_mark(marks, "P"));
                    estimated += u64::from(has_mark(marks, "e") || has_mark(marks, "~"));
                }
                Err(reason) => rows.skip(line, reason),
            }
        }
    }
    let notes = [
        (options.offset_mm == 0).then_some(GaugeNote::FromGaugeZero),
        (provisional > 0).then_some(GaugeNote::Provisional(provisional)),
        (estimated > 0).then_some(GaugeNote::Estimated(estimated)),
    ];
    rows.finish(GaugeFormat::Rdb, lines, notes.into_iter().flatten().collect())
}

fn named(fields: &[&[u8]], line: u64, options: &GaugeOptions) -> Result<Columns, GaugeError> {
    let names: Vec<String> = fields.iter().map(|f| header_name(f)).collect();
    let column = |wanted: &str| names.iter().position(|n| n == wanted);
    if let Some(stated) = options.unit.filter(|u| *u != LevelUnit::Feet) {
        return Err(GaugeError::OtherUnit { line, file: LevelUnit::Feet, stated });
    }
    let height = height_column(&names, line, options)?;
    let no_heights = GaugeError::NoHeights { line };
    let site = column("site_no").ok_or(no_heights.clone())?;
    let time = column("datetime").or_else(|| column("measurement_dt")).ok_or(no_heights)?;
    let zone = column("tz_cd");
    if zone.is_none() && options.zone.is_none() {
        return Err(GaugeError::NoZone);
    }
    let marks = names.get(height).and_then(|n| column(&format!("{n}_cd")));
    Ok(Columns { site, time, zone, height, marks })
}

/// Names look like `99_00065` (the number of the series varies); a second number, the statistic, marks daily values.
fn height_column(names: &[String], line: u64, options: &GaugeOptions) -> Result<usize, GaugeError> {
    let is_height = |n: &str| {
        n == HEIGHT || n == "gage_height_va" || n.strip_suffix(HEIGHT).is_some_and(|s| s.ends_with('_'))
    };
    let heights: Vec<usize> =
        names.iter().enumerate().filter(|(_, n)| is_height(n)).map(|(i, _)| i).collect();
    let listed = |of: &[usize]| -> String {
        let some: Vec<&str> =
            of.iter().take(NAMED_COLUMNS).filter_map(|i| names.get(*i)).map(String::as_str).collect();
        leadline_model::escaped(&some.join(", "))
    };
    if let Some(wanted) = &options.column {
        let wanted = header_name(wanted.as_bytes());
        return heights.iter().copied().find(|i| names.get(*i) == Some(&wanted)).ok_or_else(|| {
            GaugeError::NoSuchColumn {
                line,
                column: leadline_model::escaped(&wanted),
                columns: listed(&heights),
            }
        });
    }
    match heights.as_slice() {
        [one] => Ok(*one),
        [] => {
            let daily = names.iter().position(|n| n.contains("_00065_") && !n.ends_with("_cd"));
            Err(match daily {
                Some(i) => GaugeError::Daily { line, column: listed(&[i]) },
                None => GaugeError::NoHeights { line },
            })
        }
        several => Err(GaugeError::SeveralColumns { line, columns: listed(several) }),
    }
}

fn one(fields: &[&[u8]], c: &Columns, options: &GaugeOptions) -> Result<(UtcMillis, i32), Skip> {
    let field = |i: usize| fields.get(i).copied().ok_or(Skip::BadRow);
    let (height, time) = (field(c.height)?, field(c.time)?);
    let marks = c.marks.map(field).transpose()?.unwrap_or_default();
    for (mark, reason) in [("Ice", Skip::Ice), ("Eqp", Skip::Equipment)] {
        if has_mark(height, mark) || has_mark(marks, mark) {
            return Err(reason);
        }
    }
    if matches!(height.strip_prefix(b"-999999"), Some([] | [b'.', ..])) {
        return Err(Skip::NoValue);
    }
    let mm = level_mm(height, LevelUnit::Feet, options).map_err(Skip::from)?;
    let zone = match c.zone.map(field).transpose()?.unwrap_or_default() {
        [] => options.zone,
        code => Some(str::from_utf8(code).ok().and_then(Zone::from_code).ok_or(Skip::UnknownZone)?),
    };
    let text = str::from_utf8(time).map_err(|_| Skip::BadTime)?;
    let time = time_in(text, zone).map_err(|e| match e {
        leadline_model::TimeParseError::NoZone => Skip::UnknownZone,
        _ => time_skip(e, text),
    })?;
    Ok((time, mm))
}

/// Whether `mark` is one of the codes of a field such as `P`, `A:e`, `P Ice`.
fn has_mark(field: &[u8], mark: &str) -> bool {
    field.split(|c| matches!(c, b' ' | b':' | b',' | b';' | b'[' | b']')).any(|code| {
        if mark.len() > 1 { code.eq_ignore_ascii_case(mark.as_bytes()) } else { code == mark.as_bytes() }
    })
}

/// `5s`, `20d`, `14n`: width and kind of a column.
fn is_format(field: &[u8]) -> bool {
    match field {
        [width @ .., b's' | b'd' | b'n' | b'S' | b'D' | b'N'] => {
            !width.is_empty() && width.iter().all(u8::is_ascii_digit)
        }
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::super::read;
    use super::*;

    const HEAD: &str =
        "# remark\nagency_cd\tsite_no\tdatetime\ttz_cd\t99_00065\t99_00065_cd\n5s\t15s\t20d\t6s\t14n\t10s\n";

    fn of(text: &str) -> Result<GaugeFile, GaugeError> {
        read(text.as_bytes(), &GaugeOptions::default())
    }

    fn at(text: &str) -> UtcMillis {
        text.parse().expect(text)
    }

    #[test]
    fn standard_and_summer_time_and_ice() {
        // Source: OFR 03-123 §6.4, worked by hand: 1988-01-01 00:00 PST = 08:00 UTC; 1988-07-01 12:00 PDT = 19:00 UTC; `Ice` left out.
        let text = "agency_cd\tsite_no\tdatetime\ttz_cd\t99_00060\t99_00060_cd\t99_00065\t99_00065_cd\n\
                    5s\t15s\t20d\t6s\t14n\t10s\t14n\t10s\n\
                    USGS\t14159000\t1988-01-01 00:00\tPST\t1330\tA\t3.10\tA\n\
                    USGS\t14159000\t1988-01-01 00:30\tPST\t1330\tA\tIce\tA\n\
                    USGS\t14159000\t1988-07-01 12:00\tPDT\t900\tA\t2.50\tA\n";
        let file = of(text).expect("sound");
        assert_eq!(file.series.len(), 1);
        assert_eq!(file.series[0].gauge.as_ref().map(|g| g.as_str()), Some("14159000"));
        // 3.10 ft = 0.94488 m, 2.50 ft = 0.762 m.
        let want = [(at("1988-01-01T08:00Z"), 945), (at("1988-07-01T19:00Z"), 762)];
        assert_eq!(file.series[0].readings, want);
        assert_eq!(file.skipped.into_iter().collect::<Vec<_>>(), [(Skip::Ice, 1)]);
        assert_eq!((file.examples[0].line, file.lines), (4, 5));
        assert_eq!(file.notes, [GaugeNote::FromGaugeZero]);
    }

    #[test]
    fn every_row_left_out_has_its_reason() {
        let row = |time: &str, zone: &str, height: &str, marks: &str| {
            format!("USGS\t01234500\t{time}\t{zone}\t{height}\t{marks}\n")
        };
        let good = row("2013-06-06 00:00", "EDT", "1.0", "P");
        let bad = [
            (row("2013-06-06 00:15", "EDT", "", ""), Skip::Blank),
            (row("2013-06-06 00:15", "EDT", "-999999", "P"), Skip::NoValue),
            (row("2013-06-06 00:15", "EDT", "-999999.00", "P"), Skip::NoValue),
            (row("2013-06-06 00:15", "EDT", "2.0", "P:Ice"), Skip::Ice),
            (row("2013-06-06 00:15", "EDT", "Eqp", "P"), Skip::Equipment),
            (row("2013-06-06 00:15", "EDT", "***", "P"), Skip::Word),
            (row("2013-06-06 00:15", "EDT", "1e9", "P"), Skip::Range),
            (row("2013-06-06", "EDT", "2.0", "P"), Skip::NoTime),
            (row("6/6/2013 0:15", "EDT", "2.0", "P"), Skip::BadTime),
            (row("2013-06-06 00:15", "XYZ", "2.0", "P"), Skip::UnknownZone),
            (row("2013-06-06 00:15", "", "2.0", "P"), Skip::UnknownZone),
            ("USGS\t01234500\t2013-06-06 00:15\n".to_owned(), Skip::BadRow),
            (format!("USGS\t{}\n", "x".repeat(5_000)), Skip::BadRow),
        ];
        for (bad, reason) in bad {
            let file = of(&format!("{HEAD}{good}{bad}")).expect("one good row");
            assert_eq!(file.skipped.into_iter().collect::<Vec<_>>(), [(reason, 1)], "{bad}");
            assert_eq!((file.examples[0].line, file.series[0].readings.len()), (5, 1));
        }
    }

    #[test]
    fn marks_are_counted_and_many_rows_bounded_in_examples() {
        let rows: String =
            (0..10).map(|m| format!("USGS\t1\t2013-06-06 00:{m:02}\tUTC\t1.0\tP:e\n")).collect();
        let ice: String = (0..10).map(|m| format!("USGS\t1\t2013-06-06 01:{m:02}\tUTC\tIce\tP\n")).collect();
        let file = of(&format!("{HEAD}{rows}{ice}")).expect("sound");
        assert_eq!(
            file.notes,
            [GaugeNote::FromGaugeZero, GaugeNote::Provisional(10), GaugeNote::Estimated(10)]
        );
        assert_eq!((file.skipped[&Skip::Ice], file.examples.len()), (10, 3));
    }

    #[test]
    fn two_sites_have_their_own_columns() {
        let second = "# next site\nagency_cd\tsite_no\tdatetime\ttz_cd\t7_00010\t7_00010_cd\t8_00065\t8_00065_cd\n\
                      5s\t15s\t20d\t6s\t14n\t10s\t14n\t10s\nUSGS\t2\t2013-06-06 00:00\tUTC\t21.5\tP\t2.0\tP\n";
        let file = of(&format!("{HEAD}USGS\t1\t2013-06-06 00:00\tUTC\t1.0\tP\n{second}")).expect("sound");
        let levels: Vec<_> = file.series.iter().map(|s| s.readings[0].1).collect();
        assert_eq!(levels, [305, 610]);
    }

    #[test]
    fn what_cannot_be_used_is_refused_with_the_next_step() {
        let daily = "agency_cd\tsite_no\tdatetime\t68479_00065_00003\t68479_00065_00003_cd\n5s\t15s\t20d\t14n\t10s\n\
                     USGS\t1\t2013-06-06\t1.0\tA\n";
        let error = of(daily).expect_err("daily");
        assert!(
            error.to_string().contains("68479_00065_00003") && error.to_string().contains("instantaneous")
        );
        let flow = "agency_cd\tsite_no\tdatetime\ttz_cd\t1_00060\t1_00060_cd\n";
        assert_eq!(of(flow), Err(GaugeError::NoHeights { line: 1 }));
        let two = "agency_cd\tsite_no\tdatetime\ttz_cd\t1_00065\t1_00065_cd\t2_00065\t2_00065_cd\n\
                   USGS\t1\t2013-06-06 00:00\tUTC\t1.0\tP\t2.0\tP\n";
        assert!(of(two).expect_err("two").to_string().contains("1_00065, 2_00065"));
        let named = |column: &str| {
            read(two.as_bytes(), &GaugeOptions { column: Some(column.to_owned()), ..GaugeOptions::default() })
        };
        assert_eq!(named("2_00065").expect("the second").series[0].readings[0].1, 610);
        assert!(matches!(named("3_00065"), Err(GaugeError::NoSuchColumn { .. })));
        let metres = GaugeOptions { unit: Some(LevelUnit::Metres), ..GaugeOptions::default() };
        assert!(matches!(read(HEAD.as_bytes(), &metres), Err(GaugeError::OtherUnit { line: 2, .. })));
        let no_zone = "agency_cd\tsite_no\tdatetime\t1_00065\nUSGS\t1\t2013-06-06 00:00\t1.0\n";
        assert_eq!(of(no_zone), Err(GaugeError::NoZone));
        let est = GaugeOptions { zone: Zone::from_code("EST"), ..GaugeOptions::default() };
        let file = read(no_zone.as_bytes(), &est).expect("stated");
        assert_eq!(file.series[0].readings[0].0, at("2013-06-06T05:00Z"));
    }
}
