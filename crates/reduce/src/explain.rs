//! The terms of one sounding, for people who ask why.

use crate::budget::{HalfBeam, Level, Measured, ONE_DIMENSION_95, Sloped};
use crate::depth::below_surface;
use crate::levelled::{After, Levels};
use crate::prepare::measured_of;
use crate::screen::Point;
use crate::setups::{Setups, said_at};
use crate::sound::Casts;
use crate::{Settings, StageRecord};
use leadline_model::{Gauge, GridPos, Levelling, Setup, Sounding, StageReading, Text, WaterCast};

/// One step from the indicated to the reduced depth, or one source of uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Term {
    /// What it is.
    pub name: &'static str,
    /// What it adds to the depth, metres; 0 for a pure uncertainty.
    pub value: f64,
    /// Its uncertainty, 95 %, metres; 0 where none is its own.
    pub uncertainty95: f64,
}

/// What a sounding is reduced with.
#[derive(Clone, Copy, Debug)]
pub struct Basis<'a> {
    /// The survey's thresholds and defaults.
    pub settings: &'a Settings,
    /// What people said about the boats.
    pub setups: &'a [Setup],
    /// Gauge readings.
    pub stages: &'a [StageReading],
    /// What people measured of the water.
    pub casts: &'a [WaterCast],
    /// Where gauges stand and where their zeros lie.
    pub gauges: &'a [Gauge],
    /// Centre line of flowing water; empty = the water has no slope.
    pub river: &'a [GridPos],
    /// The levelling in force.
    pub levelling: Option<&'a Levelling>,
    /// The boat is of an adopted survey: the rest is what that survey says, and its datum is not known.
    pub adopted: bool,
}

/// The terms of `sounding` of `boat` where the bed has `slope` (see [`crate::Reduced::slope`]). The values add up
/// to the reduced depth, the squares of the uncertainties to that of its total, but for what its neighbours on the
/// track tell (their scatter).
pub fn explain(basis: &Basis<'_>, boat: &Text, sounding: &Sounding, slope: f64) -> Vec<Term> {
    let d = &basis.settings.defaults;
    let setups = Setups::new(basis.setups);
    let said = said_at(setups.of(boat), sounding.time);
    let below = below_surface(sounding, &said, &Casts::new(basis.casts, d), d);
    let stage =
        StageRecord::along(basis.stages, basis.gauges, basis.river, d).find(sounding.time, sounding.at);
    let told = sounding.speed_mm_s.map(|v| v as f32 / 1000.0);
    let point = Point { speed: told.unwrap_or(d.speed as f32), ..Point::lone(sounding, below.range) };
    let m = measured_of(sounding, &below, &point, &said, stage.u95, basis.settings);
    let (level, sloped) = (Level::of(&m, d), Sloped::of(&m, slope, d));
    let indicated = f64::from(sounding.depth_mm) / 1000.0;
    let below_transducer = below.range / below.sound.factor;
    let term = |name, value, uncertainty95| Term { name, value, uncertainty95 };
    let beam = HalfBeam::of(d).correction(m.range, slope);
    let mut terms = vec![
        term("indicated depth", indicated, level.instrument),
        term("measured from", below_transducer - indicated, level.reference),
        term("sound speed", below.range - below_transducer, level.sound),
        term("draft", below.depth - below.range, level.draft),
        term("stage", -stage.level, level.stage),
        term("levelling", 0.0, 0.0),
        term("datum of the adopted survey", 0.0, d.datum_unknown),
        term("heave", 0.0, level.heave),
        term("settlement", 0.0, level.settlement),
        term("beam on the slope", beam, sloped.beam),
        term("position on the slope", 0.0, sloped.position),
        term("lag on the slope", 0.0, sloped.lag),
    ];
    let levels = Levels::new(basis.levelling);
    match levels.of(boat) {
        Some(of) => {
            let after = After::of(Some(of), sounding, (&m, below.range, level.settlement), d);
            terms.iter_mut().for_each(|t| levelled(t, &after, &m));
        }
        None => terms.retain(|t| t.name != "levelling"),
    }
    if !basis.adopted {
        terms.retain(|t| t.name != "datum of the adopted survey");
    }
    terms
}

/// What a levelling changes in a term: it stands in place of what is known of draft, reference and stage, and it
/// knows how noisy the boat proved.
fn levelled(t: &mut Term, after: &After, m: &Measured) {
    let root = |factor: f32| f64::from(factor).sqrt();
    match (t.name, after.tied) {
        ("indicated depth" | "heave", _) => t.uncertainty95 *= root(after.noise),
        ("position on the slope", _) => t.uncertainty95 *= root(after.place),
        ("lag on the slope", _) => t.uncertainty95 *= after.lag_s / m.lag_s.max(1e-9),
        ("measured from" | "draft" | "stage", Some(_)) => t.uncertainty95 = 0.0,
        ("datum of the adopted survey", Some(_)) => t.uncertainty95 = 0.0,
        ("sound speed", Some(tied)) => t.uncertainty95 = tied.sound95,
        ("settlement", Some(tied)) => t.uncertainty95 = tied.settlement95,
        ("levelling", Some(tied)) => {
            t.value = -tied.correction;
            t.uncertainty95 = ONE_DIMENSION_95 * (tied.left.own + tied.left.common).sqrt();
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fix::tests::plain;
    use leadline_model::{DepthFrom, UtcMillis};

    #[test]
    fn values_add_up_to_the_depth() {
        let boat = Text::new("Wren").expect("name");
        let setup = Setup {
            boat: boat.clone(),
            from: UtcMillis(0),
            draft_mm: Some(350),
            sound_speed_mm_s: Some(1_500_000),
            temp_centi: Some(1000),
            lag_ms: None,
        };
        let stage = StageReading { gauge: Text::new("g").expect("name"), at: UtcMillis(0), level_mm: 800 };
        let settings = Settings::default();
        let basis = Basis {
            settings: &settings,
            setups: &[setup],
            stages: &[stage],
            casts: &[],
            gauges: &[],
            river: &[],
            levelling: None,
            adopted: false,
        };
        // By hand: 5.000 · 1447.279/1500 = 4.8243; + 0.35 − 0.80 = 4.3743; beam: 4.8243 · (√1.01 − 1) = 0.0241.
        let terms = explain(&basis, &boat, &plain(), 0.1);
        let sum: f64 = terms.iter().map(|t| t.value).sum();
        assert!((sum - 4.3984).abs() < 1e-4, "{terms:?}");
        // The worked example of docs/method.md.
        let example = explain(&basis, &boat, &plain(), 0.05);
        let total = example.iter().map(|t| t.uncertainty95 * t.uncertainty95).sum::<f64>().sqrt();
        assert!((total - 0.209).abs() < 5e-4, "{total}");
        // From the surface: (5 − 0.35) · 0.964853 + 0.35 − 0.80 = 4.0366; beam: 4.4866 · (√1.01 − 1) = 0.0224.
        let surface = Sounding { from: DepthFrom::Surface, ..plain() };
        let sum: f64 = explain(&basis, &boat, &surface, 0.1).iter().map(|t| t.value).sum();
        assert!((sum - 4.0590).abs() < 1e-4);
        let named = |n: &str| terms.iter().find(|t| t.name == n).map(|t| t.uncertainty95);
        // 1.96 · 2.0/√2 · 0.1 and 0.5 s · 2 m/s · 0.1.
        assert!(named("position on the slope").is_some_and(|u| (u - 0.2772).abs() < 1e-3));
        assert!(named("lag on the slope").is_some_and(|u| (u - 0.1).abs() < 1e-9));
    }
}
