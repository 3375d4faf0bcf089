//! How to read a table, decided once on its first rows.

use super::columns::{Column, column};
use super::split::{Delimiter, MAX_FIELDS, split};
use crate::decimal::decimal_or_scientific;
use crate::format::sample_lines;
use leadline_model::DepthFrom;

/// Ninety and a hundred and eighty degrees in 1e-9 degrees.
pub(crate) const NINETY: i64 = 90_000_000_000;
const HALF_TURN: i64 = 2 * NINETY;

/// The plan for a table's rows.
#[derive(Clone, Debug)]
pub(crate) struct Table {
    pub(crate) delimiter: Delimiter,
    /// Decimal mark.
    pub(crate) mark: u8,
    pub(crate) lon: usize,
    pub(crate) lat: usize,
    pub(crate) depth: usize,
    pub(crate) tenths_mm: i64,
    pub(crate) from: DepthFrom,
    /// The depth column counts upward.
    pub(crate) up: bool,
    pub(crate) time: Option<(usize, bool)>,
    pub(crate) date: Option<(usize, bool)>,
    pub(crate) speed: Option<(usize, i64)>,
    pub(crate) hdop: Option<usize>,
    pub(crate) sats: Option<usize>,
    pub(crate) temperature: Option<(usize, bool)>,
    /// The first row names the columns.
    pub(crate) header: bool,
    /// The named columns hold each other's values.
    pub(crate) swapped: bool,
}

impl Table {
    /// Looks at the first rows; the error says why this is no table of soundings.
    pub(crate) fn sniff(sample: &[u8], whole: bool) -> Result<Self, String> {
        let lines: Vec<&[u8]> = sample_lines(sample, whole).collect();
        let rows: Vec<&[u8]> = lines.iter().copied().filter(|l| !l.starts_with(b"#")).collect();
        let Some(first) = rows.first() else { return Err("a text of remarks only".to_owned()) };
        let delimiter = delimiter_of(first);
        let numbers = numeric_fields(first, delimiter);
        if numbers >= 3 {
            // Some programs write the names as a remark before the first row.
            let remark = lines.iter().take_while(|l| l.starts_with(b"#")).last();
            let named = remark.and_then(|r| {
                let names = r.trim_ascii_start().strip_prefix(b"#")?.trim_ascii();
                Self::named(names, delimiter_of(names), false)
            });
            let mut table = match named {
                Some(t) => Self { delimiter, mark: mark_of(first, delimiter), ..t },
                None => Self::unnamed(&rows, delimiter)?,
            };
            table.look_at(&rows)?;
            return Ok(table);
        }
        let mut table = Self::named(first, delimiter, true).ok_or_else(|| no_columns(first))?;
        let body = rows.get(1..).unwrap_or_default();
        table.mark = body.first().map_or(b'.', |row| mark_of(row, delimiter));
        table.look_at(body)?;
        Ok(table)
    }

    /// A table whose columns have these names, between tabs, and that has no row of names.
    pub(crate) fn of_names(names: &[u8]) -> Option<Self> {
        Self::named(names, Delimiter::Byte(b'\t'), false)
    }

    fn named(names: &[u8], delimiter: Delimiter, header: bool) -> Option<Self> {
        let mut fields = [&[][..]; MAX_FIELDS];
        let n = split(names, delimiter, &mut fields);
        let (mut lon, mut lat, mut depth) = (None, None, None);
        let mut table = Self::with(delimiter, 0, 0, 0, header);
        for (i, name) in fields[..n].iter().enumerate() {
            match column(&String::from_utf8_lossy(name)) {
                Some(Column::Lon) => lon = lon.or(Some(i)),
                Some(Column::Lat) => lat = lat.or(Some(i)),
                Some(Column::Depth { tenths_mm, from, height }) if depth.is_none() => {
                    depth = Some(i);
                    (table.tenths_mm, table.from, table.up) = (tenths_mm, from, height);
                }
                Some(Column::Time { utc }) => table.time = table.time.or(Some((i, utc))),
                Some(Column::Date { utc }) => table.date = table.date.or(Some((i, utc))),
                Some(Column::Speed { factor }) => table.speed = table.speed.or(Some((i, factor))),
                Some(Column::Hdop) => table.hdop = table.hdop.or(Some(i)),
                Some(Column::Sats) => table.sats = table.sats.or(Some(i)),
                Some(Column::Temperature { fahrenheit }) => {
                    table.temperature = table.temperature.or(Some((i, fahrenheit)));
                }
                _ => {}
            }
        }
        (table.lon, table.lat, table.depth) = (lon?, lat?, depth?);
        Some(table)
    }

    /// Longitude, latitude, depth in this order or the first two exchanged, if the numbers leave no doubt.
    fn unnamed(rows: &[&[u8]], delimiter: Delimiter) -> Result<Self, String> {
        let mark = rows.first().map_or(b'.', |r| mark_of(r, delimiter));
        let (mut first, mut second) = (0, 0);
        for row in rows {
            let mut fields = [&[][..]; MAX_FIELDS];
            split(row, delimiter, &mut fields);
            let number =
                |i: usize| decimal_or_scientific(fields[i], 9, mark).ok().flatten().unwrap_or(0).abs();
            (first, second) = (first.max(number(0)), second.max(number(1)));
        }
        let doubt = "a table without column names";
        let (lon, lat) = match (first > NINETY, second > NINETY) {
            _ if first > HALF_TURN || second > HALF_TURN => {
                return Err(format!("{doubt}, with positions that are not degrees"));
            }
            (true, false) => (0, 1),
            (false, true) => (1, 0),
            _ => return Err(format!("{doubt}, where longitude and latitude cannot be told apart")),
        };
        let mut table = Self::with(delimiter, lon, lat, 2, false);
        table.mark = mark;
        let mut fields = [&[][..]; MAX_FIELDS];
        let n = rows.first().map_or(0, |r| split(r, delimiter, &mut fields));
        let is_time = |f: &&[u8]| str::from_utf8(f).is_ok_and(|t| super::row::moment(t, false).is_ok());
        table.time =
            fields[..n].iter().skip(3).position(|f| f.len() > 12 && is_time(f)).map(|i| (i + 3, false));
        Ok(table)
    }

    /// Decides the depth's direction and whether the columns are exchanged.
    fn look_at(&mut self, rows: &[&[u8]]) -> Result<(), String> {
        let (mut negative, mut positive) = (0, 0);
        for row in rows {
            let mut fields = [&[][..]; MAX_FIELDS];
            let n = split(row, self.delimiter, &mut fields);
            let number = |i: usize| decimal_or_scientific(fields[i], 9, self.mark).ok().flatten();
            if n <= self.lon.max(self.lat).max(self.depth) {
                continue;
            }
            let (lon, lat) = (number(self.lon).unwrap_or(0).abs(), number(self.lat).unwrap_or(0).abs());
            self.swapped |= lat > NINETY && lat <= HALF_TURN && lon <= NINETY;
            let depth = number(self.depth).unwrap_or(0).signum();
            negative += usize::from(depth < 0);
            positive += usize::from(depth > 0);
        }
        if self.up && negative == 0 && positive > 0 {
            return Err(
                "a table of heights, not of depths: subtract them from the water level first".to_owned()
            );
        }
        self.up |= negative > 0 && positive == 0;
        Ok(())
    }

    fn with(delimiter: Delimiter, lon: usize, lat: usize, depth: usize, header: bool) -> Self {
        Self {
            delimiter,
            mark: b'.',
            lon,
            lat,
            depth,
            tenths_mm: 10_000,
            from: DepthFrom::Unknown,
            up: false,
            time: None,
            date: None,
            speed: None,
            hdop: None,
            sats: None,
            temperature: None,
            header,
            swapped: false,
        }
    }

    /// For people: `columns lon 1, lat 2, depth 3 (metres, counted downward), time 4; between commas`.
    pub(crate) fn words(&self) -> String {
        let unit = match self.tenths_mm {
            3_048 => "feet",
            18_288 => "fathoms",
            100 => "centimetres",
            10 => "millimetres",
            _ => "metres",
        };
        let way = if self.up { "upward" } else { "downward" };
        let time = match (self.date, self.time) {
            (Some((d, _)), Some((t, _))) => format!("date {}, time {}", d + 1, t + 1),
            (None, Some((t, _))) => format!("time {}", t + 1),
            _ => "no time".to_owned(),
        };
        format!(
            "columns lon {}, lat {}, depth {} ({unit}, counted {way}), {time}; between {}",
            self.lon + 1,
            self.lat + 1,
            self.depth + 1,
            self.delimiter.words()
        )
    }
}

fn delimiter_of(row: &[u8]) -> Delimiter {
    let outside_quotes = |d: u8| {
        let mut quoted = false;
        row.iter()
            .filter(|c| {
                quoted ^= **c == b'"';
                !quoted && **c == d
            })
            .count()
    };
    match [b';', b'\t', b'|', b','].into_iter().find(|d| outside_quotes(*d) >= 2) {
        Some(d) => Delimiter::Byte(d),
        None => Delimiter::Blanks,
    }
}

/// A comma is the decimal mark where it is not the delimiter and a number has one.
fn mark_of(row: &[u8], delimiter: Delimiter) -> u8 {
    let mut fields = [&[][..]; MAX_FIELDS];
    let n = split(row, delimiter, &mut fields);
    let comma = |f: &&[u8]| f.contains(&b',') && decimal_or_scientific(f, 0, b',').is_ok();
    if delimiter != Delimiter::Byte(b',') && fields[..n].iter().any(comma) { b',' } else { b'.' }
}

fn numeric_fields(row: &[u8], delimiter: Delimiter) -> usize {
    let mark = mark_of(row, delimiter);
    let mut fields = [&[][..]; MAX_FIELDS];
    let n = split(row, delimiter, &mut fields);
    fields[..n].iter().filter(|f| matches!(decimal_or_scientific(f, 3, mark), Ok(Some(_)))).count()
}

fn no_columns(first: &[u8]) -> String {
    format!("text; its first line is {}", crate::account::excerpt(first.get(..60).unwrap_or(first)))
}
