//! The water-level CSV of tide and lake gauges: `Date Time, Water Level, Sigma, …, Quality`.

use super::field::{Head, Lines, fields_of, is_comment, level_mm, time_in, too_long};
use super::file::Collector;
use super::{GaugeError, GaugeFile, GaugeFormat, GaugeNote, GaugeOptions, LevelUnit, Skip, Zone};
use leadline_model::{TimeParseError, UtcMillis};

/// Source: samples of the format; its unit, datum and zone are chosen when it is fetched and are not in it.
pub(super) fn read(bytes: &[u8], head: &Head, options: &GaugeOptions) -> Result<GaugeFile, GaugeError> {
    let line = head.line;
    let Some(level) = head.column(&["water level"]) else {
        return Err(match head.column(&["prediction"]) {
            Some(_) => GaugeError::Predictions { line },
            None => GaugeError::NoColumns { line, start: head.header.join(",").chars().take(60).collect() },
        });
    };
    let unit = options.unit.ok_or(GaugeError::NoUnit)?;
    let zone = options.zone.ok_or(GaugeError::NoZone)?;
    let quality = head.column(&["quality"]);
    let mut rows = Collector::default();
    let (mut lines, mut provisional) = (0, 0);
    for (line, row) in Lines::new(bytes) {
        lines = line;
        if line <= head.line || row.trim_ascii().is_empty() || is_comment(row) {
            continue;
        }
        let fields = if too_long(row) { Vec::new() } else { fields_of(row) };
        match one(&fields, level, unit, zone, options) {
            Ok(reading) => {
                rows.take(None, reading, line)?;
                let mark = quality.and_then(|q| fields.get(q));
                provisional += u64::from(mark.is_some_and(|q| q.eq_ignore_ascii_case(b"p")));
            }
            Err(reason) => rows.skip(line, reason),
        }
    }
    let mut notes = Vec::new();
    if options.offset_mm == 0 {
        notes.push(GaugeNote::DatumNotStated);
    }
    if provisional > 0 {
        notes.push(GaugeNote::Provisional(provisional));
    }
    rows.finish(GaugeFormat::WaterLevels, lines, notes)
}

fn one(
    fields: &[&[u8]],
    level: usize,
    unit: LevelUnit,
    zone: Zone,
    options: &GaugeOptions,
) -> Result<(UtcMillis, i32), Skip> {
    let (Some(time), Some(level)) = (fields.first(), fields.get(level)) else {
        return Err(Skip::BadRow);
    };
    let time = str::from_utf8(time).map_err(|_| Skip::BadTime)?;
    let time = time_in(time, Some(zone)).map_err(|e| time_skip(e, time))?;
    let mm = level_mm(level, unit, options).map_err(Skip::from)?;
    Ok((time, mm))
}

/// A date alone is told apart from a time that cannot be read.
pub(super) fn time_skip(error: TimeParseError, text: &str) -> Skip {
    match error {
        TimeParseError::Shape if format!("{}T00:00Z", text.trim()).parse::<UtcMillis>().is_ok() => {
            Skip::NoTime
        }
        _ => Skip::BadTime,
    }
}

#[cfg(test)]
mod tests {
    use super::super::read;
    use super::*;

    // Source: rows as public samples of the water-level CSV have them (a hole included).
    const SAMPLE: &str = "Date Time, Water Level, Sigma, O or I (for verified), F, R, L, Quality \n\
                          2024-05-06 12:00,1.765,0.06,0,0,0,0,v\n2026-09-29 14:06,,,,,,,\n\
                          2026-09-29 14:12,1.801,0.05,0,0,0,0,p\n";

    fn stated() -> GaugeOptions {
        GaugeOptions { unit: Some(LevelUnit::Metres), zone: Some(Zone::UTC), ..GaugeOptions::default() }
    }

    #[test]
    fn rows_and_a_hole() {
        let file = read(SAMPLE.as_bytes(), &stated()).expect("sound");
        let at = |t: &str| t.parse::<UtcMillis>().expect(t);
        let want = [(at("2024-05-06T12:00Z"), 1_765), (at("2026-09-29T14:12Z"), 1_801)];
        assert_eq!(file.series[0].readings, want);
        assert_eq!(file.skipped.into_iter().collect::<Vec<_>>(), [(Skip::Blank, 1)]);
        assert_eq!(file.examples[0].line, 3);
        assert_eq!(file.notes, [GaugeNote::DatumNotStated, GaugeNote::Provisional(1)]);
        // Lake levels above a local plane: 183.2 m is the low-water datum of Lake Superior (IGLD 1985, waterlevels.gc.ca).
        let text = "Date Time, Water Level, Sigma, I, L \n2024-05-06 07:00,183.45,0.01,0,0\n";
        let options = GaugeOptions { offset_mm: -183_200, zone: Zone::from_code("EST"), ..stated() };
        let file = read(text.as_bytes(), &options).expect("hourly");
        assert_eq!(file.series[0].readings, [(at("2024-05-06T12:00Z"), 250)]);
        assert_eq!(file.notes, []);
    }

    #[test]
    fn what_the_file_does_not_say_must_be_stated() {
        let without = |unit: bool, zone: bool| {
            let options = GaugeOptions {
                unit: stated().unit.filter(|_| unit),
                zone: stated().zone.filter(|_| zone),
                ..GaugeOptions::default()
            };
            read(SAMPLE.as_bytes(), &options).expect_err("not stated")
        };
        assert_eq!(without(false, true), GaugeError::NoUnit);
        assert_eq!(without(true, false), GaugeError::NoZone);
        let tides = "Date Time, Prediction\n2024-05-06 12:00,1.7\n";
        assert_eq!(read(tides.as_bytes(), &stated()), Err(GaugeError::Predictions { line: 1 }));
    }

    #[test]
    fn holes_alone_are_no_record() {
        let text =
            "Date Time, Water Level, Quality\n2024-05-06 12:00,,\n2024-05-06,1.0,v\nx\n2024-05-06 12:12,,\n";
        let error = read(text.as_bytes(), &stated()).expect_err("nothing left");
        assert_eq!(error, GaugeError::NothingLeft { count: 4, reason: Skip::Blank });
        assert!(error.to_string().ends_with("the level is blank"));
    }
}
