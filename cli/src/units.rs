//! Units for people, and the clock.

use crate::args::{Cli, UnitArg};
use crate::failure::Failure;
use leadline_model::{FATHOM, FOOT, GridPos, LonLat, UtcMillis};

impl UnitArg {
    /// Metres as text in this unit.
    pub(crate) fn depth(self, metres: f64) -> String {
        let (factor, name) = self.factor();
        format!("{:.2} {name}", metres / factor)
    }

    /// Metres in this unit, and its name.
    pub(crate) fn factor(self) -> (f64, &'static str) {
        match self {
            Self::M => (1.0, "m"),
            Self::Ft => (FOOT, "ft"),
            Self::Fm => (FATHOM, "fm"),
        }
    }
}

/// The device's clock: a claim that entries carry.
pub(crate) fn now() -> UtcMillis {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap_or_default();
    UtcMillis(since.as_millis() as i64)
}

/// A time as typed; `now` is allowed.
pub(crate) fn time(what: &str, text: &str) -> Result<UtcMillis, Failure> {
    if text == "now" {
        return Ok(now());
    }
    text.parse().map_err(|e| Failure::Input(format!("{what} {text:?}: {e}")))
}

/// Metres as typed, to whole millimetres.
pub(crate) fn millimetres(what: &str, metres: f64, lo: f64, hi: f64) -> Result<i32, Failure> {
    if (lo..=hi).contains(&metres) {
        Ok((metres * 1000.0).round() as i32)
    } else {
        Err(Failure::Input(format!("{what} {metres}: should lie between {lo} and {hi}")))
    }
}

/// `LON,LAT` in degrees, as `--at` has it.
pub(crate) fn lonlat(text: &str) -> Result<LonLat, Failure> {
    place("--at", text).map(|(p, _)| p)
}

/// `LON,LAT` in degrees, given with the option `what`, and the place on the grid.
pub(crate) fn place(what: &str, text: &str) -> Result<(LonLat, GridPos), Failure> {
    let bad = || {
        Failure::Input(format!("{what} {text}: give longitude,latitude in degrees, such as 7.41310,48.21730"))
    };
    let (lon, lat) = text.split_once(',').ok_or_else(bad)?;
    let (lon, lat) = (lon.trim().parse().map_err(|_| bad())?, lat.trim().parse().map_err(|_| bad())?);
    let p = LonLat { lon, lat };
    GridPos::from_lonlat(p).map(|on_grid| (p, on_grid)).ok_or_else(|| {
        Failure::Input(format!(
            "{what} {text}: longitude is -180 to 180, latitude -85 to 85; is it latitude,longitude?"
        ))
    })
}

/// The stage a person gave in metres, or the sounding datum; with a note that says which.
pub(crate) fn stage(stage: Option<f64>) -> Result<f64, Failure> {
    match stage {
        Some(s) if s.abs() <= 10_000.0 => Ok(s),
        Some(s) => Err(Failure::Input(format!(
            "--stage {s}: metres above the sounding datum, between -10000 and 10000"
        ))),
        None => Ok(0.0),
    }
}

/// The words for a stage.
pub(crate) fn stage_words(stage: Option<f64>, cli: &Cli) -> String {
    match stage {
        Some(s) => format!("stage {} above the sounding datum", cli.units.depth(s)),
        None => "no stage given: the sounding datum (stage 0)".to_owned(),
    }
}
