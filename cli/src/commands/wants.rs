//! What of a survey is fetched from the other devices: all of it, an area, dates, or the entries alone.

use crate::failure::Failure;
use crate::{shapes, units};
use clap::Args;
use leadline_survey::{Part, TileArea, Wants, areas_of};
use std::path::{Path, PathBuf};

/// `--area`, `--from`, `--to`, `--entries-only`
#[derive(Debug, Default, Args)]
pub(crate) struct WantArgs {
    /// Fetch only soundings of this area: a drawn area (GeoJSON or CSV), or the first digits of a quadkey
    #[arg(long, value_name = "FILE|QUADKEY")]
    pub area: Option<String>,
    /// Fetch only soundings from this time on
    #[arg(long, value_name = "UTC")]
    pub from: Option<String>,
    /// Fetch only soundings before this time
    #[arg(long, value_name = "UTC")]
    pub to: Option<String>,
    /// Fetch no soundings: who measured what, decisions and settings only
    #[arg(long, conflicts_with_all = ["area", "from", "to"])]
    pub entries_only: bool,
}

impl WantArgs {
    /// What was asked for.
    pub(crate) fn wants(&self) -> Result<Wants, Failure> {
        let time = |what, text: &Option<String>| text.as_deref().map(|t| units::time(what, t)).transpose();
        let (from, to) = (time("--from", &self.from)?, time("--to", &self.to)?);
        if let (Some(from), Some(to)) = (from, to)
            && from >= to
        {
            return Err(Failure::Input(format!("--from {from} is not before --to {to}: swap them")));
        }
        let areas = self.area.as_deref().map(areas).transpose()?.unwrap_or_default();
        Ok(match () {
            () if self.entries_only => Wants::EntriesOnly,
            () if areas.is_empty() && from.is_none() && to.is_none() => Wants::Everything,
            () => Wants::Part(Box::new(Part { areas, from, to })),
        })
    }
}

/// A file if there is one of that name, else a quadkey.
fn areas(text: &str) -> Result<Vec<TileArea>, Failure> {
    if Path::new(text).exists() {
        return Ok(areas_of(&shapes::area(&PathBuf::from(text))?));
    }
    match TileArea::of_quadkey(text) {
        Some(area) if !text.is_empty() => Ok(vec![area]),
        _ => Err(Failure::Input(format!(
            "--area {text:?}: no such file, and no quadkey (1 to 15 digits of 0 to 3): name a GeoJSON or CSV file of one area"
        ))),
    }
}
