//! Contour levels at choice.

use crate::args::{Cli, UnitArg};
use crate::failure::Failure;
use clap::Args;
use leadline_chart::{ChartInfo, Levels, Surface, Units};

/// Deeper than any water, and higher than any bed.
const MOST_M: f64 = 12_000.0;

/// Which depths get a contour; without either, steps chosen for the survey's depths.
#[derive(Clone, Debug, Default, Args)]
pub(crate) struct LevelArgs {
    /// Depths of the contours, in the unit of --units; a number may carry its own: 2m, 6ft, 1fm
    #[arg(long, value_name = "LIST", allow_hyphen_values = true)]
    pub levels: Option<String>,
    /// A contour at each multiple of this, in the unit of --units or its own
    #[arg(long, value_name = "STEP", conflicts_with = "levels", allow_hyphen_values = true)]
    pub step: Option<String>,
}

impl LevelArgs {
    /// Refuses what no survey can have, before anything is computed.
    pub(crate) fn check(&self, cli: &Cli) -> Result<(), Failure> {
        self.listed(cli).and(self.stepped(cli)).map(drop)
    }

    /// The levels for `surface` at the stage of `info`.
    pub(crate) fn of(&self, cli: &Cli, surface: &Surface, info: &ChartInfo) -> Result<Levels, Failure> {
        if let Some(levels) = self.listed(cli)? {
            return Ok(levels);
        }
        match self.stepped(cli)? {
            None => Ok(surface.levels(info.stage_m, info.units)),
            Some(step_m) => {
                let Some((lo, hi)) = surface.safe_range_m() else { return Ok(Levels::default()) };
                Levels::every(step_m, lo + info.stage_m, hi + info.stage_m)
                    .map_err(|e| Failure::Input(format!("--step: {e}")))
            }
        }
    }

    fn listed(&self, cli: &Cli) -> Result<Option<Levels>, Failure> {
        let Some(text) = &self.levels else { return Ok(None) };
        let list: Result<Vec<f64>, Failure> =
            text.split(',').map(|t| metres("--levels", t.trim(), cli.units)).collect();
        Levels::new(list?).map(Some).map_err(|e| Failure::Input(format!("--levels: {e}")))
    }

    fn stepped(&self, cli: &Cli) -> Result<Option<f64>, Failure> {
        let Some(text) = &self.step else { return Ok(None) };
        match metres("--step", text.trim(), cli.units)? {
            step if step > 0.0 => Ok(Some(step)),
            _ => Err(Failure::Input(format!("--step {text}: from one contour to the next, more than 0"))),
        }
    }
}

/// A depth as typed, with or without its own unit, in metres.
fn metres(what: &str, text: &str, usual: UnitArg) -> Result<f64, Failure> {
    let number = text.trim_end_matches(|c: char| c.is_ascii_alphabetic());
    let unit = match &text[number.len()..] {
        "" => units(usual),
        "m" => Units::Metres,
        "ft" => Units::Feet,
        "fm" => Units::Fathoms,
        _ => return Err(no_depth(what, text)),
    };
    let value: f64 = number.trim_end().parse().map_err(|_| no_depth(what, text))?;
    // To the micrometre, so that 6ft and 1fm are one level.
    let metres = (value * unit.in_metres() * 1e6).round() / 1e6;
    if metres.abs() <= MOST_M {
        Ok(metres)
    } else {
        Err(Failure::Input(format!("{what} {text}: no water is that deep; between -12000 m and 12000 m")))
    }
}

fn no_depth(what: &str, text: &str) -> Failure {
    Failure::Input(format!(
        "{what}: {:?} is no depth; give numbers such as 1,2,5,10, or 2m, 6ft, 1fm",
        leadline_model::escaped(text)
    ))
}

/// The chart's word for the unit typed.
pub(crate) fn units(arg: UnitArg) -> Units {
    match arg {
        UnitArg::M => Units::Metres,
        UnitArg::Ft => Units::Feet,
        UnitArg::Fm => Units::Fathoms,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn depths_carry_their_unit() {
        // 1 ft = 0.3048 m, 1 fm = 6 ft (international yard and pound agreement, 1959).
        for (text, usual, m) in [
            ("2", UnitArg::M, 2.0),
            ("-0.5", UnitArg::M, -0.5),
            ("6", UnitArg::Ft, 1.8288),
            ("6ft", UnitArg::M, 1.8288),
            ("1 fm", UnitArg::Ft, 1.8288),
            ("3m", UnitArg::Fm, 3.0),
        ] {
            assert!((metres("--levels", text, usual).expect(text) - m).abs() < 1e-12, "{text}");
        }
        let same = |a, b| metres("--levels", a, UnitArg::M).ok() == metres("--levels", b, UnitArg::M).ok();
        assert!(same("6ft", "1fm") && !same("6ft", "2m"));
        for text in ["", "m", "2km", "2,5", "NaN", "inf", "1e9", "0x10", "2mm"] {
            assert!(metres("--levels", text, UnitArg::M).is_err(), "{text}");
        }
    }
}
