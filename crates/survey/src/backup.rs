//! Backups: what a device holds, as a file, or as a folder of files each of which holds what is new since the one
//! before. More than a parcel: private marks, settings and what is held back too; so it is not for giving away.

mod chain;
mod container;
mod head;
mod plan;
mod restore;
mod scan;
mod write;

pub use chain::{ChainFile, FolderSeen, backup_seen};
pub(crate) use chain::{Held, held_in};
pub use head::{BackupHead, BackupSurvey};
pub use restore::{Restored, RestoredSurvey, restore};
pub(crate) use scan::is_locked;
pub(crate) use write::back_up_for_a_moment;
pub use write::{BackedUp, BackupRequest, back_up};

/// Ending of a backup's name.
const BACKUP_ENDING: &str = "backup";
