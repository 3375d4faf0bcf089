//! Making documents: the survey's in parts, so that what comes new makes one part anew and not all that was ever said; and
//! several at once on several threads.

use crate::Error;
use leadline_logbook::{Applied, DocChange, DocError, DocKey, apply};
use rusqlite::{Connection, OptionalExtension, Transaction};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

/// A part that has grown beyond this, saved, stays as it is.
const FULL: i64 = 256 << 10;
/// So much is put into one part at a time, before it is packed.
const AT_ONCE: usize = 512 << 10;
/// Threads at most: two devices may be at it on one machine.
const THREADS: usize = 4;
/// Fewer changes are not worth a thread.
const WORTH: usize = 64;

/// Keys of the survey document's parts: `survey`, `survey/00000001`, and so on. `0` follows `/`.
pub(super) const PARTS: &str = "key >= 'survey' AND key < 'survey0' ORDER BY key";

/// Changes to be put into one document, or into one part of the survey's.
pub(super) struct Job {
    pub(super) key: String,
    saved: Option<Vec<u8>>,
    /// Which entry each change is of.
    pub(super) numbers: Vec<usize>,
    changes: Vec<DocChange>,
}

/// What is to be done for the changes of one document, each with the number of its entry.
pub(super) fn jobs_of(
    tx: &Transaction<'_>,
    doc: &DocKey,
    numbered: Vec<(usize, DocChange)>,
) -> rusqlite::Result<Vec<Job>> {
    if let DocKey::Tile(_) = doc {
        let key = doc.to_string();
        let saved = one_document(tx, &key)?;
        let (numbers, changes) = numbered.into_iter().unzip();
        return Ok(vec![Job { key, saved, numbers, changes }]);
    }
    let (mut part, mut saved) = open_part(tx)?;
    let mut jobs = Vec::new();
    let (mut numbers, mut changes, mut size) = (Vec::new(), Vec::new(), 0);
    for (number, change) in numbered {
        if size > AT_ONCE {
            let (numbers, changes) = (std::mem::take(&mut numbers), std::mem::take(&mut changes));
            jobs.push(Job { key: key_of(part), saved: saved.take(), numbers, changes });
            (part, size) = (part + 1, 0);
        }
        size += change.size();
        numbers.push(number);
        changes.push(change);
    }
    jobs.push(Job { key: key_of(part), saved, numbers, changes });
    Ok(jobs)
}

/// The part of the survey's document that more is put into: its number, and what is there.
fn open_part(db: &Connection) -> rusqlite::Result<(u32, Option<Vec<u8>>)> {
    let query = format!("SELECT key, length(bytes) FROM doc WHERE {PARTS} DESC LIMIT 1");
    let last: Option<(String, i64)> =
        db.prepare_cached(&query)?.query_row([], |r| Ok((r.get(0)?, r.get(1)?))).optional()?;
    let Some((key, length)) = last else { return Ok((0, None)) };
    let part = key.strip_prefix("survey/").and_then(|n| n.parse().ok()).unwrap_or(0);
    Ok(if length > FULL { (part + 1, None) } else { (part, one_document(db, &key)?) })
}

fn key_of(part: u32) -> String {
    if part == 0 { DocKey::Survey.to_string() } else { format!("{}/{part:08}", DocKey::Survey) }
}

pub(super) fn one_document(db: &Connection, key: &str) -> rusqlite::Result<Option<Vec<u8>>> {
    db.prepare_cached("SELECT bytes FROM doc WHERE key = ?1")?.query_row([key], |r| r.get(0)).optional()
}

/// What becomes of each job, in their order.
pub(super) fn applied(jobs: &[Job]) -> Vec<Result<Applied, Error>> {
    let all: usize = jobs.iter().map(|j| j.changes.len()).sum();
    let threads = thread::available_parallelism().map_or(1, |n| n.get().min(THREADS)).min(jobs.len());
    let work = |job: &Job| Ok(apply(job.saved.as_deref(), &job.changes)?);
    if threads <= 1 || all < WORTH {
        return jobs.iter().map(work).collect();
    }
    // Each thread takes the next one: they differ much in size.
    let next = AtomicUsize::new(0);
    let done: Vec<Mutex<Option<Result<Applied, Error>>>> = jobs.iter().map(|_| Mutex::new(None)).collect();
    thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                while let Some((job, slot)) = at(jobs, &done, next.fetch_add(1, Ordering::Relaxed)) {
                    let result = work(job);
                    if let Ok(mut slot) = slot.lock() {
                        *slot = Some(result);
                    }
                }
            });
        }
    });
    let lost = || Err(DocError::Apply.into());
    done.into_iter().map(|slot| slot.into_inner().ok().flatten().unwrap_or_else(lost)).collect()
}

fn at<'a, A, B>(a: &'a [A], b: &'a [B], n: usize) -> Option<(&'a A, &'a B)> {
    a.get(n).zip(b.get(n))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Home, Store, found_survey};
    use leadline_logbook::Op;
    use leadline_model::{StageReading, Text, UtcMillis};

    const NOW: UtcMillis = UtcMillis(1_800_000_000_000);

    fn text(s: &str) -> Text {
        Text::new(s).expect("short")
    }

    fn readings(entry: i64) -> Vec<Op> {
        let at = |n: i64| UtcMillis(NOW.0 + 60_000 * (200 * entry + n));
        let gauge = text("the staff at the third pile of the old ferry landing");
        let reading = |n| StageReading { gauge: gauge.clone(), at: at(n), level_mm: n as i32 };
        (0..200).map(|n| Op::Stage { reading: reading(n), replaces: Vec::new() }).collect()
    }

    fn keys(store: &Store) -> Vec<(String, Vec<u8>)> {
        let query = format!("SELECT key, bytes FROM doc WHERE {PARTS}");
        let rows = store.sql(|db| {
            db.prepare(&query)?.query_map([], |r| Ok((r.get(0)?, r.get(1)?)))?.collect::<Result<Vec<_>, _>>()
        });
        rows.expect("reads")
    }

    #[test]
    fn a_document_in_parts_reads_as_one_and_only_its_end_is_made_anew() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let home = Home::open(Some(dir.path())).expect("opens");
        let id = found_survey(&home, &text("Testmere"), &text("zero"), NOW).expect("founds");
        let mut store = home.store(&id).expect("opens");
        store.append((0..40).map(readings).collect(), &[], NOW).expect("written");
        let (writes, before) = (store.survey_writes().expect("reads"), keys(&store));
        assert_eq!(writes.said.len(), 8001);
        assert!(before.len() > 2, "{} parts", before.len());
        store.append(vec![readings(40)], &[], NOW).expect("written");
        let after = keys(&store);
        let whole = before.len() - 1;
        assert_eq!(before[..whole], after[..whole], "what is full stays as it is");
        let writes = store.survey_writes().expect("reads");
        assert_eq!(writes.said.len(), 8201);
        // Cut otherwise, it reads the same.
        store.rebuild_documents().expect("rebuilt");
        assert_eq!(store.survey_writes().expect("reads"), writes);
        // A damaged part is found and made again.
        store.db.execute("UPDATE doc SET bytes = x'00' WHERE key = 'survey/00000001'", []).expect("written");
        assert!(store.survey_writes().is_err());
        assert!(store.check().expect("checks").rebuilt);
        assert_eq!(store.survey_writes().expect("reads"), writes);
        assert!(!store.check().expect("checks").rebuilt);
    }

    #[test]
    fn several_threads_do_what_one_does() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let home = Home::open(Some(dir.path())).expect("opens");
        let id = found_survey(&home, &text("Testmere"), &text("zero"), NOW).expect("founds");
        let mut store = home.store(&id).expect("opens");
        store.append((0..4).map(readings).collect(), &[], NOW).expect("written");
        let entries = store.entries_in_force().expect("reads");
        let changes = entries.iter().flat_map(|e| leadline_logbook::changes_of(e, store.limits()));
        let job = |(n, (doc, change)): (usize, (DocKey, DocChange))| Job {
            key: format!("{doc}{n}"),
            saved: if n == 1 { Some(vec![7]) } else { None },
            numbers: vec![n; WORTH],
            changes: vec![change; WORTH],
        };
        let jobs: Vec<Job> = changes.enumerate().map(job).collect();
        let one_by_one: Vec<_> = jobs.iter().map(|j| apply(j.saved.as_deref(), &j.changes).ok()).collect();
        let together: Vec<_> = applied(&jobs).into_iter().map(Result::ok).collect();
        assert!(one_by_one.len() == 5 && one_by_one.iter().filter(|a| a.is_none()).count() == 1);
        assert_eq!(together, one_by_one);
    }
}
