//! Signal K deltas, one JSON object a line: a server's stream or log. Source: Signal K specification 1.8.2 (paths,
//! units, the form of a delta).
//!
//! Only the own vessel counts: the one the server's greeting names, else deltas without a context or with
//! `vessels.self`, else the first vessel that states a depth. Time is a value's own timestamp, set right by
//! `navigation.datetime` (the receiver's) where that is stated; depths lie between the positions before and after by
//! their timestamps.

use crate::account::Label;
use crate::kinds::Good;
use crate::n2k::Clock;
use crate::nmea::{
    Content, Day, Depth, DepthKind, Fix, FixKind, MAX_LATITUDE_UNITS, Position, UNITS_A_DEGREE, hdop, sounded,
};
use crate::pairing::{Feed, numbered_stream};
use crate::{Options, Problem};
use leadline_model::{FixClass, UtcMillis};
use serde::Deserialize;
use serde_json::Value;

/// Longest line, bytes: a delta with many values.
pub(crate) const MAX_DELTA_BYTES: usize = 64 << 10;
/// Quality, satellites and HDOP count for positions this much later, ms.
const QUALITY_MS: i64 = 5_000;

/// Whether a sample begins with deltas or a server's greeting.
pub(crate) fn looks_like_deltas(sample: &[u8]) -> bool {
    // Remarks of whoever wrote the log may stand before.
    let mut first = sample.trim_ascii_start();
    while first.starts_with(b"#") {
        let end = first.iter().position(|c| matches!(c, b'\n' | b'\r')).unwrap_or(first.len());
        first = first[end..].trim_ascii_start();
    }
    let has = |word: &[u8]| memchr::memmem::find(sample, word).is_some();
    let greeting = has(b"\"self\"") && has(b"\"version\"");
    first.starts_with(b"{") && (has(b"\"updates\"") || greeting)
}

#[derive(Deserialize)]
struct Line {
    context: Option<String>,
    updates: Option<Vec<Update>>,
    #[serde(rename = "self")]
    own: Option<String>,
}

#[derive(Deserialize)]
struct Update {
    timestamp: Option<String>,
    #[serde(default)]
    values: Vec<PathValue>,
}

#[derive(Deserialize)]
struct PathValue {
    path: String,
    value: Value,
}

/// What a receiver said of its fix, and when.
#[derive(Clone, Copy, Default)]
struct Quality {
    class: Option<(FixClass, i64)>,
    sats: Option<(u8, i64)>,
    hdop_centi: Option<(u16, i64)>,
}

/// Reads a log of deltas.
pub(crate) struct SignalKLog {
    pub(crate) feed: Feed,
    clock: Clock,
    own: Option<String>,
    quality: Quality,
}

impl SignalKLog {
    pub(crate) fn new(options: &Options) -> Self {
        Self { feed: Feed::new(options), clock: Clock::default(), own: None, quality: Quality::default() }
    }

    /// Takes line `number`, neither blank nor a remark.
    pub(crate) fn line(&mut self, number: u64, line: &[u8]) {
        let became = self.read(number, line);
        self.feed.note(number, line, became);
    }

    /// Counts a line that cannot be a delta.
    pub(crate) fn refuse(&mut self, number: u64, line: &[u8], problem: Problem) {
        self.feed.refuse(number, line, problem);
    }

    /// The line's label, or `None` if it is known later.
    fn read(&mut self, number: u64, line: &[u8]) -> Result<Option<Label>, Problem> {
        // Some logs write a time and a name before the object.
        let start = memchr::memchr(b'{', line).ok_or(Problem::TornLine)?;
        let delta: Line = serde_json::from_slice(&line[start..]).map_err(|_| Problem::TornLine)?;
        if let Some(own) = delta.own {
            self.own = Some(own);
        }
        let updates = delta.updates.unwrap_or_default();
        if !self.is_own(delta.context.as_deref(), &updates) {
            return Ok(Some(Label::NotNeeded));
        }
        let mut depths = Depths::default();
        let mut label = Label::NotNeeded;
        for update in &updates {
            let new = self.update(update, &mut depths)?;
            // The most telling one stands: a problem, then a use.
            if matches!(new, Label::Problem(_)) || matches!(label, Label::NotNeeded) {
                label = new;
            }
        }
        match depths.best()? {
            Some((arrival, depth)) => {
                self.feed.depth(arrival, number, depth, numbered_stream(depth.kind, 0), true);
                Ok(None)
            }
            None => Ok(Some(label)),
        }
    }

    fn is_own(&mut self, context: Option<&str>, updates: &[Update]) -> bool {
        let Some(context) = context.filter(|c| *c != "vessels.self") else { return true };
        let has_depth =
            || updates.iter().flat_map(|u| &u.values).any(|v| v.path.starts_with("environment.depth.below"));
        if self.own.is_none() && has_depth() {
            self.own = Some(context.to_owned());
        }
        let bare = |c: &str| c.strip_prefix("vessels.").unwrap_or(c).to_owned();
        self.own.as_deref().is_some_and(|own| bare(own) == bare(context))
    }

    fn update(&mut self, update: &Update, depths: &mut Depths) -> Result<Label, Problem> {
        let stamp = match &update.timestamp {
            Some(text) => Some(text.parse::<UtcMillis>().map_err(|_| Problem::MalformedField)?.0),
            None => None,
        };
        let arrival = self.clock.line(stamp);
        for v in &update.values {
            if let ("navigation.datetime", Some(text)) = (v.path.as_str(), v.value.as_str()) {
                self.clock.state(text.parse::<UtcMillis>().map_err(|_| Problem::BadDate)?.0);
            }
        }
        let now = self.clock.now().or(stamp);
        let mut label = Label::NotNeeded;
        for v in &update.values {
            let new = self.value(v, arrival, now, depths)?;
            let good = if matches!(new, Label::NotNeeded) { Good::NotNeeded } else { Good::Used };
            self.feed.sink.account.kinds.path(&v.path, good);
            if !matches!(new, Label::NotNeeded) {
                label = new;
            }
        }
        Ok(label)
    }

    fn value(
        &mut self,
        v: &PathValue,
        arrival: u64,
        now: Option<i64>,
        depths: &mut Depths,
    ) -> Result<Label, Problem> {
        let number = v.value.as_f64();
        let scaled = |scale: f64| number.map(|n| (n * scale).round()).filter(|n| n.abs() < 1e15);
        match v.path.as_str() {
            "navigation.position" => return self.position(&v.value, arrival, now),
            "navigation.speedOverGround" => {
                let speed = scaled(1000.0).filter(|n| (0.0..4e9).contains(n)).map(|n| n as u32);
                return Ok(speed
                    .map_or(Label::NotNeeded, |_| self.feed.evidence(&Content::Speed(speed), Label::Used)));
            }
            "environment.water.temperature" => {
                // Kelvin; 273.15 K = 0 °C (SI, exact).
                let centi = scaled(100.0).map(|k| k - 27_315.0).filter(|c| (-500.0..=6000.0).contains(c));
                let Some(centi) = centi else { return Ok(Label::NotNeeded) };
                return Ok(self.feed.evidence(&Content::Temperature(Some(centi as i16)), Label::Used));
            }
            "navigation.gnss.horizontalDilution" => {
                self.quality.hdop_centi = scaled(100.0).and_then(|n| hdop(n as i64)).zip(now);
            }
            "navigation.gnss.satellites" => {
                self.quality.sats =
                    scaled(1.0).filter(|n| (0.0..256.0).contains(n)).map(|n| n as u8).zip(now);
            }
            "navigation.gnss.methodQuality" => {
                self.quality.class = v.value.as_str().and_then(method).zip(now);
            }
            "environment.depth.surfaceToTransducer" => depths.above_mm = scaled(1000.0).map(|n| n as i64),
            "environment.depth.transducerToKeel" => depths.below_mm = scaled(1000.0).map(|n| n as i64),
            path => {
                if let Some(kind) = depth_kind(path) {
                    depths.take(arrival, kind, scaled(1000.0).map(|n| n as i64));
                } else {
                    return Ok(Label::NotNeeded);
                }
            }
        }
        Ok(Label::Used)
    }

    fn position(&mut self, value: &Value, arrival: u64, now: Option<i64>) -> Result<Label, Problem> {
        let degrees = |key| value.get(key).and_then(Value::as_f64);
        let Some((lat, lon)) = degrees("latitude").zip(degrees("longitude")) else {
            return Ok(Label::NotNeeded);
        };
        if !(lat.abs() <= 90.0 && lon.abs() <= 180.0) {
            return Err(Problem::PositionOutOfRange);
        }
        let units = |d: f64| (d * UNITS_A_DEGREE as f64).round() as i64;
        let position = Position { lat: units(lat), lon: units(lon), places: 7 };
        if position.lat.abs() > MAX_LATITUDE_UNITS {
            return Err(Problem::PositionOutOfRange);
        }
        let now = now.map(UtcMillis).ok_or(Problem::NoDate)?;
        let fresh = |at: i64| (0..=QUALITY_MS).contains(&(now.0 - at));
        let class = self.quality.class.filter(|(_, at)| fresh(*at)).map(|(c, _)| c);
        let fix = Fix {
            kind: FixKind::Gga,
            time_of_day: u32::try_from(now.millis_of_day()).ok(),
            day: Some(Day::Start(now.day_start())),
            position: Some(position),
            void: class == Some(FixClass::None),
            class,
            sats: self.quality.sats.filter(|(_, at)| fresh(*at)).map(|(n, _)| n),
            hdop_centi: self.quality.hdop_centi.filter(|(_, at)| fresh(*at)).map(|(h, _)| h),
            speed_mm_s: None,
        };
        Ok(self.feed.fix(arrival, &fix, true, Label::Used))
    }
}

/// The depths of one line: they state one reading, and the best of them stands.
#[derive(Default)]
struct Depths {
    best: Option<(u64, DepthKind, Option<i64>)>,
    above_mm: Option<i64>,
    below_mm: Option<i64>,
}

impl Depths {
    fn take(&mut self, arrival: u64, kind: DepthKind, mm: Option<i64>) {
        let better =
            self.best.is_none_or(|(_, held, value)| value.is_none() || (mm.is_some() && kind < held));
        if better {
            self.best = Some((arrival, kind, mm));
        }
    }

    fn best(&self) -> Result<Option<(u64, Depth)>, Problem> {
        let Some((arrival, kind, mm)) = self.best else { return Ok(None) };
        let depth_mm = sounded(mm.ok_or(Problem::NoDepth)?, kind == DepthKind::BelowKeel)?;
        let offset =
            self.above_mm.or(self.below_mm.map(|mm| -mm)).filter(|_| kind == DepthKind::BelowTransducer);
        let offset_mm = offset.and_then(|mm| i16::try_from(mm).ok()).filter(|mm| *mm != 0);
        Ok(Some((arrival, Depth { kind, depth_mm, offset_mm })))
    }
}

fn depth_kind(path: &str) -> Option<DepthKind> {
    match path {
        "environment.depth.belowTransducer" => Some(DepthKind::BelowTransducer),
        "environment.depth.belowSurface" => Some(DepthKind::BelowSurface),
        "environment.depth.belowKeel" => Some(DepthKind::BelowKeel),
        _ => None,
    }
}

fn method(words: &str) -> Option<FixClass> {
    match words {
        "no GPS" => Some(FixClass::None),
        "GNSS Fix" => Some(FixClass::Autonomous),
        "DGNSS fix" => Some(FixClass::Differential),
        "Precise GNSS" => Some(FixClass::Precise),
        "RTK fixed integer" => Some(FixClass::RtkFixed),
        "RTK float" => Some(FixClass::RtkFloat),
        "Estimated (DR) mode" => Some(FixClass::Estimated),
        "Manual input" => Some(FixClass::Manual),
        "Simulator mode" => Some(FixClass::Simulated),
        _ => None,
    }
}
