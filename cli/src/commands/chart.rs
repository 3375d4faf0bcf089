//! `chart`: the picture.

use super::open;
use crate::args::{ChartArgs, Cli};
use crate::failure::Failure;
use crate::files::write_file;
use crate::{levels, talk, units};
use leadline_chart::{
    ChartInfo, DEFAULT_LONG_SIDE_PX, Surface, SurfaceSettings, Touch, chart_png, chart_svg,
};
use leadline_survey::{Computed, Store};
use serde_json::json;
use std::path::Path;

/// Water kept under the boat when shading where it would touch, metres (common practice, no source).
pub(crate) const TOUCH_MARGIN_M: f64 = 0.3;

pub(crate) fn run(cli: &Cli, a: &ChartArgs) -> Result<(), Failure> {
    let stage_m = units::stage(a.stage)?;
    if a.draft.is_some_and(|d| !(0.0..=20.0).contains(&d)) {
        return Err(Failure::Input("--draft: metres below the water line, 0 to 20".into()));
    }
    let kind = Kind::of(&a.output)?;
    let (_, store) = open(cli)?;
    let computed = store.compute()?;
    let mut info = info(cli, &store, &computed, a.stage)?;
    info.stage_m = stage_m;
    info.touch = a.draft.map(|draft_m| Touch { draft_m, margin_m: TOUCH_MARGIN_M });
    let surface = Surface::new(&computed.reduced.cells, &SurfaceSettings::default());
    write(&a.output, kind, &draw(&surface, &info))?;
    if cli.json {
        return talk::json(&json!({
            "path": a.output, "stage_m": stage_m, "draft_m": a.draft, "cells": surface.n_cells(), "area_m2": surface.area_m2(),
        }));
    }
    if let Some(reason) = surface.blank_reason() {
        talk::note(&format!("The chart is blank: {reason}."));
    }
    talk::say(&format!("{} ({})", a.output.display(), units::stage_words(a.stage, cli)))
}

/// Picture formats.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Pixels.
    Png,
    /// Vectors.
    Svg,
}

impl Kind {
    pub(crate) fn of(path: &Path) -> Result<Self, Failure> {
        match path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase).as_deref() {
            Some("png") => Ok(Self::Png),
            Some("svg") => Ok(Self::Svg),
            _ => Err(Failure::Input(format!("{}: name the picture .png or .svg", path.display()))),
        }
    }
}

/// The sheet as SVG.
pub(crate) fn draw(surface: &Surface, info: &ChartInfo) -> String {
    chart_svg(surface, info, None)
}

/// Writes the sheet whole or not at all.
pub(crate) fn write(path: &Path, kind: Kind, svg: &str) -> Result<(), Failure> {
    write_file(path, &bytes(kind, svg)?)
}

/// The sheet as a file's bytes.
pub(crate) fn bytes(kind: Kind, svg: &str) -> Result<Vec<u8>, Failure> {
    match kind {
        Kind::Svg => Ok(svg.as_bytes().to_vec()),
        Kind::Png => chart_png(svg, DEFAULT_LONG_SIDE_PX).map_err(|e| Failure::Input(e.to_string())),
    }
}

/// What the sheet says about itself.
pub(crate) fn info(
    cli: &Cli,
    store: &Store,
    computed: &Computed,
    stage: Option<f64>,
) -> Result<ChartInfo, Failure> {
    let (survey, datum) =
        store.name()?.map(|(n, d)| (n.as_str().to_owned(), d.as_str().to_owned())).unwrap_or_default();
    Ok(ChartInfo {
        survey,
        datum,
        stage_m: stage.unwrap_or(0.0),
        stage_text: stage.map_or_else(|| units::stage_words(None, cli), |_| "the level asked for".to_owned()),
        touch: None,
        readings: computed.ground.stages_above_datum(),
        passes: computed.reduced.passes.clone(),
        newest: computed.reduced.cells.iter().map(|c| c.newest).max(),
        units: levels::units(cli.units),
        tracks: false,
    })
}
