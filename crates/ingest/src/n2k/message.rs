//! Messages of the bus as plain integers. Little-endian; all ones (for signed numbers, all but the sign) = not
//! available.

use super::fast::Message;
use crate::Problem;
use crate::nmea::{
    Content, Day, Depth, DepthKind, Fix, FixKind, MAX_LATITUDE_UNITS, Position, UNITS_A_DEGREE, hdop,
    quality, sounded,
};
use leadline_model::UtcMillis;

/// What a survey needs of a message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Needed {
    /// Single frame.
    Single,
    /// Fast packet.
    Fast,
}

/// Whether the group is needed, and how it is carried.
pub(crate) fn needed(pgn: u32) -> Option<Needed> {
    match pgn {
        126_992 | 128_267 | 129_025 | 129_026 | 129_539 | 130_310..=130_312 | 130_316 => Some(Needed::Single),
        129_029 => Some(Needed::Fast),
        _ => None,
    }
}

/// A message's meaning.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Said {
    /// Depth, evidence, or nothing that is needed.
    Content(Content),
    /// A position with date and time.
    Fix(Fix),
    /// A position alone.
    Place(Position),
    /// Day and time of day.
    Time(Day, u32),
}

/// Reads a needed message.
///
/// # Errors
/// What keeps it from being used.
pub(crate) fn said(m: &Message) -> Result<Said, Problem> {
    let f = Fields(&m.data);
    match m.pgn {
        128_267 => depth(f),
        129_025 => place(f),
        129_026 => Ok(Said::Content(Content::Speed(f.unsigned(4, 2)?.map(|cm_s| cm_s as u32 * 10)))),
        129_029 => gnss(f),
        // From memory: SID, modes, then HDOP in hundredths.
        129_539 => Ok(Said::Content(Content::Dop(f.signed(2, 2)?.and_then(hdop)))),
        // From memory: SID, source, date, time.
        126_992 => Ok(time(f, 2, 4)?.map_or(NOTHING, |(day, ms)| Said::Time(day, ms))),
        130_310 => kelvin(f.unsigned(1, 2)?, 1),
        // From memory: SID, source (0 = sea) in 6 bits, temperature.
        130_311 if f.byte(1)? & 0x3f == 0 => kelvin(f.unsigned(2, 2)?, 1),
        // From memory: SID, instance, source (0 = sea), temperature.
        130_312 if f.byte(2)? == 0 => kelvin(f.unsigned(3, 2)?, 1),
        130_316 if f.byte(2)? == 0 => kelvin(f.unsigned(3, 3)?, 10),
        _ => Ok(NOTHING),
    }
}

const NOTHING: Said = Said::Content(Content::NotNeeded);

/// Absolute zero of the Celsius scale, hundredths of a kelvin. Source: SI, the kelvin's definition (exact).
const ICE_CENTI: i64 = 27_315;

fn kelvin(value: Option<u64>, a_centi: i64) -> Result<Said, Problem> {
    let Some(value) = value else { return Ok(NOTHING) };
    let centi = (value as i64 + a_centi / 2) / a_centi - ICE_CENTI;
    // Water between freezing brine and a hot spring; sensors without a probe say 0 K.
    if !(-500..=6000).contains(&centi) {
        return Err(Problem::MalformedField);
    }
    Ok(Said::Content(Content::Temperature(Some(centi as i16))))
}

fn depth(f: Fields<'_>) -> Result<Said, Problem> {
    let centimetres = f.unsigned(1, 4)?.ok_or(Problem::NoDepth)?;
    let depth_mm = sounded(centimetres as i64 * 10, false)?;
    let offset_mm = f.signed(5, 2)?.map(|o| o as i16).filter(|o| *o != 0);
    Ok(Said::Content(Content::Depth(Depth { kind: DepthKind::Pgn128267, depth_mm, offset_mm })))
}

fn place(f: Fields<'_>) -> Result<Said, Problem> {
    let (lat, lon) = (f.signed(0, 4)?, f.signed(4, 4)?);
    // 1e-7 degrees to 1e-7 minutes.
    let position = lat.zip(lon).map(|(lat, lon)| (lat * 60, lon * 60));
    Ok(on_grid(position, 5)?.map_or(NOTHING, Said::Place))
}

fn gnss(f: Fields<'_>) -> Result<Said, Problem> {
    let timed = time(f, 1, 3)?;
    // 1e-16 degrees to 1e-7 minutes, rounded.
    let units = |v: i64| (i128::from(v) * 60 + 500_000_000).div_euclid(1_000_000_000) as i64;
    let (lat, lon) = (f.signed(7, 8)?, f.signed(15, 8)?);
    let position = on_grid(lat.zip(lon).map(|(lat, lon)| (units(lat), units(lon))), 7)?;
    let method = f.byte(31)? >> 4;
    let class = quality(&[b'0' + method]);
    let sats = f.unsigned(33, 1)?.map(|n| n as u8);
    let hdop_centi = f.signed(34, 2)?.and_then(hdop);
    Ok(Said::Fix(Fix {
        kind: FixKind::Gga,
        time_of_day: timed.map(|(_, ms)| ms),
        day: timed.map(|(day, _)| day),
        position,
        void: method == 0,
        class,
        sats,
        hdop_centi,
        speed_mm_s: None,
    }))
}

fn on_grid(position: Option<(i64, i64)>, places: u8) -> Result<Option<Position>, Problem> {
    let Some((lat, lon)) = position else { return Ok(None) };
    if lat.abs() > MAX_LATITUDE_UNITS || lon.abs() > 180 * UNITS_A_DEGREE {
        return Err(Problem::PositionOutOfRange);
    }
    // What receivers write when they have no position.
    Ok((lat != 0 || lon != 0).then_some(Position { lat, lon, places }))
}

/// Days since 1970 at `at_day`, 1e-4 s of the day at `at_time`.
fn time(f: Fields<'_>, at_day: usize, at_time: usize) -> Result<Option<(Day, u32)>, Problem> {
    let (days, tenths) = (f.unsigned(at_day, 2)?, f.unsigned(at_time, 4)?);
    let Some((days, tenths)) = days.zip(tenths) else { return Ok(None) };
    let ms = tenths / 10;
    // Second 60 is the next minute's first.
    if ms > 86_400_999 {
        return Err(Problem::MalformedField);
    }
    Ok(Some((Day::Start(UtcMillis(days as i64 * 86_400_000)), (ms % 86_400_000) as u32)))
}

#[derive(Clone, Copy)]
struct Fields<'a>(&'a [u8]);

impl Fields<'_> {
    fn byte(self, at: usize) -> Result<u8, Problem> {
        self.0.get(at).copied().ok_or(Problem::MalformedField)
    }

    fn raw(self, at: usize, len: usize) -> Result<u64, Problem> {
        let bytes = self.0.get(at..at + len).ok_or(Problem::MalformedField)?;
        Ok(bytes.iter().rev().fold(0, |sum, b| sum << 8 | u64::from(*b)))
    }

    /// `None`: all ones, or the two values below, which say "out of range" and "reserved".
    fn unsigned(self, at: usize, len: usize) -> Result<Option<u64>, Problem> {
        let most = u64::MAX >> (64 - 8 * len);
        Ok(Some(self.raw(at, len)?).filter(|v| *v < most - 2))
    }

    fn signed(self, at: usize, len: usize) -> Result<Option<i64>, Problem> {
        let shift = 64 - 8 * len;
        let value = (self.raw(at, len)? << shift) as i64 >> shift;
        let most = i64::MAX >> shift;
        Ok(Some(value).filter(|v| *v < most - 2))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use leadline_model::FixClass;

    fn read(pgn: u32, hex: &str) -> Result<Said, Problem> {
        let data = hex.split_whitespace().map(|b| u8::from_str_radix(b, 16).expect("hex")).collect();
        said(&Message { pgn, source: 35, data })
    }

    /// Payloads and values as a public decoder's test samples give them.
    #[test]
    fn golden_payloads() {
        let depth = |depth_mm, offset_mm| {
            Ok(Said::Content(Content::Depth(Depth { kind: DepthKind::Pgn128267, depth_mm, offset_mm })))
        };
        assert_eq!(read(128_267, "29 36 00 00 00 bc 02 ff"), depth(540, Some(700)));
        assert_eq!(read(128_267, "00 ff ff ff ff 00 00 ff"), Err(Problem::NoDepth));
        // 53.1801965°, 5.4284681°
        let place = Position { lat: 31_908_117_900, lon: 3_257_080_860, places: 5 };
        assert_eq!(read(129_025, "6d a7 b2 1f 89 51 3c 03"), Ok(Said::Place(place)));
        assert_eq!(read(129_025, "ff ff ff 7f ff ff ff 7f"), Ok(NOTHING));
        assert_eq!(read(129_026, "36 fc 8a 36 04 00 ff ff"), Ok(Said::Content(Content::Speed(Some(40)))));
        let gnss = "37 2d 4b 10 6d ff 19 00 7a 5b 64 9d 56 61 07 b0 7c b2 ca 79 db c0 00 20 6e bf 02 00 00 00 00 \
                    10 fc 0c 46 00 82 00 34 12 00 00 ff";
        let Ok(Said::Fix(fix)) = read(129_029, gnss) else { panic!("a fix") };
        assert_eq!(fix.day, Some(Day::Start("2022-09-10T00:00:00Z".parse().expect("a day"))));
        assert_eq!(fix.time_of_day, Some(43_617_000));
        // 53.180146500°, 5.428451167° in 1e-7 minutes.
        let at = fix.position.expect("a place");
        assert_eq!((at.lat, at.lon), (31_908_087_900, 3_257_070_700));
        assert_eq!((fix.sats, fix.hdop_centi, fix.class), (Some(12), Some(70), Some(FixClass::Autonomous)));
        assert!(!fix.void);
        // 290.64 K, 297.314 K
        let warm = |centi| Ok(Said::Content(Content::Temperature(Some(centi))));
        assert_eq!(read(130_310, "04 88 71 ff ff ff ff ff"), warm(1_749));
        assert_eq!(read(130_316, "ff 00 00 62 89 04 ff ff"), warm(2_416));
        assert_eq!(read(130_316, "ff 00 00 00 00 00 ff ff"), Err(Problem::MalformedField), "0 K is no water");
        assert_eq!(read(130_316, "ff 00 01 62 89 04 ff ff"), Ok(NOTHING), "the air's");
    }

    #[test]
    fn short_messages_are_refused() {
        for pgn in [126_992, 128_267, 129_025, 129_026, 129_029, 129_539, 130_310, 130_311, 130_312, 130_316]
        {
            assert_eq!(read(pgn, "00"), Err(Problem::MalformedField), "{pgn}");
        }
    }
}
