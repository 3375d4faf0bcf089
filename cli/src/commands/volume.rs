//! `volume`: area and volume of the water against its stage.

use super::{chart, open};
use crate::args::{Cli, VolumeArgs};
use crate::failure::Failure;
use crate::{shapes, talk};
use leadline_chart::{
    Banded, DEFAULT_LONG_SIDE_PX, MAX_STAGES, VolumeTable, Water, chart_png, stages, volume_csv, volume_svg,
    volume_table,
};
use leadline_model::{Cell, StageReading};
use leadline_survey::replace_file;
use serde_json::{Value, json};
use std::path::Path;

/// Rows of a table whose steps nobody chose, about.
const ROWS: f64 = 20.0;

pub(crate) fn run(cli: &Cli, a: &VolumeArgs) -> Result<(), Failure> {
    let kind = a.output.as_deref().map(Kind::of).transpose()?;
    let (_, store) = open(cli)?;
    let computed = store.compute()?;
    let cells = &computed.reduced.cells;
    if cells.is_empty() {
        return Err(Failure::Input("no depths yet; begin with: leadline import FILE --boat NAME".to_owned()));
    }
    let info = chart::info(cli, &store, &computed, None)?;
    let list = asked(a, cells, &info.readings)?;
    let water = match &a.area {
        Some(path) => Water::within(&shapes::water(path)?),
        None => Water::around(cells),
    };
    let surface = chart::surface(cli, &computed);
    let table = volume_table(&surface, &water, &list);
    if table.known_m2 <= 0.0 {
        return Err(Failure::Input(match surface.blank_reason() {
            Some(reason) => format!("no volume: {reason}"),
            None => "nothing is known inside that area; is it the area of this survey?".to_owned(),
        }));
    }
    if let Some((path, kind)) = a.output.as_deref().zip(kind) {
        let bytes = match kind {
            Kind::Csv => {
                let mut bytes = Vec::new();
                volume_csv(&table, &info, &mut bytes).map_err(Failure::output(path))?;
                bytes
            }
            Kind::Svg => volume_svg(&table, &info).into_bytes(),
            Kind::Png => chart_png(&volume_svg(&table, &info), DEFAULT_LONG_SIDE_PX)
                .map_err(|e| Failure::Input(e.to_string()))?,
        };
        replace_file(path, &bytes)?;
    }
    if cli.json {
        return talk::json(&as_json(&table, a.output.as_deref()));
    }
    say(cli, &table)?;
    a.output.as_ref().map_or(Ok(()), |path| talk::say(&format!("\n{}", path.display())))
}

#[derive(Clone, Copy)]
enum Kind {
    Csv,
    Svg,
    Png,
}

impl Kind {
    fn of(path: &Path) -> Result<Self, Failure> {
        match path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase).as_deref() {
            Some("csv") => Ok(Self::Csv),
            Some("svg") => Ok(Self::Svg),
            Some("png") => Ok(Self::Png),
            _ => Err(Failure::Input(format!("{}: name it .csv, .svg or .png", path.display()))),
        }
    }
}

/// The stages asked for; what was not said comes from the depths and the gauge readings.
fn asked(a: &VolumeArgs, cells: &[Cell], readings: &[StageReading]) -> Result<Vec<f64>, Failure> {
    let usual = |what: &str, v: Option<f64>| match v {
        Some(v) if v.is_nan() || v.abs() > 10_000.0 => Err(Failure::Input(format!(
            "{what} {v}: metres above the sounding datum, between -10000 and 10000"
        ))),
        v => Ok(v),
    };
    let (from, to) = (usual("--from", a.from)?, usual("--to", a.to)?);
    let deepest = cells.iter().map(|c| c.depth_m).fold(f64::NEG_INFINITY, f64::max);
    let highest = readings.iter().map(|r| f64::from(r.level_mm) / 1000.0).fold(0.0, f64::max);
    let (low, high) = (from.unwrap_or(-deepest), to.unwrap_or(highest.max(from.unwrap_or(0.0))));
    let step = match a.step {
        Some(s) if !(s > 0.0 && s.is_finite()) => {
            return Err(Failure::Input(format!("--step {s}: metres, more than 0")));
        }
        Some(s) => s,
        None => round_step((high - low) / ROWS),
    };
    let low = from.unwrap_or_else(|| (low / step).floor() * step);
    let high = to.unwrap_or_else(|| (high / step).ceil() * step);
    if high < low {
        return Err(Failure::Input(format!("--from {low} lies above --to {high}: no stage between them")));
    }
    if (high - low) / step >= MAX_STAGES as f64 {
        return Err(Failure::Input(format!("more than {MAX_STAGES} rows; use a larger --step")));
    }
    Ok(stages(low, high, step))
}

/// 1, 2 or 5 times a power of ten, not below `rough`; at least a centimetre.
fn round_step(rough: f64) -> f64 {
    let steps = (-2..4).flat_map(|p| [1.0, 2.0, 5.0].map(|m| m * 10f64.powi(p)));
    steps.into_iter().find(|s| *s >= rough).unwrap_or(10_000.0)
}

fn say(cli: &Cli, table: &VolumeTable) -> Result<(), Failure> {
    let (unit, name) = cli.units.factor();
    talk::say(&format!(
        "{:>10} {:>14} {:>14} {:>9} {:>9}  {}",
        format!("stage, {name}"),
        "area, m²",
        "volume, m³",
        "± 95 %",
        format!("mean, {name}"),
        "rim under water"
    ))?;
    for r in &table.rows {
        let v = r.volume_m3;
        let band =
            if v.best > 0.0 { format!("{:.1} %", 50.0 * (v.high - v.low) / v.best) } else { "-".to_owned() };
        let mean = r.mean_depth_m().map_or_else(|| "-".to_owned(), |m| format!("{:.2}", m / unit));
        talk::say(&format!(
            "{:>10.2} {:>14.0} {:>14.0} {band:>9} {mean:>9}  {:.0} %",
            r.stage_m / unit,
            r.area_m2.best,
            v.best,
            100.0 * r.open_rim
        ))?;
    }
    let known = table.known_m2;
    talk::say(&format!(
        "\nOf the surveyed part: {known:.0} m². Unknown and in no figure: {:.0} m² ({:.0} % of the outline).",
        table.unknown_m2,
        100.0 * table.unknown_m2 / (known + table.unknown_m2)
    ))?;
    talk::say(
        "Where the rim is under water, the water goes on beyond the soundings: there the figures are of the surveyed part only.",
    )
}

fn as_json(table: &VolumeTable, path: Option<&Path>) -> Value {
    let banded = |b: Banded| json!({"best": b.best, "low95": b.low, "high95": b.high});
    let rows: Vec<Value> = table
        .rows
        .iter()
        .map(|r| {
            json!({
                "stage_m": r.stage_m, "area_m2": banded(r.area_m2), "volume_m3": banded(r.volume_m3),
                "mean_depth_m": r.mean_depth_m(), "deepest_m": r.deepest_m, "open_rim": r.open_rim,
            })
        })
        .collect();
    json!({
        "rows": rows, "known_m2": table.known_m2, "unknown_m2": table.unknown_m2,
        "square_cells": table.square_cells, "shared95_m": table.shared95_m, "path": path,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_round() {
        for (rough, step) in
            [(0.0, 0.01), (0.012, 0.02), (0.3, 0.5), (0.5, 0.5), (7.0, 10.0), (1e9, 10_000.0)]
        {
            assert!((round_step(rough) - step).abs() < 1e-9, "{rough}");
        }
    }
}
