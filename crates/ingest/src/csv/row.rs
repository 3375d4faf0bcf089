//! Rows to soundings.

use super::split::{MAX_FIELDS, split};
use super::table::{NINETY, Table};
use crate::account::{Account, Label, excerpt};
use crate::decimal::decimal_or_scientific;
use crate::legs::{LegBuilder, Stream, label_of};
use crate::{Options, Problem};
use leadline_model::{FixClass, Flags, GridPos, LonLat, Sounding, TimeParseError, UtcMillis};

/// Ten-minute windows kept open, so that a table that is not in time order gives few legs.
const OPEN_WINDOWS: usize = 512;
/// No drying height is greater, no depth deeper, mm.
const DEPTHS_MM: std::ops::Range<i64> = -30_000..11_100_000;

/// Reads the rows of a table.
pub(crate) struct CsvLog {
    table: Table,
    assumed: Option<UtcMillis>,
    header_due: bool,
    rows: i64,
    pub(crate) account: Account,
    pub(crate) legs: LegBuilder,
}

impl CsvLog {
    /// `instrument` names what was read.
    pub(crate) fn new(table: Table, options: &Options, instrument: fn(Stream) -> String) -> Self {
        let account = Account::with_reading(table.words());
        Self {
            header_due: table.header,
            table,
            assumed: options.assumed_date,
            rows: 0,
            account,
            legs: LegBuilder::new(OPEN_WINDOWS, instrument),
        }
    }

    /// Takes line `number`, neither blank nor a remark.
    pub(crate) fn row(&mut self, number: u64, line: &[u8]) {
        if std::mem::take(&mut self.header_due) {
            return self.account.label(Label::Used, number, String::new);
        }
        self.rows += 1;
        match self.sounding(line) {
            Ok(sounding) => {
                self.account.label(label_of(&sounding), number, String::new);
                self.legs.add(sounding, 0, &mut self.account);
            }
            Err((problem, window)) => {
                if let Some(time) = window {
                    self.legs.count(time.leg_window(), problem);
                }
                self.account.label(Label::Problem(problem), number, || excerpt(line));
            }
        }
    }

    fn sounding(&self, line: &[u8]) -> Result<Sounding, (Problem, Option<UtcMillis>)> {
        let t = &self.table;
        if t.swapped {
            return Err((Problem::SwappedColumns, None));
        }
        let mut fields = [&[][..]; MAX_FIELDS];
        let n = split(line, t.delimiter, &mut fields);
        if n <= t.lon.max(t.lat).max(t.depth) {
            return Err((Problem::BadRow, None));
        }
        let (time, flags) = self.time(&fields).map_err(|p| (p, None))?;
        let placed = |p: Problem| (p, Some(time));
        let number = |i: usize, scale: usize| decimal_or_scientific(fields[i], scale, t.mark).ok().flatten();
        let (lon, lat) = (angle(fields[t.lon], t.mark, b'E', b'W'), angle(fields[t.lat], t.mark, b'N', b'S'));
        let (lon, lat) = (lon.map_err(placed)?, lat.map_err(placed)?);
        let (Some(lon), Some(lat)) = (lon, lat) else { return Err(placed(Problem::NoPosition)) };
        if lat.abs() > NINETY && lon.abs() <= NINETY && lat.abs() <= 2 * NINETY {
            return Err(placed(Problem::SwappedColumns));
        }
        let degrees = |v: i64| v as f64 / 1e9;
        let at = GridPos::from_lonlat(LonLat { lon: degrees(lon), lat: degrees(lat) });
        let at = at.ok_or(placed(Problem::PositionOutOfRange))?;
        Ok(Sounding {
            time,
            at,
            depth_mm: self.depth(fields[t.depth]).map_err(placed)?,
            from: t.from,
            offset_mm: None,
            speed_mm_s: t.speed.and_then(|(i, factor)| speed(number(i, 3)?, factor)),
            hdop_centi: t
                .hdop
                .and_then(|i| u16::try_from(number(i, 2)?).ok())
                .filter(|h| (1..9900).contains(h)),
            fix: FixClass::Unstated,
            sats: t.sats.and_then(|i| u8::try_from(number(i, 0)?).ok()),
            temp_centi: t.temperature.and_then(|(i, fahrenheit)| temperature(number(i, 2)?, fahrenheit)),
            flags,
        })
    }

    fn depth(&self, field: &[u8]) -> Result<i32, Problem> {
        let t = &self.table;
        let value = decimal_or_scientific(field, 4, t.mark).map_err(|_| Problem::BadRow)?;
        let value = value.ok_or(Problem::NoDepth)?;
        // 1e-4 units times tenths of a millimetre a unit, rounded half away from zero.
        let scaled = i128::from(value) * i128::from(t.tenths_mm);
        let mm = (scaled.abs() + 50_000) / 100_000 * scaled.signum();
        let mm = i64::try_from(mm).map_err(|_| Problem::DepthOutOfRange)?;
        let down = if t.up { -mm } else { mm };
        if DEPTHS_MM.contains(&down) { Ok(down as i32) } else { Err(Problem::DepthOutOfRange) }
    }

    fn time(&self, fields: &[&[u8]; MAX_FIELDS]) -> Result<(UtcMillis, Flags), Problem> {
        let text = |i: usize| str::from_utf8(fields[i]).map_err(|_| Problem::BadRow);
        let stated = match (self.table.date, self.table.time) {
            (Some((d, date_utc)), Some((t, time_utc))) => {
                let utc = date_utc || time_utc;
                joined(text(d)?, text(t)?, utc)
            }
            (None, Some((t, utc))) => moment(text(t)?, utc),
            _ => Err(Problem::NoDate),
        };
        match (stated, self.assumed) {
            (Ok(time), _) => Ok((time, Flags::default())),
            (Err(Problem::NoDate), Some(start)) => {
                let time = start.0.saturating_add(1000 * (self.rows - 1));
                Ok((UtcMillis(time), Flags::ASSUMED_TIME))
            }
            (Err(problem), _) => Err(problem),
        }
    }
}

/// Date and time in one field: RFC 3339, or seconds or milliseconds since 1970. Without a zone only if the
/// column's name says that it is UTC.
pub(crate) fn moment(text: &str, utc: bool) -> Result<UtcMillis, Problem> {
    let text = text.trim();
    if text.is_empty() {
        return Err(Problem::NoDate);
    }
    if text.bytes().all(|c| c.is_ascii_digit() || c == b'.') && (9..=17).contains(&text.len()) {
        let whole = text.bytes().take_while(u8::is_ascii_digit).count();
        let scale = if whole >= 12 { 0 } else { 3 };
        let ms = decimal_or_scientific(text.as_bytes(), scale, b'.').ok().flatten();
        return ms.and_then(plausible).ok_or(Problem::BadRow);
    }
    match text.parse::<UtcMillis>() {
        Ok(t) => plausible(t.0).ok_or(Problem::BadDate),
        Err(TimeParseError::NoZone) if utc => {
            let t: Result<UtcMillis, _> = format!("{text}Z").parse();
            t.ok().and_then(|t| plausible(t.0)).ok_or(Problem::BadDate)
        }
        Err(TimeParseError::NoZone) => Err(Problem::NoZone),
        Err(_) if is_time_of_day(text) => Err(Problem::NoDate),
        Err(TimeParseError::Range) => Err(Problem::BadDate),
        Err(_) => Err(Problem::BadRow),
    }
}

/// A date field (`2026-05-01`, `2026/05/01`, `20260501`) and a time field (`14:03:05.5`, `140305.5`).
fn joined(date: &str, time: &str, utc: bool) -> Result<UtcMillis, Problem> {
    let (date, time) = (date.trim(), time.trim());
    if date.is_empty() || time.is_empty() {
        return Err(Problem::NoDate);
    }
    let date = match date.as_bytes() {
        &[a, b, c, d, e, f, g, h] => [a, b, c, d, b'-', e, f, b'-', g, h].map(char::from).iter().collect(),
        _ => date.replace('/', "-"),
    };
    let compact = time.bytes().take(6).filter(u8::is_ascii_digit).count() == 6;
    let time = match (time.get(..2), time.get(2..4), time.get(4..)) {
        (Some(h), Some(m), Some(s)) if compact => format!("{h}:{m}:{s}"),
        _ => time.to_owned(),
    };
    moment(&format!("{date}T{time}"), utc)
}

/// 2000-01-01 to 2100-01-01.
fn plausible(ms: i64) -> Option<UtcMillis> {
    (946_684_800_000..4_102_444_800_000).contains(&ms).then_some(UtcMillis(ms))
}

fn is_time_of_day(text: &str) -> bool {
    text.len() >= 4 && text.contains(':') && text.bytes().all(|c| c.is_ascii_digit() || b":.Zz".contains(&c))
}

/// Decimal degrees to 1e-9 degrees; a sign or a letter behind says the half.
fn angle(field: &[u8], mark: u8, plus: u8, minus: u8) -> Result<Option<i64>, Problem> {
    let (digits, sign) = match field {
        [digits @ .., c] if c.eq_ignore_ascii_case(&plus) => (digits, 1),
        [digits @ .., c] if c.eq_ignore_ascii_case(&minus) => (digits, -1),
        _ => (field, 1),
    };
    let value = decimal_or_scientific(digits, 9, mark).map_err(|_| Problem::BadRow)?;
    Ok(value.map(|v| v * sign))
}

/// Thousandths of a unit to mm/s.
fn speed(milli: i64, factor: i64) -> Option<u32> {
    let scaled = i128::from(u32::try_from(milli).ok()?) * i128::from(factor);
    u32::try_from((scaled + 1_800_000) / 3_600_000).ok()
}

/// Hundredths of a degree to hundredths of a degree Celsius.
fn temperature(centi: i64, fahrenheit: bool) -> Option<i16> {
    let celsius = if fahrenheit { centi.saturating_sub(3_200).saturating_mul(5) / 9 } else { centi };
    i16::try_from(celsius).ok().filter(|t| (-500..=6000).contains(t))
}
