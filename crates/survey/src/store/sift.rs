//! What the rows of a damaged store are: told by their shape, believed by their content.

use super::carve::{Image, Value};
use leadline_logbook::{Entry, Limits, strip_digest};
use leadline_model::{EntryId, StripDigest, SurveyId};
use rusqlite::types::Value as Sql;
use std::collections::{BTreeMap, BTreeSet};

/// Ids that stood in rows and indexes, whatever became of their content.
#[derive(Debug, Default)]
pub(super) struct Named {
    pub(super) entries: BTreeSet<[u8; 32]>,
    pub(super) strips: BTreeSet<[u8; 32]>,
    /// Of one or the other.
    pub(super) either: BTreeSet<[u8; 32]>,
}

impl Named {
    /// Notes what a row names if its content is bad; of an index, whatever it names.
    pub(super) fn note(&mut self, row: &[Value], is_good: impl Fn(&[u8]) -> bool) {
        match row {
            [Value::Null, Value::Blob(id), Value::Int(_), Value::Int(_), Value::Blob(bytes)]
            | [
                Value::Null,
                Value::Blob(id),
                Value::Blob(_),
                Value::Blob(_),
                Value::Int(_),
                Value::Int(_),
                Value::Int(_),
                Value::Blob(bytes),
            ] if !is_good(bytes) => put(&mut self.entries, id),
            // A log's row has the same shape, with an epoch of eight bytes.
            [Value::Null, Value::Blob(digest), Value::Blob(bytes)] if bytes.len() > 8 && !is_good(bytes) => {
                put(&mut self.strips, digest);
            }
            [Value::Blob(id), Value::Int(_)] => put(&mut self.either, id),
            _ => {}
        }
    }
}

fn put(into: &mut BTreeSet<[u8; 32]>, id: &[u8]) {
    into.extend(<[u8; 32]>::try_from(id).ok());
}

/// The entries of this survey that a row holds, whole and signed.
pub(super) fn entries_in(row: &[Value], survey: &SurveyId, limits: &Limits) -> Vec<(EntryId, Vec<u8>)> {
    let open =
        |bytes: &Vec<u8>| Entry::open(bytes, survey, |_| true, limits).ok().map(|e| (e.id(), bytes.clone()));
    blobs(row).filter_map(open).collect()
}

/// The sound strips that a row holds.
pub(super) fn strips_in(row: &[Value], limits: &Limits) -> Vec<(StripDigest, Vec<u8>)> {
    blobs(row).filter_map(|bytes| Some((strip_digest(bytes, limits).ok()?, bytes.clone()))).collect()
}

fn blobs(row: &[Value]) -> impl Iterator<Item = &Vec<u8>> {
    row.iter().filter_map(|v| match v {
        // Ids and digests are no content.
        Value::Blob(bytes) if bytes.len() > 32 => Some(bytes),
        _ => None,
    })
}

/// Notes of the store itself that come along. Its epoch does not: numbers of lost entries must not be given twice.
const NOTES: [&str; 5] = ["name", "invite", "guest", "kept", "refused"];
/// Beginnings of notes that do: in whose place this device is, and under which id it gives a boat's depths away.
const NOTES_OF: [&str; 2] = ["former:", "vessel:"];
const MARK_KINDS: [&str; 4] = ["hazard", "landing", "stump", "waypoint"];

/// What is in no entry: notes, private marks, devices met. Nothing proves it but its place.
#[derive(Debug, Default)]
pub(super) struct Aside {
    survey: Option<Vec<u8>>,
    /// The digest of the private marks.
    pub(super) sealed: Option<Vec<u8>>,
    pub(super) notes: BTreeMap<String, Sql>,
    pub(super) marks: BTreeMap<Vec<u8>, Vec<Sql>>,
    pub(super) peers: BTreeMap<Vec<u8>, Vec<Sql>>,
}

impl Aside {
    /// Of one state of the store.
    pub(super) fn of(image: &mut Image) -> Self {
        let mut aside = Self::default();
        image.rows(|row| aside.note(&row));
        aside
    }

    /// Whether it is this survey's: a log that belongs to another store brings that one's notes.
    pub(super) fn is_of(&self, survey: &SurveyId) -> bool {
        self.survey.as_deref() == Some(&survey.0[..])
    }

    fn note(&mut self, row: &[Value]) {
        let all = || row.iter().map(sql).collect::<Option<Vec<Sql>>>();
        match row {
            [Value::Text(key), Value::Blob(id)] if key == "survey" => self.survey = Some(id.clone()),
            [Value::Text(key), Value::Blob(sum)] if key == "marks" => self.sealed = Some(sum.clone()),
            [Value::Text(key), value]
                if NOTES.contains(&key.as_str()) || NOTES_OF.iter().any(|n| key.starts_with(n)) =>
            {
                self.notes.extend(sql(value).map(|v| (key.clone(), v)));
            }
            [
                Value::Blob(id),
                Value::Text(kind),
                Value::Int(_),
                Value::Int(_),
                depth,
                Value::Text(_),
                Value::Text(_),
            ] if id.len() == 16
                && MARK_KINDS.contains(&kind.as_str())
                && matches!(depth, Value::Int(_) | Value::Null) =>
            {
                self.marks.extend(all().map(|values| (id.clone(), values)));
            }
            [Value::Blob(id), Value::Text(_), Value::Int(_), Value::Blob(digest), rest @ ..]
                if id.len() == 32 && digest.len() == 32 && rest.len() <= 2 =>
            {
                self.peers.extend(all().map(|mut values| {
                    values.resize(6, Sql::Null);
                    (id.clone(), values)
                }));
            }
            _ => {}
        }
    }
}

fn sql(value: &Value) -> Option<Sql> {
    Some(match value {
        Value::Null => Sql::Null,
        Value::Int(n) => Sql::Integer(*n),
        Value::Text(t) => Sql::Text(t.clone()),
        Value::Blob(b) => Sql::Blob(b.clone()),
        Value::Other => return None,
    })
}
