//! What can go wrong in a device's folder, sorted by who must act.

use leadline_logbook::{CodecError, DocError, InviteRefusal, Refusal, StripError};
use leadline_model::{SurveyId, TextError};
use std::path::PathBuf;

/// Who must act on an error; the program's exit codes follow it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Family {
    /// The input or the request: exit 1.
    Input,
    /// A peer or the network: exit 3.
    Peer,
    /// The device's folder: exit 4.
    Store,
}

/// An error of the device's folder, with where and what next.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// A file could not be read or written.
    #[error("{}: {source}{}", path.display(), way_out(source))]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// An input file could not be read.
    #[error("cannot read {}: {source}; check the name and the permissions", path.display())]
    Unreadable {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// An output file.
    #[error("cannot write {}: {source}; nothing else was changed", path.display())]
    Output {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// SQLite.
    #[error("the store {}: {source}; {}", path.display(), next_step(source))]
    Sqlite {
        /// The store.
        path: PathBuf,
        /// Why.
        source: rusqlite::Error,
    },
    /// Too little is free to take in what others bring.
    #[error(
        "only {} MiB are free where {} lies, and {} MiB are left for what this device measures: make room, then meet again (nothing that was here was lost)",
        free >> 20, path.display(), least >> 20
    )]
    LittleRoom {
        /// The home.
        path: PathBuf,
        /// Free, bytes.
        free: u64,
        /// Left free at least, bytes.
        least: u64,
    },
    /// No folder to keep the data in.
    #[error("no home folder is known; give one with --home DIR or LEADLINE_HOME")]
    NoHome,
    /// The home holds no survey.
    #[error(
        "there is no survey in this home yet; begin one with `leadline survey new NAME`, or join one with `leadline crew join INVITE`"
    )]
    NoSurvey,
    /// Several surveys, none chosen.
    #[error("this home has several surveys ({}); pick one with --survey or `leadline survey use`", .0.join(", "))]
    WhichSurvey(Vec<String>),
    /// No such survey.
    #[error("no survey here is called {0}; `leadline survey list` shows them")]
    UnknownSurvey(String),
    /// The store is newer than this program.
    #[error("the store {} has format {found}, this program writes {known}: use a newer program (nothing was changed)", path.display())]
    Newer {
        /// The store.
        path: PathBuf,
        /// Its format.
        found: i64,
        /// This program's.
        known: i64,
    },
    /// A key file is not what it should be.
    #[error("{} is damaged: {why}; restore it from a backup, or move it away to get a new identity", path.display())]
    KeyFile {
        /// Which.
        path: PathBuf,
        /// Why.
        why: &'static str,
    },
    /// A text field.
    #[error("{what}: {source}")]
    Text {
        /// Which field.
        what: &'static str,
        /// Why.
        source: TextError,
    },
    /// An entry of our own could not be made.
    #[error("cannot write this entry: {0}")]
    Entry(#[from] Refusal),
    /// A strip of our own could not be made.
    #[error("cannot pack the soundings: {0}")]
    Strip(#[from] StripError),
    /// A cached document is damaged.
    #[error("{0}; run `leadline verify`, which rebuilds it from the entries")]
    Document(#[from] DocError),
    /// Encoding.
    #[error("{0}")]
    Codec(#[from] CodecError),
    /// An invite that is no invite.
    #[error("this is not a whole invite: {0}; copy it again, from `leadline:` to its last letter")]
    Invite(&'static str),
    /// An invite not honoured.
    #[error("{0}")]
    InviteRefused(#[from] InviteRefusal),
    /// A parcel of another survey.
    #[error("the parcel belongs to survey \"{name}\" ({}), not to this one ({}); pick that survey with --survey, or join its crew", theirs.short(), ours.short())]
    OtherSurvey {
        /// Name in the parcel.
        name: String,
        /// The parcel's.
        theirs: SurveyId,
        /// Ours.
        ours: SurveyId,
    },
    /// A write into a survey that came as a gift.
    #[error("\"{}\" came as a gift and belongs to another crew: this device reads it and writes nothing into it; join that crew (`leadline crew join INVITE`), or begin a survey of your own and adopt it (`leadline survey adopt`)", leadline_model::escaped(.0))]
    Guest(String),
    /// Not a parcel, or damaged.
    #[error("{}: {why}", path.display())]
    Parcel {
        /// Which file.
        path: PathBuf,
        /// What is wrong and what next.
        why: String,
    },
    /// Not a backup, damaged, or not where one can be.
    #[error("{}: {why}", path.display())]
    Backup {
        /// Which file or folder.
        path: PathBuf,
        /// What is wrong and what next.
        why: String,
    },
    /// This device may only read.
    #[error(
        "this device is a reader here: it may read and pass on, not write (nothing was written); a keeper of the crew can change that with `leadline crew role`"
    )]
    Reader,
    /// What only keepers may say.
    #[error(
        "only an admitted keeper can do that: ask one of the crew (`leadline crew list`), or meet a device of the crew first (`leadline sync`)"
    )]
    NotKeeper,
    /// This device's admission came to nothing.
    #[error(
        "this device's admission does not count any more, as the keeper who admitted it was dismissed before: nothing was written; ask another keeper for `leadline crew role` or a new invite"
    )]
    Unadmitted,
    /// This device was dismissed.
    #[error(
        "this device was dismissed from the crew by {by} ({why}): nothing it writes from now on would count, so nothing was written; what it holds can still be read, charted and exported. A keeper can admit it again with `leadline crew role`"
    )]
    Dismissed {
        /// Name of the keeper.
        by: String,
        /// The reason in its words.
        why: String,
    },
    /// Another request that cannot be met.
    #[error("{0}")]
    Request(String),
}

impl Error {
    /// Who must act.
    pub fn family(&self) -> Family {
        match self {
            Self::File { .. }
            | Self::Sqlite { .. }
            | Self::NoHome
            | Self::LittleRoom { .. }
            | Self::Newer { .. }
            | Self::KeyFile { .. } => Family::Store,
            Self::Document(_) => Family::Store,
            _ => Family::Input,
        }
    }

    /// Whether it says that the store itself is damaged.
    pub fn is_damage(&self) -> bool {
        use rusqlite::ErrorCode as C;
        match self {
            Self::Document(_) => true,
            Self::Sqlite { source, .. } => match source {
                rusqlite::Error::SqliteFailure(..) => {
                    // Unknown: a table that is not there, a schema that cannot be read.
                    matches!(
                        source.sqlite_error_code(),
                        Some(
                            C::DatabaseCorrupt
                                | C::NotADatabase
                                | C::Unknown
                                | C::TooBig
                                | C::OutOfMemory
                                | C::ConstraintViolation
                        )
                    )
                }
                // A row or a column that should be there is not, or is of another kind.
                _ => true,
            },
            _ => false,
        }
    }

    /// Whether the store's disk is full or read-only, so that it can only be read.
    pub(crate) fn is_unwritable(&self) -> bool {
        let Self::Sqlite { source, .. } = self else { return false };
        is_no_room(source) || source.sqlite_error_code() == Some(rusqlite::ErrorCode::ReadOnly)
    }

    pub(crate) fn file(path: &std::path::Path) -> impl FnOnce(std::io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self::File { path, source }
    }
}

/// What to do about a file's error, where that can be told; with the sign that divides it from the error.
fn way_out(e: &std::io::Error) -> &'static str {
    use std::io::ErrorKind as K;
    match e.kind() {
        K::StorageFull | K::QuotaExceeded => "; the disk is full: make room and repeat the command",
        K::ReadOnlyFilesystem => {
            "; the disk is read-only: unlock or mount it for writing, then repeat the command"
        }
        K::PermissionDenied => "; check who may read and write the folder, then repeat the command",
        _ => "",
    }
}

/// Whether the disk is full. Then the memory that processes share cannot grow either: SQLite, "Result and Error Codes",
/// SQLITE_IOERR_SHMSIZE.
pub(crate) fn is_no_room(e: &rusqlite::Error) -> bool {
    e.sqlite_error_code() == Some(rusqlite::ErrorCode::DiskFull)
        || e.sqlite_extended_error_code() == Some(rusqlite::ffi::SQLITE_IOERR_SHMSIZE)
}

fn next_step(e: &rusqlite::Error) -> &'static str {
    use rusqlite::ErrorCode as C;
    if is_no_room(e) {
        return "the disk is full: make room and repeat the command; nothing was half written";
    }
    match e.sqlite_error_code() {
        Some(C::ReadOnly | C::CannotOpen | C::PermissionDenied) => {
            "check that the folder is there and may be written; nothing was changed"
        }
        Some(C::DatabaseBusy | C::DatabaseLocked) => "another command is writing: wait and repeat",
        Some(C::NotADatabase | C::DatabaseCorrupt) => {
            "it is damaged: `leadline verify --repair` saves what is whole; a parcel, a backup or another device brings back the rest"
        }
        Some(C::SystemIoFailure) => {
            "the disk reports an error: check its cable and space, then repeat; what was acknowledged before is kept"
        }
        _ => "nothing was half written; repeat the command",
    }
}
