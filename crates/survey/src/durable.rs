//! Files and folders whose names, too, outlive a cut of the power: a name is on the disk only when its folder was
//! synced (POSIX.1-2024, fsync()).

use crate::Error;
use std::fs;
use std::io::{ErrorKind, Write};
use std::path::Path;

/// Writes to a temporary name, syncs, renames, syncs the folder: either the old or the new file is there, and the new
/// one once this has returned.
pub fn replace_file(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    let temp = path.with_extension(format!("{}.tmp", std::process::id()));
    let write = || -> std::io::Result<()> {
        let mut f = fs::File::create(&temp)?;
        f.write_all(bytes)?;
        f.sync_all()?;
        fs::rename(&temp, path)?;
        sync_folder_of(path)
    };
    write().inspect_err(|_| drop(fs::remove_file(&temp))).map_err(Error::file(path))
}

/// Makes a folder and those above it, each of which is then on the disk.
pub(crate) fn make_folder(dir: &Path) -> Result<(), Error> {
    if dir.is_dir() {
        return Ok(());
    }
    if let Some(above) = dir.parent().filter(|p| !p.as_os_str().is_empty()) {
        make_folder(above)?;
    }
    match fs::create_dir(dir) {
        // Another process was faster.
        Err(e) if e.kind() == ErrorKind::AlreadyExists && dir.is_dir() => Ok(()),
        Err(e) => Err(e),
        Ok(()) => sync_folder_of(dir),
    }
    .map_err(Error::file(dir))
}

/// Syncs the folder that a file or folder is named in.
pub(crate) fn sync_folder_of(path: &Path) -> std::io::Result<()> {
    let here = Path::new(".");
    let folder = path.parent().map_or(here, |p| if p.as_os_str().is_empty() { here } else { p });
    if cfg!(not(unix)) {
        return Ok(());
    }
    match fs::File::open(folder)?.sync_all() {
        // Some file systems of cards and shares have no such thing.
        Err(e) if matches!(e.kind(), ErrorKind::InvalidInput | ErrorKind::Unsupported) => Ok(()),
        other => other,
    }
}

/// How old a temporary file is before it is taken for left over by a process that was killed.
const LEFT_OVER: std::time::Duration = std::time::Duration::from_secs(24 * 3600);

/// Removes files of `dir` that a killed process left there a day ago or earlier: those named `...tmp` whose name before
/// that `is_ours`. What cannot be removed or looked at stays.
pub(crate) fn sweep_leftovers(dir: &Path, is_ours: impl Fn(&str) -> bool) {
    for entry in fs::read_dir(dir).into_iter().flatten().flatten() {
        let name = entry.file_name();
        let ours = name.to_str().and_then(|n| n.strip_suffix(".tmp")).is_some_and(&is_ours);
        let age = entry.metadata().and_then(|m| m.modified()).ok().and_then(|t| t.elapsed().ok());
        if ours && age.is_some_and(|a| a > LEFT_OVER) {
            drop(fs::remove_file(entry.path()));
        }
    }
}

/// Whether `name` is `stem`, a dot and the number of a process, as temporary names beside their target are.
pub(crate) fn is_beside(name: &str, stem: &str) -> bool {
    let number = name.strip_prefix(stem).and_then(|rest| rest.strip_prefix('.'));
    number.is_some_and(|n| !n.is_empty() && n.bytes().all(|b| b.is_ascii_digit()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::SystemTime;

    fn file(path: &Path, hours: u64) {
        let f = fs::File::create(path).expect("made");
        f.set_modified(SystemTime::now() - std::time::Duration::from_secs(3600 * hours)).expect("set");
    }

    #[test]
    fn only_old_files_of_ours_are_swept() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        for (name, hours) in
            [("lake.12.tmp", 30), ("lake.13.tmp", 2), ("lake.old.tmp", 30), ("lake.tmp", 30), ("lake.12", 30)]
        {
            file(&dir.path().join(name), hours);
        }
        sweep_leftovers(dir.path(), |n| is_beside(n, "lake"));
        let mut left: Vec<_> =
            fs::read_dir(dir.path()).expect("lists").map(|e| e.expect("one").file_name()).collect();
        left.sort();
        assert_eq!(left, ["lake.12", "lake.13.tmp", "lake.old.tmp", "lake.tmp"]);
        sweep_leftovers(&dir.path().join("none"), |_| true);
    }
}
