//! `boat bar-check`: the draft, and how wrong the assumed sound speed is, from a plate at known depths.
//!
//! With the plate at depth p under the water the sounder shows (p − draft) · assumed / true speed: a straight line in
//! p, whose slope is the ratio of the speeds.

use crate::args::Cli;
use crate::failure::Failure;
use crate::talk;
use clap::Args;
use serde_json::json;

/// Spread of the plates without which their slope says nothing, metres (judgement).
const LEAST_SPREAD_M: f64 = 1.0;
/// Ratios of assumed to true sound speed that fresh and salt water allow, with room for bad readings.
const RATIOS: std::ops::RangeInclusive<f64> = 0.90..=1.10;

/// What `boat bar-check` is told.
#[derive(Clone, Debug, Args)]
pub(crate) struct BarArgs {
    /// The boat
    pub name: String,
    /// A plate's depth under the water and what the sounder showed, metres
    #[arg(long = "plate", required = true, value_name = "DEPTH=SHOWN", value_parser = plate)]
    pub plates: Vec<(f64, f64)>,
    /// Sound speed the sounder assumes, m/s: then the true one is told too
    #[arg(long, value_name = "M/S")]
    pub sound_speed: Option<f64>,
}

fn plate(text: &str) -> Result<(f64, f64), String> {
    let metres = |t: &str| t.trim().parse::<f64>().ok().filter(|m| (0.0..=100.0).contains(m));
    text.split_once('=')
        .and_then(|(depth, shown)| metres(depth).zip(metres(shown)))
        .ok_or_else(|| "write the plate's depth and what the sounder showed, such as 2.00=1.62".to_owned())
}

/// What the plates say.
#[derive(Debug, PartialEq)]
struct Bar {
    draft_m: f64,
    /// Assumed by true sound speed, if the plates tell.
    ratio: Option<f64>,
    /// Root mean square of what is left, metres; of three plates or more.
    left_m: Option<f64>,
}

fn solve(plates: &[(f64, f64)]) -> Result<Bar, &'static str> {
    let n = plates.len() as f64;
    let mean = |f: fn(&(f64, f64)) -> f64| plates.iter().map(f).sum::<f64>() / n;
    let (p, i) = (mean(|q| q.0), mean(|q| q.1));
    let spread = plates.iter().map(|q| q.0).fold(f64::MIN, f64::max)
        - plates.iter().map(|q| q.0).fold(f64::MAX, f64::min);
    let ratio = (spread >= LEAST_SPREAD_M).then(|| {
        let along: f64 = plates.iter().map(|q| (q.0 - p) * (q.1 - i)).sum();
        along / plates.iter().map(|q| (q.0 - p) * (q.0 - p)).sum::<f64>()
    });
    if ratio.is_some_and(|r| !RATIOS.contains(&r)) {
        return Err(
            "these readings fit no speed of sound in water: check that each depth stands with its own reading",
        );
    }
    let k = ratio.unwrap_or(1.0);
    let draft_m = p - i / k;
    let left = plates.iter().map(|q| (q.1 - (q.0 - draft_m) * k).powi(2)).sum::<f64>();
    Ok(Bar { draft_m, ratio, left_m: (plates.len() > 2).then(|| (left / n).sqrt()) })
}

pub(crate) fn run(cli: &Cli, a: &BarArgs) -> Result<(), Failure> {
    let bar = solve(&a.plates).map_err(|why| Failure::Input(why.to_owned()))?;
    let speed = a.sound_speed.zip(bar.ratio).map(|(assumed, ratio)| assumed / ratio);
    if cli.json {
        return talk::json(&json!({
            "boat": a.name, "draft_m": bar.draft_m, "assumed_by_true": bar.ratio, "true_sound_speed_m_s": speed,
            "left_m": bar.left_m,
        }));
    }
    talk::say(&format!("draft {:.2} m", bar.draft_m))?;
    match bar.ratio {
        Some(ratio) => {
            let way = if ratio > 1.0 { "too deep" } else { "too shallow" };
            talk::say(&format!(
                "the sounder shows {:.1} % {way} below the transducer",
                (ratio - 1.0).abs() * 100.0
            ))?;
        }
        None => talk::say(
            "one depth of the plate tells nothing of the sound speed; a second one 2 m deeper does",
        )?,
    }
    if let Some(speed) = speed {
        talk::say(&format!("sound travels here at {speed:.0} m/s"))?;
    }
    if let Some(left) = bar.left_m {
        talk::say(&format!("the readings agree within {left:.2} m"))?;
    }
    talk::say(&format!(
        "Next: leadline boat set {} --draft {:.2}   (nothing was changed yet)",
        leadline_model::escaped(&a.name),
        bar.draft_m
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plates_give_draft_and_speed() {
        // Draft 0.40 m, assumed 1,500 m/s, true 1,440 m/s: worked by hand from the formula above.
        let shown = |p: f64| (p - 0.4) * 1500.0 / 1440.0;
        let bar = solve(&[2.0, 4.0, 6.0].map(|p| (p, shown(p)))).expect("sound");
        assert!((bar.draft_m - 0.4).abs() < 1e-9 && bar.left_m.is_some_and(|l| l < 1e-9), "{bar:?}");
        assert!(bar.ratio.is_some_and(|r| (r - 1.041_666_7).abs() < 1e-6));
        let bar = solve(&[(2.0, 1.62)]).expect("sound");
        assert!((bar.draft_m - 0.38).abs() < 1e-9 && bar.ratio.is_none() && bar.left_m.is_none());
        assert!(solve(&[(2.0, 3.6), (4.0, 1.6)]).is_err(), "exchanged");
        assert!(
            plate("2=1.6").is_ok() && plate("2").is_err() && plate("2=x").is_err() && plate("-1=1").is_err()
        );
    }
}
