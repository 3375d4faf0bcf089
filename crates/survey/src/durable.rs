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
