//! `coverage`: how much of the water is known, how well, and where the holidays are.

use super::{chart, open};
use crate::args::Cli;
use crate::failure::Failure;
use crate::files::{VectorFormat, write_layers};
use crate::{shapes, talk, units};
use clap::Args;
use leadline_chart::{
    ChartInfo, Coverage, CoverageSettings, Layer, Shape, Water, Weak, Weakness, coverage_layers, coverage_svg,
};
use serde_json::{Value, json};
use std::path::{Path, PathBuf};

/// Weak spots printed as text.
const SHOWN: usize = 10;

/// `coverage`
#[derive(Debug, Args)]
pub(crate) struct CoverageArgs {
    /// A drawn water, such as the shore with its islands: GeoJSON, or a CSV file of corners with columns lon and lat
    #[arg(long, value_name = "FILE")]
    pub area: Option<PathBuf>,
    /// Height of the water above the sounding datum; without it the datum itself
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    pub stage: Option<f64>,
    /// Full angle of the sounder's beam, for the share of the bed that it saw
    #[arg(long, value_name = "DEG", default_value_t = 8.0)]
    pub beam: f64,
    /// The picture (.png, .svg), or areas and places for other programs (.geojson, .gpkg, .kml, .gpx, .csv)
    #[arg(short, long = "output", value_name = "FILE")]
    pub output: Option<PathBuf>,
}

pub(crate) fn run(cli: &Cli, a: &CoverageArgs) -> Result<(), Failure> {
    let stage_m = units::stage(a.stage)?;
    if !(0.5..=90.0).contains(&a.beam) {
        return Err(Failure::Input(format!("--beam {}: degrees of the full angle, 0.5 to 90", a.beam)));
    }
    let output = a.output.as_deref().map(Output::of).transpose()?;
    let drawn = a.area.as_deref().map(shapes::water).transpose()?;
    let (_, store) = open(cli)?;
    let computed = store.compute()?;
    let cells = &computed.reduced.cells;
    if cells.is_empty() && drawn.is_none() {
        return Err(Failure::Input(
            "no depths yet, so there is no water to look at; begin with: leadline import FILE --boat NAME"
                .to_owned(),
        ));
    }
    let mut info = chart::info(cli, &store, &computed, a.stage)?;
    info.stage_m = stage_m;
    let surface = chart::surface(cli, &computed);
    let water = drawn.as_deref().map_or_else(|| Water::around(cells), Water::within);
    let settings = CoverageSettings { stage_m, beam_deg: a.beam };
    let coverage = Coverage::of(&surface, &computed.reduced.soundings, &water, &settings);
    if coverage.area_m2 <= 0.0 {
        return Err(Failure::Input(
            "the area holds not one cell of the survey grid (about 3 m); draw a larger one".to_owned(),
        ));
    }
    if let Some(path) = &a.output {
        let mut layers = coverage_layers(&coverage);
        if output == Some(Output::Layers(VectorFormat::Csv)) {
            // A table holds one layer of points.
            layers.retain(|l| l.name == "weak_places");
        }
        write(path, || coverage_svg(&coverage, &surface, &info), layers, &info)?;
    }
    if cli.json {
        return talk::json(&as_json(&coverage, a.output.as_deref()));
    }
    say(cli, &coverage)?;
    talk::say(&format!("\n{}", units::stage_words(a.stage, cli)))?;
    a.output.as_ref().map_or(Ok(()), |path| talk::say(&path.display().to_string()))
}

/// What a file is to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Output {
    /// A picture.
    Picture(chart::Kind),
    /// Features for other programs.
    Layers(VectorFormat),
}

impl Output {
    /// By the file's ending.
    pub(crate) fn of(path: &Path) -> Result<Self, Failure> {
        if let Ok(kind) = chart::Kind::of(path) {
            return Ok(Self::Picture(kind));
        }
        VectorFormat::of(path).map(Self::Layers).map_err(|_| {
            Failure::Input(format!(
                "{}: name it .png or .svg for a picture, .geojson, .kml, .gpx or .gpkg for other programs",
                path.display()
            ))
        })
    }
}

/// Writes a picture where the file's ending says so, else the layers. GPX has no areas: it gets the rest.
pub(crate) fn write(
    path: &Path,
    svg: impl FnOnce() -> String,
    mut layers: Vec<Layer>,
    info: &ChartInfo,
) -> Result<(), Failure> {
    match Output::of(path)? {
        Output::Picture(kind) => chart::write(path, kind, &svg()),
        Output::Layers(format) => {
            if format == VectorFormat::Gpx {
                layers.retain(|l| !l.features.iter().any(|f| matches!(f.shape, Shape::Areas(_))));
            }
            format.check(&layers)?;
            write_layers(path, &layers, info)
        }
    }
}

fn say(cli: &Cli, c: &Coverage) -> Result<(), Failure> {
    let share = |m2: f64| 100.0 * m2 / c.area_m2;
    let what = if c.drawn { "the drawn area" } else { "the water around the soundings" };
    talk::say(&format!("{:.0} m² ({what})", c.area_m2))?;
    for (word, m2) in
        ["sure", "fair", "loose", "unknown"].iter().zip(c.graded_m2.iter().chain([&c.unknown_m2]))
    {
        talk::say(&format!("  {word:<9} {:>5.1} %  {m2:>12.0} m²", share(*m2)))?;
    }
    talk::say(&format!(
        "  {:<9} {:>5.1} %  {:>12.0} m²  farther from every sounding than half of max(3 × depth, 25 m)",
        "holiday",
        share(c.holiday_m2),
        c.holiday_m2
    ))?;
    if c.disputed_cells > 0 {
        talk::say(&format!("  disputed  {} cells", c.disputed_cells))?;
    }
    if !c.weak.is_empty() {
        talk::say("\nWeak spots, by kind, largest first:")?;
        for kind in [Weakness::Holiday, Weakness::Disputed, Weakness::Loose] {
            for w in c.weak_of(kind).take(SHOWN) {
                talk::say(&row(cli, w))?;
            }
            let more = c.weak_of(kind).count().saturating_sub(SHOWN);
            if more > 0 {
                talk::say(&format!("  and {more} more ({})", kind.word()))?;
            }
        }
    }
    if c.smaller > 0 {
        talk::say(&format!("  and {} spots under 100 m²", c.smaller))?;
    }
    lines(c)?;
    if !c.drawn {
        talk::say(
            "\nNo shore was drawn: water beyond the soundings is in no figure, and land between them counts as water. \
             --area FILE mends both.",
        )?;
    }
    Ok(())
}

fn row(cli: &Cli, w: &Weak) -> String {
    let p = w.middle.lonlat();
    let depth = match w.depths_m {
        Some((a, b)) => format!("{} to {} deep", cli.units.depth(a), cli.units.depth(b)),
        None => "depth unknown".to_owned(),
    };
    format!("  {:<9} {:>9.0} m²  at {:.6},{:.6}  {depth}", w.what.word(), w.area_m2, p.lon, p.lat)
}

fn lines(c: &Coverage) -> Result<(), Failure> {
    let l = &c.lines;
    let Some(axis) = l.main_axis_deg else { return Ok(()) };
    talk::say(&format!(
        "\nDriven {:.2} km, mainly {:03.0}°/{:03.0}°. Soundings on a line {:.1} m apart (95 % under {:.1} m), lines {:.1} m apart (95 % under {:.1} m).",
        l.length_m / 1000.0,
        axis,
        axis + 180.0,
        l.along.median_m,
        l.along.p95_m,
        l.across.median_m,
        l.across.p95_m
    ))?;
    talk::say(&format!(
        "Cross lines: {:.1} % of the main lines' length. A beam of {}° saw {:.1} % of the bed.",
        100.0 * l.cross_share(),
        c.settings.beam_deg,
        100.0 * l.footprint_share
    ))
}

fn as_json(c: &Coverage, path: Option<&Path>) -> Value {
    let weak: Vec<Value> = c.weak.iter().map(weak_json).collect();
    let gaps =
        |g: leadline_chart::Gaps| json!({"median_m": g.median_m, "p95_m": g.p95_m, "most_m": g.most_m});
    let l = &c.lines;
    json!({
        "area_m2": c.area_m2, "drawn": c.drawn, "stage_m": c.settings.stage_m, "square_cells": c.square_cells,
        "grades_m2": {"sure": c.graded_m2[0], "fair": c.graded_m2[1], "loose": c.graded_m2[2], "unknown": c.unknown_m2},
        "holiday_m2": c.holiday_m2, "disputed_cells": c.disputed_cells, "weak": weak, "smaller": c.smaller,
        "lines": {
            "length_m": l.length_m, "main_axis_deg": l.main_axis_deg, "main_m": l.main_m, "cross_m": l.cross_m,
            "cross_share": l.cross_share(), "along": gaps(l.along), "across": gaps(l.across),
            "beam_deg": c.settings.beam_deg, "footprint_share": l.footprint_share,
        },
        "path": path,
    })
}

fn weak_json(w: &Weak) -> Value {
    let p = w.middle.lonlat();
    json!({
        "what": w.what.word(), "area_m2": w.area_m2, "lon": p.lon, "lat": p.lat, "widest_m": finite(w.widest_m),
        "shoalest_m": w.depths_m.map(|d| d.0), "deepest_m": w.depths_m.map(|d| d.1),
    })
}

/// No sounding at all is infinitely far; JSON has no such number.
fn finite(v: f64) -> Option<f64> {
    v.is_finite().then_some(v)
}
