//! Room left on the disk.

use std::path::Path;

/// Below this a warning is due, bytes: a day of a busy boat's data (judgement).
pub(crate) const LOW: u64 = 200 << 20;

/// Bytes that may still be written where `path` lies, if the system tells.
#[cfg(unix)]
pub(crate) fn free(path: &Path) -> Option<u64> {
    let s = rustix::fs::statvfs(path).ok()?;
    s.f_bavail.checked_mul(s.f_frsize)
}

/// Not asked on other systems: there a failed write is the first sign.
#[cfg(not(unix))]
pub(crate) fn free(_path: &Path) -> Option<u64> {
    None
}
