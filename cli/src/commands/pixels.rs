//! `export surface`, `export picture`, `export tiles`: the map as pixels.

use super::{chart, open};
use crate::args::Cli;
use crate::failure::Failure;
use crate::levels::LevelArgs;
use crate::{talk, units};
use clap::{Args, ValueEnum};
use leadline_chart::{
    ChartError, ChartInfo, PixelZoom, Surface, map_picture, map_tiles, surface_ascii, surface_tiff,
};
use leadline_survey::replace_file;
use serde_json::json;
use std::path::{Path, PathBuf};

/// Formats of a surface.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum SurfaceFormat {
    /// Cloud-optimised GeoTIFF: best depth, uncertainty, grade, safe depth
    Tiff,
    /// Esri ASCII grid of one depth, with a .prj file
    Asc,
}

/// Where to, at which stage, in pixels of which size.
#[derive(Debug, Args)]
pub(crate) struct PixelTarget {
    /// The file
    #[arg(short, long = "output", value_name = "FILE")]
    pub output: PathBuf,
    /// Height of the water above the sounding datum, metres
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    pub stage: Option<f64>,
    /// Largest side of a pixel, metres: the survey's cell, halved or doubled until it is no larger
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    pub resolution: Option<f64>,
}

/// What `export surface` takes.
#[derive(Debug, Args)]
pub(crate) struct SurfaceArgs {
    #[command(flatten)]
    pub target: PixelTarget,
    /// In which format; without it as the file's ending says
    #[arg(long = "as", value_name = "FORMAT")]
    pub format: Option<SurfaceFormat>,
    /// Put the safe depth into an ASCII grid instead of the best one
    #[arg(long)]
    pub safe: bool,
}

/// What `export picture` and `export tiles` take.
#[derive(Debug, Args)]
pub(crate) struct PaintArgs {
    #[command(flatten)]
    pub target: PixelTarget,
    #[command(flatten)]
    pub levels: LevelArgs,
}

pub(crate) fn surface(cli: &Cli, a: &SurfaceArgs) -> Result<(), Failure> {
    let format = match (a.format, ending(&a.target.output).as_str()) {
        (Some(format), _) => format,
        (None, "tif" | "tiff") => SurfaceFormat::Tiff,
        (None, "asc") => SurfaceFormat::Asc,
        _ => return Err(wrong_ending(&a.target.output, ".tif or .asc, or say the format with --as")),
    };
    if a.safe && format == SurfaceFormat::Tiff {
        return Err(Failure::Input("--safe: a TIFF holds the safe depth beside the best one".into()));
    }
    let made = Made::of(cli, &a.target)?;
    let zoom = made.zoom.unwrap_or(PixelZoom::CELL);
    let path = &a.target.output;
    let files = match format {
        SurfaceFormat::Tiff => {
            vec![(path.clone(), surface_tiff(&made.surface, &made.info, zoom).map_err(refusal)?)]
        }
        SurfaceFormat::Asc => {
            let grid = surface_ascii(&made.surface, &made.info, zoom, a.safe).map_err(refusal)?;
            vec![
                (path.with_extension("prj"), grid.prj.as_bytes().to_vec()),
                (beside(path, ".txt"), grid.words.into_bytes()),
                (path.clone(), grid.asc.into_bytes()),
            ]
        }
    };
    made.write(cli, &a.target, files, zoom.metres(&made.surface))
}

pub(crate) fn picture(cli: &Cli, a: &PaintArgs) -> Result<(), Failure> {
    let path = &a.target.output;
    if ending(path) != "png" {
        return Err(wrong_ending(path, ".png"));
    }
    a.levels.check(cli)?;
    let made = Made::of(cli, &a.target)?;
    let levels = a.levels.of(cli, &made.surface, &made.info)?;
    let picture = map_picture(&made.surface, &made.info, &levels, made.zoom).map_err(refusal)?;
    let files = vec![
        (path.with_extension("pgw"), picture.world.into_bytes()),
        (beside(path, ".aux.xml"), picture.aux.into_bytes()),
        (path.clone(), picture.png),
    ];
    made.write(cli, &a.target, files, picture.pixel_m)
}

pub(crate) fn tiles(cli: &Cli, a: &PaintArgs) -> Result<(), Failure> {
    let path = &a.target.output;
    if ending(path) != "pmtiles" {
        return Err(wrong_ending(path, ".pmtiles"));
    }
    a.levels.check(cli)?;
    let made = Made::of(cli, &a.target)?;
    let levels = a.levels.of(cli, &made.surface, &made.info)?;
    let tiles = map_tiles(&made.surface, &made.info, &levels, made.zoom).map_err(refusal)?;
    made.write(cli, &a.target, vec![(path.clone(), tiles.bytes)], tiles.pixel_m)
}

/// What pixels are made of.
struct Made {
    surface: Surface,
    info: ChartInfo,
    zoom: Option<PixelZoom>,
}

impl Made {
    fn of(cli: &Cli, t: &PixelTarget) -> Result<Self, Failure> {
        units::stage(t.stage)?;
        let (_, store) = open(cli)?;
        let computed = store.compute()?;
        let info = chart::info(cli, &store, &computed, t.stage)?;
        let surface = chart::surface(cli, &computed);
        let zoom = t.resolution.map(|m| PixelZoom::at_most(m, &surface)).transpose().map_err(refusal)?;
        Ok(Self { surface, info, zoom })
    }

    /// Writes the files, the one that was named last, and says so.
    fn write(
        &self,
        cli: &Cli,
        t: &PixelTarget,
        files: Vec<(PathBuf, Vec<u8>)>,
        pixel_m: f64,
    ) -> Result<(), Failure> {
        let mut bytes = 0;
        for (path, content) in &files {
            replace_file(path, content).map_err(|e| match e {
                leadline_survey::Error::File { source, .. } => Failure::output(path)(source),
                other => other.into(),
            })?;
            bytes = content.len();
        }
        if cli.json {
            let beside: Vec<&PathBuf> = files[..files.len() - 1].iter().map(|f| &f.0).collect();
            return talk::json(&json!({
                "path": t.output, "bytes": bytes, "beside": beside, "stage_m": self.info.stage_m,
                "pixel_m": pixel_m,
            }));
        }
        if let Some(reason) = self.surface.blank_reason() {
            talk::note(&format!("Only the sounded cells have pixels: {reason}."));
        }
        talk::say(&format!(
            "{} (pixels of {pixel_m:.2} m; {})",
            t.output.display(),
            units::stage_words(t.stage, cli)
        ))
    }
}

/// The file's whole name with `more` behind it.
fn beside(path: &Path, more: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(more);
    PathBuf::from(name)
}

fn ending(path: &Path) -> String {
    path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase).unwrap_or_default()
}

fn wrong_ending(path: &Path, right: &str) -> Failure {
    Failure::Input(format!("{}: name it {right}", path.display()))
}

fn refusal(e: ChartError) -> Failure {
    Failure::Input(e.to_string())
}
