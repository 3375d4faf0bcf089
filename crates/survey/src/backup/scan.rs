//! Reading one backup from start to end: what it says of itself, what is private in it, its entries and strips.

use super::container::{self, Piece, kind};
use super::head::{BackupHead, Keys, Private, SECTION_MAX, Said};
use crate::Error;
use crate::parcel::lock::{self, Keys as Openers, LockKind, Opened, Source};
use leadline_logbook::Limits;
use leadline_model::{Digest, SurveyId};
use leadline_sync::{ParcelEvent, ParcelReader};
use std::io::{BufReader, ErrorKind};
use std::path::Path;

/// What is given out of the parcels, unproven.
pub(super) enum Item {
    Entries(SurveyId, Vec<Vec<u8>>),
    Strips(SurveyId, Vec<Vec<u8>>),
}

/// What else came of a backup.
pub(super) struct Scanned {
    pub(super) head: BackupHead,
    pub(super) said: Said,
    pub(super) digest: Digest,
    pub(super) private: Private,
    /// Its bytes, to tell whether anything in it is new.
    pub(super) private_bytes: Vec<u8>,
    pub(super) keys: Option<Keys>,
    /// What is wrong with it; empty = it is whole.
    pub(super) damage: Vec<String>,
}

/// What stands in the way of reading a backup.
pub(super) enum Found<T> {
    Here(T),
    /// It is locked, and no passphrase was given.
    Locked,
}

/// Opens a backup.
fn source(path: &Path, words: Option<&str>) -> Result<Found<(Source, bool)>, Error> {
    match lock::open(path, &Openers::passphrase(words))? {
        Opened::Here(source) => {
            let locked = matches!(source, Source::Locked(_));
            Ok(Found::Here((source, locked)))
        }
        Opened::Locked(LockKind::Passphrase) => Ok(Found::Locked),
        Opened::Locked(LockKind::Crew) => Err(bad(path, "it is locked for a crew: this is no backup")),
    }
}

/// What it says of itself, and whether it is locked; the rest is not looked at.
pub(super) fn look(path: &Path, words: Option<&str>) -> Result<Found<(BackupHead, Said, bool)>, Error> {
    let Found::Here((source, locked)) = source(path, words)? else { return Ok(Found::Locked) };
    let mut head = Vec::new();
    let end = container::read(BufReader::new(source), |piece| match piece {
        Piece::Bytes(kind::HEAD, bytes) => gather(&mut head, bytes),
        _ => Err(std::io::Error::other("enough")),
    });
    match (BackupHead::read(&head), end) {
        (Some((head, said)), _) => Ok(Found::Here((head, said, locked))),
        (None, Err(e)) if head.is_empty() => Err(unreadable(path, e)),
        (None, _) => Err(bad(path, "what it says of itself is damaged; take another backup")),
    }
}

/// Whether a backup asks for a passphrase.
pub(crate) fn is_locked(path: &Path) -> Result<bool, Error> {
    Ok(matches!(source(path, None)?, Found::Locked))
}

/// Reads it all; gives out entries and strips as they come. A damaged one gives what is whole before the damage.
pub(super) fn scan(
    path: &Path,
    words: Option<&str>,
    mut take: impl FnMut(Item) -> Result<(), Error>,
) -> Result<Found<Scanned>, Error> {
    let Found::Here((source, _)) = source(path, words)? else { return Ok(Found::Locked) };
    let mut reading = Reading::default();
    let mut failed = None;
    let end = container::read(BufReader::with_capacity(crate::parcel::CHUNK, source), |piece| {
        reading.piece(piece, &mut take).map_err(|e| match e {
            Stop::Damage(why) => std::io::Error::new(ErrorKind::InvalidData, why),
            Stop::Failed(e) => {
                failed = Some(*e);
                std::io::Error::other("stopped")
            }
        })
    });
    if let Some(e) = failed {
        return Err(e);
    }
    let Some((head, said)) = reading.head.take() else {
        return Err(match end {
            Err(e) => unreadable(path, e),
            Ok(_) => bad(path, "it does not say what it holds; take another backup"),
        });
    };
    let mut damage = reading.damage;
    let digest = match end {
        Ok(end) if end.is_sealed_by(&said.device) => end.digest,
        Ok(end) => {
            damage.push("its seal does not fit: something in it was altered".to_owned());
            end.digest
        }
        Err(e) if e.kind() == ErrorKind::UnexpectedEof => {
            damage.push("it is cut off: its end is missing".to_owned());
            Digest([0; 32])
        }
        Err(e) => {
            damage.push(e.to_string());
            Digest([0; 32])
        }
    };
    if reading.parcels != said.surveys.len() && damage.is_empty() {
        damage.push("it does not hold all the surveys it names".to_owned());
    }
    Ok(Found::Here(Scanned {
        head,
        said,
        digest,
        private: serde_json::from_slice(&reading.private).unwrap_or_default(),
        private_bytes: reading.private,
        keys: serde_json::from_slice(&reading.keys).ok(),
        damage,
    }))
}

/// Why reading stops.
enum Stop {
    Damage(String),
    Failed(Box<Error>),
}

#[derive(Default)]
struct Reading {
    head_bytes: Vec<u8>,
    head: Option<(BackupHead, Said)>,
    private: Vec<u8>,
    keys: Vec<u8>,
    parcel: Option<ParcelReader>,
    parcels: usize,
    damage: Vec<String>,
}

impl Reading {
    fn piece(
        &mut self,
        piece: Piece<'_>,
        take: &mut impl FnMut(Item) -> Result<(), Error>,
    ) -> Result<(), Stop> {
        let too_large = |e: std::io::Error| Stop::Damage(e.to_string());
        match piece {
            Piece::Bytes(kind::HEAD, b) => gather(&mut self.head_bytes, b).map_err(too_large),
            Piece::Bytes(kind::PRIVATE, b) => gather(&mut self.private, b).map_err(too_large),
            Piece::Bytes(kind::KEYS, b) => gather(&mut self.keys, b).map_err(too_large),
            Piece::Bytes(kind::PARCEL, b) => self.parcel(b, take),
            Piece::End(kind::HEAD) => {
                self.head = BackupHead::read(&self.head_bytes);
                let damaged = || Stop::Damage("what it says of itself is damaged".to_owned());
                self.head.as_ref().map(drop).ok_or_else(damaged)
            }
            Piece::End(kind::PARCEL) => {
                self.end_parcel();
                Ok(())
            }
            _ => Ok(()),
        }
    }

    fn survey(&self) -> Result<SurveyId, Stop> {
        let said = self.head.as_ref().and_then(|(_, said)| said.surveys.get(self.parcels));
        said.copied().ok_or_else(|| Stop::Damage("it holds more surveys than it names".to_owned()))
    }

    fn parcel(&mut self, bytes: &[u8], take: &mut impl FnMut(Item) -> Result<(), Error>) -> Result<(), Stop> {
        let survey = self.survey()?;
        let reader = self.parcel.get_or_insert_with(|| ParcelReader::new(Some(survey), Limits::default()));
        for event in reader.push(bytes).map_err(|e| Stop::Damage(e.to_string()))? {
            let taken = match event {
                ParcelEvent::Entries(all) => take(Item::Entries(survey, all)),
                ParcelEvent::Strips(all) => take(Item::Strips(survey, all)),
                _ => Ok(()),
            };
            taken.map_err(|e| Stop::Failed(Box::new(e)))?;
        }
        Ok(())
    }

    fn end_parcel(&mut self) {
        let whole = self.parcel.take().is_some_and(|r| r.finish().is_ok_and(|end| end.is_whole()));
        if !whole {
            let of =
                self.survey().map_or_else(|_| "a survey".to_owned(), |id| format!("survey {}", id.short()));
            self.damage.push(format!("the entries and strips of {of} in it are damaged"));
        }
        self.parcels += 1;
    }
}

fn gather(to: &mut Vec<u8>, bytes: &[u8]) -> std::io::Result<()> {
    if to.len() + bytes.len() > SECTION_MAX {
        return Err(std::io::Error::new(ErrorKind::InvalidData, "a section is larger than any backup has"));
    }
    to.extend_from_slice(bytes);
    Ok(())
}

pub(super) fn bad(path: &Path, why: &str) -> Error {
    Error::Backup { path: path.to_owned(), why: why.to_owned() }
}

fn unreadable(path: &Path, e: std::io::Error) -> Error {
    match e.kind() {
        ErrorKind::UnexpectedEof => bad(path, "this is not a backup, or its beginning is cut off"),
        ErrorKind::InvalidData | ErrorKind::Unsupported => bad(path, &e.to_string()),
        _ => Error::Unreadable { path: path.to_owned(), source: e },
    }
}
