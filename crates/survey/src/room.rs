//! Room left on the disk, and how much of it a meeting leaves to this device's own work.

use crate::Error;
use std::path::Path;

/// Below this a warning is due, bytes: a day of a busy boat's data (judgement).
pub const LOW_ROOM: u64 = 200 << 20;

/// What a meeting leaves free at least, bytes: whatever others bring, the evening can still be recorded (judgement).
const LEFT: u64 = 100 << 20;

/// Of a small disk it leaves this part.
const PART_LEFT: u64 = 20;

/// Bytes that may still be written where `path` lies, if the system tells.
#[must_use]
pub fn free_room(path: &Path) -> Option<u64> {
    seen(path).map(|(free, _)| free)
}

/// Refuses what others bring where less than the reserve is left. What this device measures itself is never refused.
pub(crate) fn leave_some(folder: &Path) -> Result<(), Error> {
    let Some((free, size)) = seen(folder) else { return Ok(()) };
    let least = LEFT.min(size / PART_LEFT);
    if free >= least {
        return Ok(());
    }
    Err(Error::LittleRoom { path: folder.to_owned(), free, least })
}

/// Bytes that are free for this user, and all there are.
#[cfg(unix)]
fn seen(path: &Path) -> Option<(u64, u64)> {
    let s = rustix::fs::statvfs(path).ok()?;
    Some((s.f_bavail.checked_mul(s.f_frsize)?, s.f_blocks.checked_mul(s.f_frsize)?))
}

/// Not asked on other systems: there a failed write is the first sign.
#[cfg(not(unix))]
fn seen(_path: &Path) -> Option<(u64, u64)> {
    None
}
