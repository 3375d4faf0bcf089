//! Recordings that were not ended: a killed program or a pulled plug leaves its journal behind.
//!
//! The rule: a recording of the same survey and boat that was written within the last ten minutes goes on in its own
//! journal; every other one is closed, which is to import it whole, as its raw log would be. Either way each reading
//! that reached the disk is in exactly one journal.

use crate::Error;
use crate::journal::{Found, Head, find};
use leadline_model::UtcMillis;
use leadline_survey::{Home, ImportRequest, Imported, Store, import_journal};
use std::path::{Path, PathBuf};

/// A recording goes on if it stopped no longer ago, ms: the length of a leg.
const GOES_ON_MS: i64 = 600_000;

/// What became of a recording that was not ended.
#[derive(Debug)]
pub enum Settled {
    /// It was imported whole.
    Closed(Box<Imported>),
    /// It stays as it is: its beginning is damaged, or its survey is not in this home.
    Left {
        /// Where.
        path: PathBuf,
        /// Why, and what to do.
        why: String,
    },
}

/// Where journals lie.
pub(crate) fn folder(home: &Home) -> PathBuf {
    home.root().join("recordings")
}

/// Settles what was left behind; the journal to go on with, if there is one.
pub(crate) fn settle(
    home: &Home,
    store: &mut Store,
    head: &Head,
    now: UtcMillis,
    tell: &mut dyn FnMut(Settled),
) -> Result<Option<Found>, Error> {
    let dir = folder(home);
    let unreadable = |source| Error::Journal { path: dir.display().to_string(), source };
    let mut on = None;
    for found in find(&dir).map_err(unreadable)? {
        let recent = found.written.is_some_and(|t| (now.0 - t.0).abs() <= GOES_ON_MS);
        let same = found.head.as_ref().is_some_and(|h| (&h.survey, &h.boat) == (&head.survey, &head.boat));
        if same && recent && on.is_none() {
            on = Some(found);
        } else {
            // What cannot be closed now must not keep the boat from recording.
            tell(close(home, store, &found, now).unwrap_or_else(|e| Settled::Left {
                path: found.path.clone(),
                why: format!("{e}; it is tried again when the next recording begins"),
            }));
        }
    }
    Ok(on)
}

fn close(home: &Home, store: &mut Store, found: &Found, now: UtcMillis) -> Result<Settled, Error> {
    let left = |why: &str| Settled::Left { path: found.path.clone(), why: why.to_owned() };
    let Some(head) = &found.head else {
        return Ok(left(
            "its first lines are damaged; look at it, and `leadline import` it with its boat's name",
        ));
    };
    let Ok(boat) = leadline_model::Text::new(&head.boat) else {
        return Ok(left("its boat's name is damaged; `leadline import` it with its boat's name"));
    };
    let request = request_of(boat, head.date.map(UtcMillis), now);
    if Some(store.survey()) == head.survey_id() {
        return end(home, store, &found.path, &request).map(|i| Settled::Closed(Box::new(i)));
    }
    match head.survey_id().filter(|id| home.holds(id)) {
        Some(id) => {
            let mut other = home.store(&id)?;
            end(home, &mut other, &found.path, &request).map(|i| Settled::Closed(Box::new(i)))
        }
        None => Ok(left("its survey is not in this home; `leadline import` it into the right one")),
    }
}

fn request_of(boat: leadline_model::Text, date: Option<UtcMillis>, now: UtcMillis) -> ImportRequest {
    ImportRequest { boat, draft_mm: None, sound_speed_mm_s: None, temp_centi: None, date, now }
}

/// Imports a journal whole and removes it: its raw bytes are among the originals then.
pub(crate) fn end(
    home: &Home,
    store: &mut Store,
    path: &Path,
    request: &ImportRequest,
) -> Result<Imported, Error> {
    let imported = import_journal(home, store, path, request)?;
    std::fs::remove_file(path)
        .map_err(|source| Error::Journal { path: path.display().to_string(), source })?;
    Ok(imported)
}
