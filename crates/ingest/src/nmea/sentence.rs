//! The sentences a survey needs, as plain integers.

use super::fields::Fields;
use super::frame::{Frame, frame, is_address};
use crate::Problem;
use crate::decimal::Malformed;
use leadline_model::{DepthFrom, FixClass, LonLat, UtcMillis};

/// One sentence.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sentence {
    /// Who speaks, such as `SD`.
    pub talker: [u8; 2],
    /// Whether it had a checksum (a wrong one is a [`Problem`]).
    pub checked: bool,
    /// What it says.
    pub content: Content,
}

/// What a sentence says, as far as it is needed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Content {
    /// RMC, GGA, GNS or GLL.
    Fix(Fix),
    /// ZDA: time of day in ms and the day.
    Date(Option<u32>, Day),
    /// VTG: speed over ground in mm/s.
    Speed(Option<u32>),
    /// GSA: HDOP in hundredths.
    Dop(Option<u16>),
    /// DPT, DBT, DBS or DBK.
    Depth(Depth),
    /// MTW: hundredths of a degree Celsius.
    Temperature(Option<i16>),
    /// Nothing that is needed.
    NotNeeded,
}

/// A depth.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Depth {
    /// The sentence it stood in.
    pub kind: DepthKind,
    /// Millimetres, positive down; the metres field before feet before fathoms.
    pub depth_mm: i32,
    /// DPT's own statement in millimetres when neither null nor zero: positive = transducer to water line,
    /// negative = transducer to keel.
    pub offset_mm: Option<i16>,
}

/// What states a depth, best first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum DepthKind {
    /// Below the transducer, with an offset.
    Dpt,
    /// Below the transducer.
    Dbt,
    /// Below the surface.
    Dbs,
    /// Below the keel.
    Dbk,
    /// NMEA 2000's water depth, with an offset.
    Pgn128267,
    /// Signal K's path of that name.
    BelowTransducer,
    /// Signal K's path of that name.
    BelowSurface,
    /// Signal K's path of that name.
    BelowKeel,
}

impl DepthKind {
    /// All, in order.
    pub const ALL: [Self; 8] = [
        Self::Dpt,
        Self::Dbt,
        Self::Dbs,
        Self::Dbk,
        Self::Pgn128267,
        Self::BelowTransducer,
        Self::BelowSurface,
        Self::BelowKeel,
    ];

    /// A sentence's three letters, a message's number, a path's last part.
    pub fn formatter(self) -> &'static str {
        match self {
            Self::Dpt => "DPT",
            Self::Dbt => "DBT",
            Self::Dbs => "DBS",
            Self::Dbk => "DBK",
            Self::Pgn128267 => "128267",
            Self::BelowTransducer => "belowTransducer",
            Self::BelowSurface => "belowSurface",
            Self::BelowKeel => "belowKeel",
        }
    }

    /// What the depth is measured from.
    pub fn from(self) -> DepthFrom {
        match self {
            Self::Dpt | Self::Dbt | Self::Pgn128267 | Self::BelowTransducer => DepthFrom::Transducer,
            Self::Dbs | Self::BelowSurface => DepthFrom::Surface,
            Self::Dbk | Self::BelowKeel => DepthFrom::Keel,
        }
    }
}

/// The sentences with a position.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum FixKind {
    /// Position only.
    Gll,
    /// With speed and date.
    Rmc,
    /// Of several systems.
    Gns,
    /// With quality, satellites and HDOP.
    Gga,
}

/// A fix; null fields are `None`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fix {
    /// The sentence.
    pub kind: FixKind,
    /// Milliseconds since midnight, UTC.
    pub time_of_day: Option<u32>,
    /// RMC's day.
    pub day: Option<Day>,
    /// Where.
    pub position: Option<Position>,
    /// Status V or quality 0: the receiver warns.
    pub void: bool,
    /// Quality or mode, if stated.
    pub class: Option<FixClass>,
    /// Satellites used.
    pub sats: Option<u8>,
    /// Hundredths.
    pub hdop_centi: Option<u16>,
    /// RMC's speed over ground, mm/s.
    pub speed_mm_s: Option<u32>,
}

/// A position in 1e-7 minutes of arc, north and east positive.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Position {
    /// Latitude.
    pub lat: i64,
    /// Longitude.
    pub lon: i64,
    /// Decimals of the minutes as written (the lesser of the two).
    pub places: u8,
}

/// 1e-7 minutes in a degree.
pub(crate) const UNITS_A_DEGREE: i64 = 600_000_000;
/// Northern and southern end of the survey grid in 1e-7 minutes, rounded towards the equator.
pub(crate) const MAX_LATITUDE_UNITS: i64 = 51_030_677_267;

impl Position {
    /// In degrees.
    pub fn lonlat(self) -> LonLat {
        let degrees = |v: i64| v as f64 / UNITS_A_DEGREE as f64;
        LonLat { lon: degrees(self.lon), lat: degrees(self.lat) }
    }
}

/// A calendar day, or the remark that the date given is none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Day {
    /// The fields are empty.
    Null,
    /// There is no such day.
    Impossible,
    /// The day's first moment.
    Start(UtcMillis),
}

/// Reads the sentence in a line.
///
/// # Errors
/// The problem that made it unusable.
pub fn sentence(line: &[u8]) -> Result<Sentence, Problem> {
    let frame = frame(line)?;
    let content = parse(frame)?;
    Ok(Sentence { talker: talker(frame), checked: frame.checked, content })
}

/// The first two letters of the address; a proprietary one has `P` and another.
pub(crate) fn talker(frame: Frame<'_>) -> [u8; 2] {
    frame.address.first_chunk().copied().unwrap_or_default()
}

#[inline(always)]
pub(crate) fn parse(frame: Frame<'_>) -> Result<Content, Problem> {
    let &[_, _, f0, f1, f2] = frame.address else { return odd_address(frame) };
    let fields = Fields::new(frame.fields);
    Ok(match &[f0, f1, f2] {
        b"DPT" => dpt(fields, frame.checked)?,
        b"DBT" => below(fields, DepthKind::Dbt, frame.checked)?,
        b"RMC" => rmc(fields)?,
        b"GGA" => gga(fields)?,
        b"GLL" => gll(fields)?,
        b"VTG" => Content::Speed(vtg(fields)),
        b"GSA" => gsa(fields),
        b"ZDA" => zda(fields)?,
        b"MTW" => Content::Temperature(mtw(fields)?),
        b"GNS" => gns(fields)?,
        b"DBS" => below(fields, DepthKind::Dbs, frame.checked)?,
        b"DBK" => below(fields, DepthKind::Dbk, frame.checked)?,
        _ => return odd_address(frame),
    })
}

/// Formatters in the trade's lists that say nothing a depth survey needs, sorted. Source: gpsd "NMEA Revealed".
const NOT_NEEDED: &str = "AAM ABK ABM ACA ACK ACS AIR ALM ALR APA APB ASD BBM BEC BER BOD BWC BWR BWW CUR DCN DOR \
DSC DSE DSI DSR DTM EVE FIR FSI GBS GFA GLC GRS GSS GST GSV GTD GXA HBT HDG HDM HDT HFB HSC HTC HVD HVM ITS LCD \
LR1 LR2 LR3 LRF LRI MDA MHU MMB MSK MSS MTA MWD MWV OLN OSD R00 RLM RMA RMB ROO ROR ROT RPM RSA RSD RTE SFI SSD \
STN TDS TFI THS TLB TLL TPC TPR TPT TRF TTM TUT TXT VBW VDM VDO VDR VER VHW VLW VPW VSD VTA VTI VWR VWT WCV WDC \
WDR WNC WPL XDR XTE XTR ZDL ZFI ZFO ZLZ ZPI ZTA ZTE ZTG ";

fn odd_address(frame: Frame<'_>) -> Result<Content, Problem> {
    let address = frame.address;
    let proprietary =
        address.len() >= 2 && address[0] == b'P' && address.iter().all(u8::is_ascii_alphanumeric);
    if !(proprietary || is_address(address) && is_not_needed(address)) {
        return Err(Problem::UnknownSentence);
    }
    Ok(Content::NotNeeded)
}

/// [`NOT_NEEDED`] as numbers: the list is asked for most lines of most logs.
const NOT_NEEDED_KEYS: [u32; NOT_NEEDED.len() / 4] = {
    let bytes = NOT_NEEDED.as_bytes();
    let mut keys = [0; NOT_NEEDED.len() / 4];
    let mut i = 0;
    while i < keys.len() {
        keys[i] = u32::from_be_bytes([0, bytes[4 * i], bytes[4 * i + 1], bytes[4 * i + 2]]);
        i += 1;
    }
    keys
};

fn is_not_needed(address: &[u8]) -> bool {
    let &[_, _, a, b, c] = address else { return false };
    NOT_NEEDED_KEYS.binary_search(&u32::from_be_bytes([0, a, b, c])).is_ok()
}

#[inline(always)]
fn rmc(mut f: Fields<'_>) -> Result<Content, Problem> {
    let time_of_day = time_of_day(&mut f)?;
    let status = f.letter();
    let position = position(&mut f)?;
    let speed_mm_s = f.evidence::<3>().and_then(from_milliknots);
    f.skip(1);
    let day = day_ddmmyy(&mut f)?;
    f.skip(2);
    let class = mode(f.letter());
    let void = status == b'V' || class == Some(FixClass::None);
    Ok(Content::Fix(Fix {
        kind: FixKind::Rmc,
        time_of_day,
        day: Some(day),
        position,
        void,
        class: if void { class.or(Some(FixClass::None)) } else { class },
        sats: None,
        hdop_centi: None,
        speed_mm_s,
    }))
}

#[inline(always)]
fn gga(mut f: Fields<'_>) -> Result<Content, Problem> {
    let time_of_day = time_of_day(&mut f)?;
    let position = position(&mut f)?;
    let class = quality(f.text());
    let sats = f.evidence::<0>().and_then(|n| u8::try_from(n).ok());
    let hdop_centi = f.evidence::<2>().and_then(hdop);
    Ok(Content::Fix(Fix {
        kind: FixKind::Gga,
        time_of_day,
        day: None,
        position,
        void: class == Some(FixClass::None),
        class,
        sats,
        hdop_centi,
        speed_mm_s: None,
    }))
}

fn gns(mut f: Fields<'_>) -> Result<Content, Problem> {
    let time_of_day = time_of_day(&mut f)?;
    let position = position(&mut f)?;
    // One letter a satellite system: the best one stands.
    let best = f.text().iter().filter_map(|m| mode(*m)).max_by_key(|c| goodness(*c));
    let sats = f.evidence::<0>().and_then(|n| u8::try_from(n).ok());
    let hdop_centi = f.evidence::<2>().and_then(hdop);
    f.skip(4);
    let void = best == Some(FixClass::None) || f.letter() == b'V';
    Ok(Content::Fix(Fix {
        kind: FixKind::Gns,
        time_of_day,
        day: None,
        position,
        void,
        class: best,
        sats,
        hdop_centi,
        speed_mm_s: None,
    }))
}

#[inline(always)]
fn gll(mut f: Fields<'_>) -> Result<Content, Problem> {
    let position = position(&mut f)?;
    let time_of_day = time_of_day(&mut f)?;
    let status = f.letter();
    let class = mode(f.letter());
    let void = status == b'V' || class == Some(FixClass::None);
    Ok(Content::Fix(Fix {
        kind: FixKind::Gll,
        time_of_day,
        day: None,
        position,
        void,
        class: if void { class.or(Some(FixClass::None)) } else { class },
        sats: None,
        hdop_centi: None,
        speed_mm_s: None,
    }))
}

fn zda(mut f: Fields<'_>) -> Result<Content, Problem> {
    let time = time_of_day(&mut f)?;
    let (d, m, y) = (f.number::<0>()?, f.number::<0>()?, f.number::<0>()?);
    let day = match (d, m, y) {
        (Some(d), Some(m), Some(y)) => calendar_day(y, m, d),
        _ => Day::Null,
    };
    Ok(Content::Date(time, day))
}

fn vtg(mut f: Fields<'_>) -> Option<u32> {
    f.skip(1);
    // The old form has four fields and no letters.
    if f.letter() != b'T' {
        return f.evidence::<3>().and_then(from_milliknots);
    }
    f.skip(2);
    let knots = f.evidence::<3>();
    f.skip(1);
    let kilometres = f.evidence::<3>();
    knots.and_then(from_milliknots).or_else(|| {
        // Millikilometres an hour are metres an hour.
        kilometres.and_then(|v| u32::try_from(v).ok()).map(|m| ((u64::from(m) * 5 + 9) / 18) as u32)
    })
}

fn gsa(mut f: Fields<'_>) -> Content {
    f.skip(15);
    Content::Dop(f.evidence::<2>().and_then(hdop))
}

fn mtw(mut f: Fields<'_>) -> Result<Option<i16>, Problem> {
    let Some(t) = f.number::<2>()? else { return Ok(None) };
    // Water between freezing brine and a hot spring; a unit other than Celsius is not defined for MTW.
    if (-500..=6000).contains(&t) { Ok(Some(t as i16)) } else { Err(Problem::MalformedField) }
}

#[inline(always)]
fn dpt(mut f: Fields<'_>, checked: bool) -> Result<Content, Problem> {
    let depth = f.number::<3>()?;
    if f.ended() && !checked {
        return Err(Problem::TornLine);
    }
    let offset = f.number::<3>()?.filter(|o| *o != 0);
    let offset_mm = offset.map(|o| i16::try_from(o).map_err(|_| Problem::MalformedField)).transpose()?;
    let depth_mm = sounded(depth.ok_or(Problem::NoDepth)?, false)?;
    Ok(Content::Depth(Depth { kind: DepthKind::Dpt, depth_mm, offset_mm }))
}

#[inline(always)]
fn below(mut f: Fields<'_>, kind: DepthKind, checked: bool) -> Result<Content, Problem> {
    let mut feet = f;
    f.skip(2);
    let metres = f.number::<3>()?;
    f.skip(1);
    let mut fathoms = f;
    f.skip(1);
    // Without a checksum only the last letter shows that the line is whole.
    if !checked && f.letter() != b'F' {
        return Err(Problem::TornLine);
    }
    // 1 ft = 304.8 mm, 1 fathom = 1828.8 mm (international yard and pound agreement, 1959).
    let scaled = |v: i64, num: i64| v.saturating_mul(num).saturating_add(50_000) / 100_000;
    let depth = match metres {
        Some(mm) => Some(mm),
        None => match feet.number::<4>()? {
            Some(v) => Some(scaled(v, 3048)),
            None => fathoms.number::<4>()?.map(|v| scaled(v, 18_288)),
        },
    };
    let depth_mm = sounded(depth.ok_or(Problem::NoDepth)?, kind == DepthKind::Dbk)?;
    Ok(Content::Depth(Depth { kind, depth_mm, offset_mm: None }))
}

/// Deeper than any ocean, millimetres.
const DEEPEST_MM: i64 = 11_100_000;
/// A boat that has this much less than no water under its keel is not afloat, millimetres.
const AGROUND_MM: i64 = -10_000;

pub(crate) fn sounded(depth_mm: i64, below_keel: bool) -> Result<i32, Problem> {
    match depth_mm {
        DEEPEST_MM.. => Err(Problem::DepthOutOfRange),
        1.. => Ok(depth_mm as i32),
        AGROUND_MM.. if below_keel => Ok(depth_mm as i32),
        _ => Err(Problem::ZeroDepth),
    }
}

#[inline(always)]
fn position(f: &mut Fields<'_>) -> Result<Option<Position>, Problem> {
    let lat = angle(f, b'N', b'S')?;
    let lon = angle(f, b'E', b'W')?;
    let Some(((lat, lat_places), (lon, lon_places))) = lat.zip(lon) else { return Ok(None) };
    if lat.abs() > MAX_LATITUDE_UNITS || lon.abs() > 180 * UNITS_A_DEGREE {
        return Err(Problem::PositionOutOfRange);
    }
    // What receivers write when they have no position.
    if lat == 0 && lon == 0 {
        return Ok(None);
    }
    Ok(Some(Position { lat, lon, places: lat_places.min(lon_places) }))
}

/// `dddmm.mmmm` and a letter to 1e-7 minutes and the decimals written.
fn angle(f: &mut Fields<'_>, plus: u8, minus: u8) -> Result<Option<(i64, u8)>, Problem> {
    let (d, letter) = (f.decimal::<7>()?, f.letter());
    let Some(d) = d else { return Ok(None) };
    let (degrees, minutes) = (d.value / 1_000_000_000, d.value % 1_000_000_000);
    if d.value < 0 {
        return Err(Problem::MalformedField);
    }
    if minutes >= UNITS_A_DEGREE || degrees > 180 {
        return Err(Problem::PositionOutOfRange);
    }
    let value = degrees * UNITS_A_DEGREE + minutes;
    match letter {
        c if c == plus => Ok(Some((value, d.places))),
        c if c == minus => Ok(Some((-value, d.places))),
        _ => Err(Problem::MalformedField),
    }
}

/// `hhmmss.sss` to milliseconds; second 60 is the next minute's first.
fn time_of_day(f: &mut Fields<'_>) -> Result<Option<u32>, Problem> {
    let Some(v) = f.number::<3>()? else { return Ok(None) };
    if !(0..=235_960_999).contains(&v) {
        return Err(Problem::MalformedField);
    }
    let v = v as u32;
    let (h, m, ms) = (v / 10_000_000, v / 100_000 % 100, v % 100_000);
    if m > 59 || ms > 60_999 {
        return Err(Problem::MalformedField);
    }
    Ok(Some((h * 3_600_000 + m * 60_000 + ms) % 86_400_000))
}

/// `ddmmyy`; 80 … 99 are 19xx (the first satellite receivers), the rest 20xx.
fn day_ddmmyy(f: &mut Fields<'_>) -> Result<Day, Problem> {
    let Some(v) = f.number::<0>()? else { return Ok(Day::Null) };
    let (day, month, year) = (v / 10_000, v / 100 % 100, v % 100);
    Ok(calendar_day(if year >= 80 { 1900 + year } else { 2000 + year }, month, day))
}

fn calendar_day(year: i64, month: i64, day: i64) -> Day {
    let fields = (i32::try_from(year), u32::try_from(month), u32::try_from(day));
    let (Ok(y), Ok(m), Ok(d)) = fields else { return Day::Impossible };
    UtcMillis::from_civil(y, m, d, 0, 0, 0, 0).map_or(Day::Impossible, Day::Start)
}

/// Thousandths of a knot to mm/s, rounded.
fn from_milliknots(v: i64) -> Option<u32> {
    u32::try_from(v).ok().and_then(|v| u32::try_from((u64::from(v) * 1852 + 1800) / 3600).ok())
}

/// Receivers without a fix write 99.99 and the like; a zero means nothing either.
pub(crate) fn hdop(centi: i64) -> Option<u16> {
    u16::try_from(centi).ok().filter(|h| (1..9900).contains(h))
}

pub(crate) fn quality(field: &[u8]) -> Option<FixClass> {
    match field {
        b"0" => Some(FixClass::None),
        b"1" => Some(FixClass::Autonomous),
        b"2" => Some(FixClass::Differential),
        b"3" => Some(FixClass::Precise),
        b"4" => Some(FixClass::RtkFixed),
        b"5" => Some(FixClass::RtkFloat),
        b"6" => Some(FixClass::Estimated),
        b"7" => Some(FixClass::Manual),
        b"8" => Some(FixClass::Simulated),
        _ => None,
    }
}

fn mode(letter: u8) -> Option<FixClass> {
    match letter {
        b'A' => Some(FixClass::Autonomous),
        b'D' => Some(FixClass::Differential),
        b'E' => Some(FixClass::Estimated),
        b'F' => Some(FixClass::RtkFloat),
        b'M' => Some(FixClass::Manual),
        b'N' => Some(FixClass::None),
        b'P' => Some(FixClass::Precise),
        b'R' => Some(FixClass::RtkFixed),
        b'S' => Some(FixClass::Simulated),
        _ => None,
    }
}

fn goodness(class: FixClass) -> u8 {
    match class {
        FixClass::RtkFixed => 8,
        FixClass::RtkFloat => 7,
        FixClass::Precise => 6,
        FixClass::Differential => 5,
        FixClass::Autonomous => 4,
        FixClass::Estimated => 3,
        FixClass::Manual => 2,
        FixClass::Simulated => 1,
        _ => 0,
    }
}

impl From<Malformed> for Problem {
    fn from(_: Malformed) -> Self {
        Self::MalformedField
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_list_can_be_searched() {
        assert!(NOT_NEEDED_KEYS.is_sorted());
        for formatter in NOT_NEEDED.split_whitespace() {
            assert!(is_not_needed(format!("GP{formatter}").as_bytes()), "{formatter}");
        }
        assert!(!is_not_needed(b"GPABC") && !is_not_needed(b"GPSV"));
    }
}
