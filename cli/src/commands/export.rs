//! `export`: for other programs.

use super::{chart, open};
use crate::args::{Cli, ExportArgs, Format, What};
use crate::failure::Failure;
use crate::{talk, units};
use leadline_chart::{Surface, SurfaceSettings, areas_geojson, cells_csv, cells_geojson, contours_geojson};
use leadline_survey::replace_file;
use serde_json::json;
use std::io::Write;
use std::path::Path;

pub(crate) fn run(cli: &Cli, a: &ExportArgs) -> Result<(), Failure> {
    let stage_m = units::stage(a.stage)?;
    if a.format == Format::Csv && a.what != What::Cells {
        return Err(Failure::Input("lines and areas do not fit into CSV; use --as geojson".into()));
    }
    let (_, store) = open(cli)?;
    let computed = store.compute()?;
    let mut info = chart::info(cli, &store, &computed, a.stage)?;
    info.stage_m = stage_m;
    let mut bytes = Vec::new();
    let cells = &computed.reduced.cells;
    let written = match (a.what, a.format) {
        (What::Cells, Format::Csv) => cells_csv(cells, stage_m, &mut bytes),
        (What::Cells, Format::Geojson) => cells_geojson(cells, &info, &mut bytes),
        (what, _) => {
            let surface = Surface::new(cells, &SurfaceSettings::default());
            let levels = surface.levels(stage_m, info.units);
            match what {
                What::Contours => contours_geojson(&surface, &info, &levels, &mut bytes),
                _ => areas_geojson(&surface, &info, &levels, &mut bytes),
            }
        }
    };
    let out = a.output.as_deref().unwrap_or(Path::new("standard output"));
    written.map_err(Failure::output(out))?;
    match &a.output {
        None => std::io::stdout().lock().write_all(&bytes).map_err(Failure::output(out)),
        Some(path) => {
            replace_file(path, &bytes)?;
            if cli.json {
                return talk::json(&json!({"path": path, "bytes": bytes.len(), "stage_m": stage_m}));
            }
            talk::say(&format!("{} ({})", path.display(), units::stage_words(a.stage, cli)))
        }
    }
}
