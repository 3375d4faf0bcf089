//! `chart`: the picture, the page to print, the pocket chart.

use super::open;
use crate::args::Cli;
use crate::failure::Failure;
use crate::files::write_file;
use crate::levels::{self, LevelArgs};
use crate::{talk, units};
use clap::{Args, ValueEnum};
use leadline_chart::{
    ChartInfo, DEFAULT_LONG_SIDE_PX, PaperSize, PlanSettings, SheetSettings, Surface, Theme, Touch, Turn,
    chart_pdf, chart_png, chart_sheet, chart_svg, sheet_words,
};
use leadline_model::{CAUTION, PRODUCT};
use leadline_survey::{Computed, KnownMark, Store};
use leadline_view::{Shown, pocket_chart, surface_of};
use serde_json::json;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Water kept under the boat when shading where it would touch, metres (common practice, no source).
pub(crate) const TOUCH_MARGIN_M: f64 = PlanSettings::MARGIN_M;

/// `chart`
#[derive(Debug, Args)]
pub(crate) struct ChartArgs {
    /// The picture: .png, .svg, .pdf to print, or .html: a pocket chart for a phone
    #[arg(short, long = "output", value_name = "FILE")]
    pub output: PathBuf,
    /// Height of the water above the sounding datum, metres
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    pub stage: Option<f64>,
    /// Your boat's deepest part below the water line, metres: shallower water is hatched
    #[arg(long, value_name = "M")]
    pub draft: Option<f64>,
    /// Paper that the sheet fills; usually A3, and A4 for a PDF
    #[arg(long, value_name = "PAPER", ignore_case = true)]
    pub size: Option<PaperArg>,
    /// Turn the paper wider than high; without it, whichever shows the water larger
    #[arg(long)]
    pub landscape: bool,
    /// Turn the paper higher than wide
    #[arg(long, conflicts_with = "landscape")]
    pub portrait: bool,
    /// Draw at 1 : N when printed at full size; without it, as large as fits
    #[arg(long, value_name = "N", allow_negative_numbers = true)]
    pub scale: Option<f64>,
    /// Of waters too far apart for one sheet, the one nearest to this place
    #[arg(long, value_name = "LON,LAT", allow_hyphen_values = true)]
    pub near: Option<String>,
    /// Draw the boats' tracks
    #[arg(long)]
    pub tracks: bool,
    #[command(flatten)]
    pub levels: LevelArgs,
    /// Marks on the sheet; usually all, and in a pocket chart (.html) those that the crew has
    #[arg(long, value_name = "WHICH")]
    pub marks: Option<MarksArg>,
    /// Dark sheet for a cabin at night
    #[arg(long)]
    pub dark: bool,
}

/// Which marks are drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum MarksArg {
    /// Those of this device alone, too
    All,
    /// Those that the crew has
    Shared,
    /// None
    None,
}

/// Papers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum PaperArg {
    /// 297 x 420 mm
    A3,
    /// 210 x 297 mm
    A4,
    /// 8.5 x 11 inches
    Letter,
}

impl ChartArgs {
    fn settings(&self, kind: Kind) -> Result<SheetSettings, Failure> {
        let usual = if kind == Kind::Pdf { PaperSize::A4 } else { PaperSize::A3 };
        let paper = self.size.map_or(usual, |p| match p {
            PaperArg::A3 => PaperSize::A3,
            PaperArg::A4 => PaperSize::A4,
            PaperArg::Letter => PaperSize::Letter,
        });
        let turn = match (self.landscape, self.portrait) {
            (true, _) => Some(Turn::Landscape),
            (_, true) => Some(Turn::Portrait),
            _ => None,
        };
        let theme = if self.dark { Theme::Dark } else { Theme::Light };
        let near = self.near.as_deref().map(|t| units::place("--near", t)).transpose()?.map(|(_, p)| p);
        Ok(SheetSettings { paper, turn, theme, scale: self.scale, near })
    }
}

pub(crate) fn run(cli: &Cli, a: &ChartArgs) -> Result<(), Failure> {
    let stage_m = units::stage(a.stage)?;
    if a.draft.is_some_and(|d| !(0.0..=20.0).contains(&d)) {
        return Err(Failure::Input("--draft: metres below the water line, 0 to 20".into()));
    }
    let kind = Kind::of(&a.output)?;
    let settings = a.settings(kind)?;
    a.levels.check(cli)?;
    let (_, store) = open(cli)?;
    let computed = store.compute()?;
    let mut info = info(cli, &store, &computed, a.stage)?;
    info.stage_m = stage_m;
    info.tracks = a.tracks;
    info.touch = a.draft.map(|draft_m| Touch { draft_m, margin_m: TOUCH_MARGIN_M });
    let marks = chosen_marks(&store, which_marks(a.marks, kind)?)?;
    let private = marks.iter().filter(|m| !m.shared).count();
    info.marks = marks.iter().map(|m| m.mark.clone()).collect();
    let surface = surface(cli, &computed);
    let levels = a.levels.of(cli, &surface, &info)?;
    let svg = chart_sheet(&surface, &info, Some(&levels), &settings)
        .map_err(|e| Failure::Input(format!("{}: {e}", a.output.display())))?;
    let bytes = match kind {
        Kind::Pdf => {
            let words = sheet_words(&surface, &info);
            chart_pdf(&svg, &words.name, &words.about).map_err(|e| Failure::Input(e.to_string()))?
        }
        Kind::Html => return pocket(cli, a, &store, computed, &info, &marks),
        Kind::Png | Kind::Svg => bytes(kind, &svg)?,
    };
    write_file(&a.output, &bytes)?;
    note_private(private);
    if cli.json {
        return talk::json(&json!({
            "path": a.output, "stage_m": stage_m, "draft_m": a.draft, "cells": surface.n_cells(), "area_m2": surface.area_m2(),
            "marks": info.marks.len(), "private_marks": private,
        }));
    }
    if let Some(reason) = surface.blank_reason() {
        talk::note(&format!("The chart is blank: {reason}."));
    }
    talk::say(&format!("{} ({})", a.output.display(), units::stage_words(a.stage, cli)))
}

/// A pocket chart is made to be handed on.
fn which_marks(asked: Option<MarksArg>, kind: Kind) -> Result<MarksArg, Failure> {
    match (asked, kind) {
        (Some(MarksArg::All), Kind::Html) => Err(Failure::Input(
            "--marks all: a pocket chart holds only marks that the crew has; share yours first: leadline mark share all"
                .to_owned(),
        )),
        (None, Kind::Html) => Ok(MarksArg::Shared),
        (None, _) => Ok(MarksArg::All),
        (Some(which), _) => Ok(which),
    }
}

fn chosen_marks(store: &Store, which: MarksArg) -> Result<Vec<KnownMark>, Failure> {
    let mut all = store.marks()?;
    all.retain(|m| which == MarksArg::All || which == MarksArg::Shared && m.shared);
    Ok(all)
}

/// A sheet may be given away: says so if marks are on it that nobody else has.
fn note_private(marks: usize) {
    if marks > 0 {
        talk::note(&format!(
            "Marks that only this device has are on the sheet: {marks}. --marks shared leaves them out."
        ));
    }
}

/// The pocket chart: one file that is the map page, with no server.
fn pocket(
    cli: &Cli,
    a: &ChartArgs,
    store: &Store,
    computed: Computed,
    info: &ChartInfo,
    marks: &[KnownMark],
) -> Result<(), Failure> {
    let name = (info.survey.clone(), info.datum.clone());
    let version = store.holdings_digest()?.short();
    let shown = Shown::of(version, computed, &BTreeSet::new(), cli.between.into(), name);
    let made = pocket_chart(&shown, info, info.units, marks);
    write_file(&a.output, &made.html)?;
    let km2 = shown.surface.area_m2() / 1e6;
    if cli.json {
        return talk::json(&json!({
            "path": a.output, "stage_m": info.stage_m, "draft_m": a.draft, "cells": shown.surface.n_cells(),
            "area_m2": shown.surface.area_m2(), "bytes": made.html.len(), "tiles": made.tiles, "max_zoom": made.max_zoom,
        }));
    }
    if let Some(reason) = shown.surface.blank_reason() {
        talk::note(&format!("The chart is blank: {reason}."));
    }
    talk::say(&format!(
        "{} ({:.2} MB for {km2:.2} km²; opens in any browser from the files of a phone, with no server)",
        a.output.display(),
        made.html.len() as f64 / 1e6
    ))
}

/// Picture formats.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Pixels.
    Png,
    /// Vectors.
    Svg,
    /// A page to print.
    Pdf,
    /// A pocket chart.
    Html,
}

impl Kind {
    pub(crate) fn of(path: &Path) -> Result<Self, Failure> {
        match path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase).as_deref() {
            Some("png") => Ok(Self::Png),
            Some("svg") => Ok(Self::Svg),
            Some("pdf") => Ok(Self::Pdf),
            Some("html" | "htm") => Ok(Self::Html),
            _ => {
                Err(Failure::Input(format!("{}: name the picture .png, .svg, .pdf or .html", path.display())))
            }
        }
    }
}

/// The usual sheet as SVG.
pub(crate) fn draw(surface: &Surface, info: &ChartInfo) -> String {
    chart_svg(surface, info, None)
}

/// Writes a picture whole or not at all.
pub(crate) fn write(path: &Path, kind: Kind, svg: &str) -> Result<(), Failure> {
    if kind == Kind::Html {
        let name = path.display();
        return Err(Failure::Input(format!(
            "{name}: only `chart` makes a page of HTML; name this picture .png, .svg or .pdf"
        )));
    }
    write_file(path, &bytes(kind, svg)?)
}

/// A picture as pixels, as a page, or as it is.
pub(crate) fn bytes(kind: Kind, svg: &str) -> Result<Vec<u8>, Failure> {
    match kind {
        Kind::Png => chart_png(svg, DEFAULT_LONG_SIDE_PX).map_err(|e| Failure::Input(e.to_string())),
        Kind::Pdf => chart_pdf(svg, PRODUCT, CAUTION).map_err(|e| Failure::Input(e.to_string())),
        Kind::Svg | Kind::Html => Ok(svg.as_bytes().to_vec()),
    }
}

/// The surface of everything held, within the shore if one is drawn.
pub(crate) fn surface(cli: &Cli, computed: &Computed) -> Surface {
    surface_of(computed, cli.between.into())
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
        stage_text: stage.map_or_else(
            || units::stage_words(None, cli),
            |_| "The stage was given with the command.".to_owned(),
        ),
        touch: None,
        readings: computed.ground.stages_above_datum(),
        passes: computed.reduced.passes.clone(),
        newest: computed.reduced.cells.iter().map(|c| c.newest).max(),
        marks: store.marks()?.into_iter().map(|m| m.mark).collect(),
        units: levels::units(cli.units),
        tracks: false,
    })
}
