//! Documents as caches: put entries into them, read them, rebuild them.

use super::Store;
use super::accept::take_entries;
use super::parts::{PARTS, applied, jobs_of, one_document};
use super::settle::{Context, load_crew, rebuild, resettle};
use crate::Error;
use leadline_logbook::{
    Crew, DocChange, DocKey, Entry, Limits, Op, Role, SurveyWrites, changes_as, read_survey, read_tile,
};
use leadline_model::{LegId, TileId};
use rusqlite::Transaction;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Place of the body's version in an entry: the envelope's length is frozen.
const BODY_AT: usize = 121;

/// Whether an entry tells who belongs to the crew.
pub(crate) fn is_of_crew(entry: &Entry) -> bool {
    entry.ops().iter().any(|op| {
        matches!(
            op,
            Op::Found(_)
                | Op::Member(_)
                | Op::Invite(_)
                | Op::Standing(_)
                | Op::Secret { .. }
                | Op::DeviceName { .. }
        )
    })
}

/// Puts entries into their documents, as what they count, each document once for all of them. Returns the numbers of entries that no
/// document would take; those must not stay in force.
pub(super) fn put_in_force(
    tx: &Transaction<'_>,
    entries: &[Entry],
    role: &dyn Fn(&Entry) -> Role,
    limits: &Limits,
    path: &Path,
) -> Result<BTreeSet<usize>, Error> {
    let sqlite = |source| Error::Sqlite { path: path.to_owned(), source };
    let mut by_doc: BTreeMap<DocKey, Vec<(usize, DocChange)>> = BTreeMap::new();
    for (i, e) in entries.iter().enumerate() {
        for (doc, change) in changes_as(e, role(e), limits) {
            by_doc.entry(doc).or_default().push((i, change));
        }
    }
    let mut jobs = Vec::new();
    for (doc, numbered) in by_doc {
        jobs.extend(jobs_of(tx, &doc, numbered).map_err(sqlite)?);
    }
    let mut failed = BTreeSet::new();
    let mut put =
        tx.prepare_cached("INSERT OR REPLACE INTO doc (key, bytes) VALUES (?1, ?2)").map_err(sqlite)?;
    for (job, applied) in jobs.iter().zip(applied(&jobs)) {
        let applied = applied?;
        failed.extend(applied.failed.iter().filter_map(|i| job.numbers.get(*i)));
        put.execute((&job.key, applied.saved)).map_err(sqlite)?;
    }
    Ok(failed)
}

/// Notes the strips that entries claim and that are not held; what stood apart as no entry in force named it comes back.
pub(super) fn want_strips<'a>(
    tx: &Transaction<'_>,
    entries: impl Iterator<Item = &'a Entry>,
) -> rusqlite::Result<()> {
    let any_aside: bool =
        tx.prepare_cached("SELECT EXISTS (SELECT 1 FROM strip_aside)")?.query_row([], |r| r.get(0))?;
    let mut back = tx.prepare_cached(
        "INSERT OR IGNORE INTO strip (digest, bytes) SELECT digest, bytes FROM strip_aside WHERE digest = ?1",
    )?;
    let mut clear = tx.prepare_cached("DELETE FROM strip_aside WHERE digest = ?1")?;
    let mut want = tx.prepare_cached(
        "INSERT OR IGNORE INTO wanted (digest) SELECT ?1 WHERE NOT EXISTS (SELECT 1 FROM strip WHERE digest = ?1)",
    )?;
    for op in entries.flat_map(Entry::ops) {
        let Op::Leg(claim) = op else { continue };
        for s in &claim.strips {
            if any_aside && back.execute([s.digest.0])? > 0 {
                clear.execute([s.digest.0])?;
            }
            want.execute([s.digest.0])?;
        }
    }
    Ok(())
}

/// The body versions that the documents of a store of this format hold. Format 5 brought no new one.
fn bodies_of(format: i64) -> i64 {
    if format >= 5 { format - 1 } else { format }
}

impl Store {
    /// The survey document's writes.
    pub fn survey_writes(&self) -> Result<SurveyWrites, Error> {
        let parts: Vec<Vec<u8>> = self.sql(|db| {
            let query = format!("SELECT bytes FROM doc WHERE {PARTS}");
            db.prepare_cached(&query)?.query_map([], |r| r.get(0))?.collect()
        })?;
        Ok(read_survey(&parts, &self.limits)?)
    }

    /// A tile's strips by leg.
    pub fn tile_strips(&self, tile: TileId) -> Result<BTreeMap<LegId, leadline_logbook::StripRef>, Error> {
        match self.sql(|db| one_document(db, &DocKey::Tile(tile).to_string()))? {
            Some(bytes) => Ok(read_tile(&bytes, &self.limits)?),
            None => Ok(BTreeMap::new()),
        }
    }

    /// Tiles that have a document.
    pub fn tiles(&self) -> Result<Vec<TileId>, Error> {
        let keys: Vec<String> = self.sql(|db| {
            db.prepare("SELECT key FROM doc WHERE key LIKE 'tile/%' ORDER BY key")?
                .query_map([], |r| r.get(0))?
                .collect()
        })?;
        Ok(keys.iter().filter_map(|k| k.strip_prefix("tile/")?.parse().ok()).collect())
    }

    /// An older program kept bodies it could not read: puts what they say into force, and notes the new format.
    pub(super) fn read_anew(&mut self, older: i64, format: i64) -> Result<(), Error> {
        let entries = self.entries_in_force()?;
        let read = bodies_of(older);
        let unread =
            entries.iter().any(|e| e.bytes().get(BODY_AT).is_some_and(|version| i64::from(*version) > read));
        let (survey, own, limits, path) = (self.survey, self.key.id(), self.limits, self.path.clone());
        let cx = Context { survey, own, limits: &limits, path: &path };
        self.transact(|tx| {
            let sqlite = |source| cx.sqlite(source);
            if unread {
                tx.execute_batch("DELETE FROM crew_entry").map_err(sqlite)?;
                for e in entries.iter().filter(|e| is_of_crew(e)) {
                    tx.execute("INSERT INTO crew_entry (n) SELECT n FROM entry WHERE id = ?1", [e.id().0])
                        .map_err(sqlite)?;
                }
                let mut crew = load_crew(tx, &cx).map_err(sqlite)?;
                let nobody = Crew::new(survey, own);
                resettle(tx, &cx, &nobody, &mut crew)?;
                rebuild(tx, &cx, &crew)?;
                // Whoever is seen to be admitted now may have entries that wait here.
                take_entries(tx, &cx, None, Vec::new(), crew, true)?;
            }
            tx.pragma_update(None, "user_version", format).map_err(sqlite)
        })
    }

    /// Makes all documents again from the entries.
    pub fn rebuild_documents(&mut self) -> Result<(), Error> {
        let (survey, own, limits, path) = (self.survey, self.key.id(), self.limits, self.path.clone());
        let cx = Context { survey, own, limits: &limits, path: &path };
        self.transact(|tx| {
            let crew = load_crew(tx, &cx).map_err(|e| cx.sqlite(e))?;
            rebuild(tx, &cx, &crew)
        })
    }
}

#[cfg(test)]
mod tests {
    use crate::{Ground, Home, found_survey, set_gauge, set_shore};
    use leadline_model::{GridPos, Shoreline, Text, UtcMillis};

    /// A store whose documents were made by a program that could not read later body versions.
    #[test]
    fn what_an_older_program_kept_unread_comes_into_force() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let home = Home::open(Some(dir.path())).expect("opens");
        let (text, now) = (|s| Text::new(s).expect("short"), UtcMillis(1_800_000_000_000));
        let id = found_survey(&home, &text("Testmere"), &text("zero"), now).expect("founds");
        let mut store = home.store(&id).expect("opens");
        set_gauge(&mut store, &text("weir"), Some(120), None, now).expect("states");
        let ring = vec![(1, 1), (9, 1), (9, 9)].into_iter().filter_map(|(x, y)| GridPos::new(x, y)).collect();
        set_shore(&mut store, Shoreline { stage_mm: 5, rings: vec![ring] }, now).expect("states");
        let name = leadline_logbook::Op::DeviceName { name: text("tablet"), replaces: vec![] };
        store.append(vec![vec![name]], &[], now).expect("written");
        let read = |s: &crate::Store| {
            let ground = Ground::of(&s.survey_writes().expect("reads"));
            (ground.gauges, ground.shore)
        };
        let before = read(&store);
        assert!(before.0.len() == 1 && before.1.is_some());
        for older in [1, 2, 3] {
            // As it left it: the entries are there, their writes are not, and the format is the older one.
            store
                .db
                .execute_batch(&format!(
                    "DELETE FROM doc; DELETE FROM crew_entry; PRAGMA user_version = {older}"
                ))
                .expect("writes");
            assert_eq!(read(&store), (Vec::new(), None));
            store = home.store(&id).expect("opens");
            assert_eq!(read(&store), before);
            assert!(store.crew().expect("reads").is_keeper(&store.device()));
            let format: i64 = store.db.query_row("PRAGMA user_version", [], |r| r.get(0)).expect("reads");
            assert_eq!(format, super::super::FORMAT);
        }
    }
}
