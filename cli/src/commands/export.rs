//! `export`: for other programs.

mod csb;

use super::pixels::{self, PaintArgs, SurfaceArgs};
use super::{chart, open};
use crate::args::Cli;
use crate::failure::Failure;
use crate::files::{VectorFormat, layer_bytes, write_layers, write_layers_as};
use crate::levels::LevelArgs;
use crate::{talk, units};
use clap::{Args, Subcommand};
use leadline_chart::{
    ChartError, ChartInfo, Layer, Surface, areas_layer, cells_layer, contours_layer, marks_layer,
    passes_layer, selected_soundings_layer, soundings_layer,
};
use leadline_survey::Computed;
use serde_json::json;
use std::io::Write;
use std::path::{Path, PathBuf};

/// What `export` writes.
#[derive(Debug, Subcommand)]
pub(crate) enum ExportCommand {
    /// Write one row or point a cell
    #[command(after_help = "Example:\n  leadline export cells --as csv -o cells.csv --stage 0.35")]
    Cells(Target),
    /// Write lines of equal depth
    #[command(
        after_help = "Examples:\n  leadline export contours -o contours.geojson\n  leadline export contours -o contours.geojson --step 0.5\n  leadline export contours -o contours.geojson --levels 6ft,12ft,3fm"
    )]
    Contours(Levelled),
    /// Write areas between two depths
    #[command(after_help = "Example:\n  leadline export areas -o areas.geojson --levels 1,2,5,10")]
    Areas(Levelled),
    /// Write the soundings one by one, or a selection for a scale
    #[command(
        after_help = "Examples:\n  leadline export soundings -o soundings.gpkg\n  leadline export soundings --scale 5000 -o soundings.kml --stage 0.35\n  leadline export soundings --void -o all.csv"
    )]
    Soundings(Sounded),
    /// Write the marks: the crew's, and with --private those of this device as well
    #[command(after_help = "Example:\n  leadline export marks -o marks.gpx --private")]
    Marks(Marked),
    /// Write the tracks of the passes as lines
    #[command(after_help = "Example:\n  leadline export passes -o tracks.gpx")]
    Passes(Target),
    /// Give your own soundings to the public archive of crowd-sourced bathymetry (IHO B-12), under CC0 1.0
    #[command(
        after_help = "Example:\n  leadline export csb -o heron.json --boat Heron --provider \"Our Club\" --email depths@example.org --skip-near 7.41310,48.21730,300\n\nDepths as measured: no stage, draft or levelling. Only what this device read in; the boat's name stays at home."
    )]
    Csb(csb::CsbArgs),
    /// Write cells, contours, areas, soundings and passes into one file
    #[command(after_help = "Example:\n  leadline export all -o lake.gpkg --stage 0.35")]
    All(Levelled),
    /// Write depths, uncertainty and grade as pixels
    #[command(
        after_help = "Examples:\n  leadline export surface -o depths.tif --stage 0.35\n  leadline export surface -o depths.asc --resolution 10 --safe"
    )]
    Surface(SurfaceArgs),
    /// Write the map alone as a PNG with its place in the world
    #[command(after_help = "Example:\n  leadline export picture -o map.png --resolution 1")]
    Picture(PaintArgs),
    /// Write the map as picture tiles for any slippy map
    #[command(after_help = "Example:\n  leadline export tiles -o map.pmtiles --stage 0.35")]
    Tiles(PaintArgs),
}

/// Which soundings.
#[derive(Debug, Args)]
pub(crate) struct Sounded {
    #[command(flatten)]
    pub target: Target,
    /// Only those a chart at 1 : N has room for, the shoalest first
    #[arg(long, value_name = "N", conflicts_with = "void", allow_negative_numbers = true)]
    pub scale: Option<f64>,
    /// Also the void ones, with the reason
    #[arg(long)]
    pub void: bool,
}

/// Where to, and at which stage.
#[derive(Debug, Args)]
pub(crate) struct Target {
    /// In which format; without it as the file's ending says
    #[arg(long = "as", value_name = "FORMAT", required_unless_present = "output")]
    pub format: Option<VectorFormat>,
    /// The file; without it to standard output
    #[arg(short, long = "output", value_name = "FILE")]
    pub output: Option<PathBuf>,
    /// Height of the water above the sounding datum, metres
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    pub stage: Option<f64>,
}

/// Which marks.
#[derive(Debug, Args)]
pub(crate) struct Marked {
    #[command(flatten)]
    pub target: Target,
    /// Also those that are on this device alone
    #[arg(long)]
    pub private: bool,
}

/// The same with contour levels at choice.
#[derive(Debug, Args)]
pub(crate) struct Levelled {
    #[command(flatten)]
    pub target: Target,
    #[command(flatten)]
    pub levels: LevelArgs,
}

pub(crate) fn run(cli: &Cli, c: &ExportCommand) -> Result<(), Failure> {
    match c {
        ExportCommand::Cells(t) => write(cli, t, |m| Ok(vec![m.cells()])),
        ExportCommand::Contours(l) => {
            levelled(cli, l, |m, s| Ok(vec![contours_layer(s, &m.info, &l.levels.of(cli, s, &m.info)?)]))
        }
        ExportCommand::Soundings(s) => soundings(cli, s),
        ExportCommand::Csb(a) => csb::run(cli, a),
        ExportCommand::Marks(m) => marks(cli, m),
        ExportCommand::Passes(t) => write(cli, t, |m| Ok(vec![m.passes()])),
        ExportCommand::All(l) => levelled(cli, l, |m, s| {
            let levels = l.levels.of(cli, s, &m.info)?;
            let all = &m.computed.reduced.soundings;
            Ok(vec![
                areas_layer(s, &m.info, &levels),
                contours_layer(s, &m.info, &levels),
                m.passes(),
                m.cells(),
                soundings_layer(all, &m.info, false),
            ])
        }),
        ExportCommand::Areas(l) => {
            levelled(cli, l, |m, s| Ok(vec![areas_layer(s, &m.info, &l.levels.of(cli, s, &m.info)?)]))
        }
        ExportCommand::Surface(a) => pixels::surface(cli, a),
        ExportCommand::Picture(a) => pixels::picture(cli, a),
        ExportCommand::Tiles(a) => pixels::tiles(cli, a),
    }
}

/// What layers are made of.
struct Material<'a> {
    cli: &'a Cli,
    computed: Computed,
    info: ChartInfo,
}

impl<'a> Material<'a> {
    fn of(cli: &'a Cli, stage: Option<f64>) -> Result<Self, Failure> {
        units::stage(stage)?;
        let (_, store) = open(cli)?;
        let computed = store.compute()?;
        let info = chart::info(cli, &store, &computed, stage)?;
        Ok(Self { cli, computed, info })
    }

    fn cells(&self) -> Layer {
        cells_layer(&self.computed.reduced.cells, &self.info)
    }

    fn passes(&self) -> Layer {
        passes_layer(&self.computed.reduced.soundings, &self.info)
    }

    fn surface(&self) -> Surface {
        chart::surface(self.cli, &self.computed)
    }
}

impl Target {
    fn format(&self) -> Result<VectorFormat, Failure> {
        match (self.format, &self.output) {
            (Some(VectorFormat::Gpkg), None) => {
                Err(Failure::Input("a GeoPackage is no stream; name a file with -o FILE.gpkg".into()))
            }
            (Some(format), _) => Ok(format),
            (None, Some(path)) => VectorFormat::of(path),
            (None, None) => Err(Failure::Input("name a file with -o, or a format with --as".into())),
        }
    }
}

fn soundings(cli: &Cli, s: &Sounded) -> Result<(), Failure> {
    let refused = |e: ChartError| Failure::Input(format!("--scale: {e}"));
    // A scale out of reason is refused before anything is computed.
    if let Some(scale) = s.scale {
        selected_soundings_layer(&[], &ChartInfo::default(), scale).map_err(refused)?;
    }
    write(cli, &s.target, |m| {
        let all = &m.computed.reduced.soundings;
        Ok(vec![match s.scale {
            Some(scale) => selected_soundings_layer(all, &m.info, scale).map_err(refused)?,
            None => soundings_layer(all, &m.info, s.void),
        }])
    })
}

fn marks(cli: &Cli, asked: &Marked) -> Result<(), Failure> {
    let (_, store) = open(cli)?;
    let all: Vec<_> = store.marks()?.into_iter().filter(|m| m.shared || asked.private).collect();
    write(cli, &asked.target, |m| {
        let marks = all.iter().map(|k| (&k.mark, k.note().map(|n| n.as_str()), k.shared));
        Ok(vec![marks_layer(marks, m.info.stage_m)])
    })
}

fn levelled(
    cli: &Cli,
    l: &Levelled,
    layers: impl FnOnce(&Material<'_>, &Surface) -> Result<Vec<Layer>, Failure>,
) -> Result<(), Failure> {
    l.levels.check(cli)?;
    if matches!(l.target.format()?, VectorFormat::Csv | VectorFormat::Xyz) {
        return Err(Failure::Input(
            "lines and areas do not fit into a table of points; use --as geojson, kml or gpkg".into(),
        ));
    }
    write(cli, &l.target, |m| {
        let surface = m.surface();
        if let Some(reason) = surface.blank_reason() {
            talk::note(&format!("Nothing to draw: {reason}."));
        }
        layers(m, &surface)
    })
}

/// Writes the layers to where `t` says.
fn write(
    cli: &Cli,
    t: &Target,
    layers: impl FnOnce(&Material<'_>) -> Result<Vec<Layer>, Failure>,
) -> Result<(), Failure> {
    let format = t.format()?;
    let material = Material::of(cli, t.stage)?;
    let layers = layers(&material)?;
    let Some(path) = &t.output else {
        let bytes = layer_bytes(format, &layers, &material.info)?;
        let out = Failure::output(Path::new("standard output"));
        return std::io::stdout().lock().write_all(&bytes).map_err(out);
    };
    match t.format {
        Some(format) => write_layers_as(format, path, &layers, &material.info)?,
        None => write_layers(path, &layers, &material.info)?,
    }
    if cli.json {
        return talk::json(&json!({
            "path": path, "bytes": std::fs::metadata(path).map_err(Failure::output(path))?.len(), "stage_m": material.info.stage_m, "layers": counts(&layers),
        }));
    }
    talk::say(&format!("{} ({})", path.display(), units::stage_words(t.stage, cli)))
}

fn counts(layers: &[Layer]) -> serde_json::Value {
    let count = |l: &Layer| (l.name.to_owned(), json!(l.features.len()));
    serde_json::Value::Object(layers.iter().map(count).collect())
}
