//! Files of gauge levels into the survey.

use crate::actions::{field, write_ops};
use crate::{Error, Ground, Store};
use leadline_ingest::gauge::{GaugeFile, GaugeOptions, MAX_GAUGE_BYTES, read};
use leadline_model::{Text, UtcMillis};
use std::fs::File;
use std::io::Read;
use std::path::Path;

/// Gauge of files that name none, if the caller names none either.
const UNNAMED: &str = "gauge";

/// What came of a file of levels.
#[derive(Debug)]
pub struct ImportedLevels {
    /// What the file holds and what was left out of it.
    pub file: GaugeFile,
    /// Each gauge with its readings and how many of them are new.
    pub gauges: Vec<(Text, usize, usize)>,
}

/// Reads a file of levels whole or not at all. `gauge` names the gauge of a file that has one, whatever the file calls
/// it; a file that names several keeps its names.
pub fn import_levels(
    store: &mut Store,
    path: &Path,
    gauge: Option<&Text>,
    options: &GaugeOptions,
    now: UtcMillis,
) -> Result<ImportedLevels, Error> {
    let refused = |why: String| Error::Request(format!("{}: {why}", path.display()));
    let file = read(&bytes(path)?, options).map_err(|e| refused(e.to_string()))?;
    if file.series.len() > 1 && gauge.is_some() {
        return Err(refused(format!(
            "the file has {} gauges and keeps their names; leave --gauge away",
            file.series.len()
        )));
    }
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    // A name too long to keep, or of blanks, says nothing.
    let from = Text::new(&name).or_else(|_| field("source", "file"))?;
    let ground = Ground::of(&store.survey_writes()?);
    let (mut gauges, mut ops) = (Vec::with_capacity(file.series.len()), Vec::new());
    for series in &file.series {
        let name = match gauge.or(series.gauge.as_ref()) {
            Some(name) => name.clone(),
            None => field("gauge name", UNNAMED)?,
        };
        let (said, new) = ground.series_ops(&name, &from, &series.readings);
        ops.extend(said);
        gauges.push((name, series.readings.len(), new));
    }
    write_ops(store, ops, now)?;
    Ok(ImportedLevels { file, gauges })
}

/// At most one byte more than is read at all.
fn bytes(path: &Path) -> Result<Vec<u8>, Error> {
    let unreadable = |source| Error::Unreadable { path: path.to_owned(), source };
    let mut out = Vec::new();
    let file = File::open(path).map_err(unreadable)?;
    file.take(MAX_GAUGE_BYTES as u64 + 1).read_to_end(&mut out).map_err(unreadable)?;
    Ok(out)
}
