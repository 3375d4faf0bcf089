//! Opening a store's file: as one of several processes, and where that cannot be, so that it can at least be read.

use crate::error::is_no_room;
use rusqlite::{Connection, OpenFlags};
use std::fs::File;
use std::io::ErrorKind;
use std::path::Path;

/// Opens the file, made if it is not there.
///
/// On a full disk the memory that processes share cannot be made: then this process takes the store for itself, which
/// needs none (SQLite, "Write-Ahead Logging", section 8). On a medium that cannot be written nothing changes the file,
/// so it is read as it is, if no log lies beside it (the same, section 5).
pub(super) fn connect(path: &Path) -> rusqlite::Result<Connection> {
    match shared(path) {
        Err(e) if is_no_room(&e) => alone(path),
        Err(e) if !has_log(path) && is_read_only(path) => immutable(path).map_err(|_| e),
        other => other,
    }
}

fn shared(path: &Path) -> rusqlite::Result<Connection> {
    let flags =
        OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let db = Connection::open_with_flags(path, flags)?;
    prepare(&db)?;
    for_writing(&db)?;
    Ok(db)
}

fn alone(path: &Path) -> rusqlite::Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let db = Connection::open_with_flags(path, flags)?;
    db.pragma_update(None, "locking_mode", "EXCLUSIVE")?;
    prepare(&db)?;
    for_writing(&db)?;
    Ok(db)
}

fn immutable(path: &Path) -> rusqlite::Result<Connection> {
    let flags =
        OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX | OpenFlags::SQLITE_OPEN_URI;
    let db = Connection::open_with_flags(address(path), flags)?;
    prepare(&db)?;
    Ok(db)
}

/// What changes nothing in the file.
fn prepare(db: &Connection) -> rusqlite::Result<()> {
    db.busy_timeout(std::time::Duration::from_secs(30))?;
    // A meeting asks more different questions than the sixteen that are kept by default.
    db.set_prepared_statement_cache_capacity(64);
    // KiB: a group's pages, and those of the indexes by digest, whose rows come in no order.
    db.pragma_update(None, "cache_size", -16_384)?;
    db.pragma_update(None, "foreign_keys", true)
}

fn for_writing(db: &Connection) -> rusqlite::Result<()> {
    // Takes effect only on a file that is still empty.
    db.pragma_update(None, "page_size", 16_384)?;
    db.query_row("PRAGMA journal_mode = WAL", [], |r| r.get::<_, String>(0))?;
    db.pragma_update(None, "synchronous", "FULL")
}

fn has_log(path: &Path) -> bool {
    std::fs::metadata(path.with_extension("sqlite-wal")).is_ok_and(|m| m.len() > 0)
}

/// Whether the file's medium takes no writes from anybody: a missing permission is another thing.
fn is_read_only(path: &Path) -> bool {
    File::options().write(true).open(path).is_err_and(|e| e.kind() == ErrorKind::ReadOnlyFilesystem)
}

/// As SQLite reads it ("Uniform Resource Identifiers", section 3): all but plain letters escaped.
fn address(path: &Path) -> String {
    let bytes = path.as_os_str().as_encoded_bytes();
    let one = |b: &u8| match b {
        b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'/' | b'.' | b'-' | b'_' => char::from(*b).to_string(),
        b => format!("%{b:02X}"),
    };
    format!("file:{}?immutable=1", bytes.iter().map(one).collect::<String>())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_mean_the_path() {
        assert_eq!(address(Path::new("/a b/50%?#.sqlite")), "file:/a%20b/50%25%3F%23.sqlite?immutable=1");
    }

    #[test]
    fn a_store_that_is_there_can_be_read_without_shared_memory() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let path = dir.path().join("a b.sqlite");
        let db = connect(&path).expect("opens");
        db.execute_batch("CREATE TABLE t (n); INSERT INTO t VALUES (7)").expect("written");
        let n = |db: &Connection| db.query_row("SELECT n FROM t", [], |r| r.get::<_, i64>(0));
        drop(db);
        assert_eq!(n(&alone(&path).expect("opens")), Ok(7));
        assert!(!dir.path().join("a b.sqlite-shm").exists());
        let fixed = immutable(&path).expect("opens");
        assert_eq!(n(&fixed), Ok(7));
        fixed.execute("DELETE FROM t", []).expect_err("it is only read");
        assert!(!is_read_only(&path) && !has_log(&path));
    }
}
