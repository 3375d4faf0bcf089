//! Locked parcels: an age file around the sealed one. Signed inside, encrypted outside.

use super::CHUNK;
use crate::{Error, Home};
use age::secrecy::SecretString;
use age::{DecryptError, Decryptor, Encryptor, scrypt, x25519};
use leadline_logbook::Domain;
use leadline_model::SurveyId;
use std::fs::File;
use std::io::{BufReader, BufWriter, Read, Seek, SeekFrom, Write};
use std::path::Path;

/// First bytes of every age file (age-encryption.org/v1).
const AGE_MAGIC: &[u8] = b"age-encryption.org/v1";
/// Begins the last line of its header.
const AGE_HEADER_END: &[u8] = b"\n--- ";
/// Longest header, bytes: room for a hundred keys.
const MOST_HEADER: u64 = 16 << 10;
/// Work factor of scrypt, a power of two: 64 MiB and about a quarter of a second (judgement).
const WORK: u8 = 16;
/// Greatest work factor that is done on reading: 256 MiB. A file that asks for more is refused, not obeyed.
const MOST_WORK: u8 = 18;
/// Longest passphrase, bytes.
const PASSPHRASE_BYTES: usize = 1024;

/// Who can open a parcel.
#[derive(Clone, PartialEq, Eq)]
pub enum ParcelLock {
    /// Whoever knows these words.
    Passphrase(String),
    /// Every device that holds the survey's secret.
    Crew,
}

impl std::fmt::Debug for ParcelLock {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Passphrase(_) => "Passphrase(…)",
            Self::Crew => "Crew",
        })
    }
}

/// How a parcel is locked, as anybody can see.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum LockKind {
    /// By a passphrase.
    Passphrase,
    /// For whoever holds a key: the crew.
    Crew,
}

/// Where a parcel's bytes go.
pub(crate) enum Sink {
    Open(BufWriter<File>),
    Locked(Box<age::stream::StreamWriter<BufWriter<File>>>),
}

impl Sink {
    pub(crate) fn new(
        home: &Home,
        survey: &SurveyId,
        lock: Option<&ParcelLock>,
        file: File,
    ) -> Result<Self, Error> {
        let out = BufWriter::with_capacity(CHUNK, file);
        match lock {
            None => Ok(Self::Open(out)),
            Some(ParcelLock::Passphrase(words)) => Self::by_words(words, out),
            Some(ParcelLock::Crew) => {
                let to = identity(&home.secret(survey)?)?.to_public();
                Self::locked(Encryptor::with_recipients(std::iter::once(&to as _)), out)
            }
        }
    }

    /// Open, or locked by a passphrase.
    pub(crate) fn by_passphrase(words: Option<&str>, file: File) -> Result<Self, Error> {
        let out = BufWriter::with_capacity(CHUNK, file);
        match words {
            None => Ok(Self::Open(out)),
            Some(words) => Self::by_words(words, out),
        }
    }

    fn by_words(words: &str, out: BufWriter<File>) -> Result<Self, Error> {
        let mut to = scrypt::Recipient::new(secret(words)?);
        to.set_work_factor(WORK);
        Self::locked(Encryptor::with_recipients(std::iter::once(&to as _)), out)
    }

    fn locked(encryptor: Result<Encryptor, age::EncryptError>, out: BufWriter<File>) -> Result<Self, Error> {
        let failed = |e: String| Error::Request(format!("the file cannot be locked: {e}"));
        let writer = encryptor.map_err(|e| failed(e.to_string()))?.wrap_output(out);
        Ok(Self::Locked(Box::new(writer.map_err(|e| failed(e.to_string()))?)))
    }

    /// Closes what is open and makes the file durable.
    pub(crate) fn finish(self) -> std::io::Result<()> {
        let out = match self {
            Self::Open(out) => out,
            Self::Locked(writer) => writer.finish()?,
        };
        out.into_inner().map_err(std::io::IntoInnerError::into_error)?.sync_all()
    }
}

impl Write for Sink {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        match self {
            Self::Open(out) => out.write(bytes),
            Self::Locked(out) => out.write(bytes),
        }
    }

    fn flush(&mut self) -> std::io::Result<()> {
        match self {
            Self::Open(out) => out.flush(),
            Self::Locked(out) => out.flush(),
        }
    }
}

/// Keys that may open a parcel.
pub(crate) struct Keys {
    passphrase: Option<String>,
    secrets: Vec<[u8; 32]>,
}

impl Keys {
    /// The passphrase, and the secrets of all surveys of `home`, former ones too.
    pub(crate) fn of(home: &Home, passphrase: Option<&str>) -> Result<Self, Error> {
        let mut secrets = Vec::new();
        for known in home.surveys()? {
            if let Ok(id) = known.id.parse()
                && let Ok(all) = home.secrets(&id)
            {
                secrets.extend(all);
            }
        }
        Ok(Self { passphrase: passphrase.map(str::to_owned), secrets })
    }

    /// None.
    pub(crate) fn none() -> Self {
        Self::passphrase(None)
    }

    /// A passphrase alone.
    pub(crate) fn passphrase(words: Option<&str>) -> Self {
        Self { passphrase: words.map(str::to_owned), secrets: Vec::new() }
    }
}

/// A parcel's bytes, opened if it is locked.
pub(crate) enum Source {
    Open(File),
    Locked(Box<age::stream::StreamReader<BufReader<File>>>),
}

/// What stands in the way of opening a parcel.
pub(crate) enum Opened {
    Here(Source),
    /// It is locked, and no key for it was given.
    Locked(LockKind),
}

/// Opens the parcel at `path`.
pub(crate) fn open(path: &Path, keys: &Keys) -> Result<Opened, Error> {
    let unreadable = |source| Error::Unreadable { path: path.to_owned(), source };
    let bad = |why: &str| Error::Parcel { path: path.to_owned(), why: why.to_owned() };
    let mut file = File::open(path).map_err(unreadable)?;
    let start = start_of(&mut file).map_err(unreadable)?;
    if !start.starts_with(AGE_MAGIC) {
        return Ok(Opened::Here(Source::Open(file)));
    }
    // The header is kept in memory: one without an end is not begun.
    if !start.windows(AGE_HEADER_END.len()).any(|w| w == AGE_HEADER_END) {
        return Err(bad("it is locked and its first lines are damaged or cut; get it again"));
    }
    let decryptor = Decryptor::new_buffered(BufReader::new(file)).map_err(|e| match e {
        DecryptError::Io(e) if e.kind() != std::io::ErrorKind::UnexpectedEof => unreadable(e),
        _ => bad("it is locked and its first lines are damaged or cut; get it again"),
    })?;
    let opened = if decryptor.is_scrypt() {
        let Some(words) = &keys.passphrase else { return Ok(Opened::Locked(LockKind::Passphrase)) };
        let mut key = scrypt::Identity::new(secret(words)?);
        key.set_max_work_factor(MOST_WORK);
        decryptor.decrypt(std::iter::once(&key as _))
    } else {
        let keys: Vec<x25519::Identity> = keys.secrets.iter().map(identity).collect::<Result<_, _>>()?;
        decryptor.decrypt(keys.iter().map(|k| k as _))
    };
    match opened {
        Ok(stream) => Ok(Opened::Here(Source::Locked(Box::new(stream)))),
        Err(DecryptError::NoMatchingKeys) => Ok(Opened::Locked(LockKind::Crew)),
        Err(DecryptError::DecryptionFailed | DecryptError::KeyDecryptionFailed) => {
            Err(bad("the passphrase does not open it; mind blanks, capitals and the keyboard's language"))
        }
        Err(DecryptError::ExcessiveWork { required, .. }) => Err(bad(&format!(
            "its passphrase asks for a work factor of 2^{required}, this program does at most 2^{MOST_WORK}; it was not written by leadline"
        ))),
        Err(_) => Err(bad("it is locked and its first lines are damaged; get it again")),
    }
}

fn start_of(file: &mut File) -> std::io::Result<Vec<u8>> {
    let mut start = Vec::new();
    Read::by_ref(file).take(MOST_HEADER).read_to_end(&mut start)?;
    file.seek(SeekFrom::Start(0))?;
    Ok(start)
}

fn secret(words: &str) -> Result<SecretString, Error> {
    match words.len() {
        0 => Err(Error::Request("the passphrase is empty; give one".to_owned())),
        n if n > PASSPHRASE_BYTES => {
            Err(Error::Request(format!("the passphrase has {n} bytes; at most {PASSPHRASE_BYTES}")))
        }
        _ => Ok(SecretString::from(words.to_owned())),
    }
}

/// The key of a survey's crew, as age writes keys: Bech32 (BIP 173) under the prefix that age gives them.
fn identity(survey_secret: &[u8; 32]) -> Result<x25519::Identity, Error> {
    let key = Domain::ParcelLock.digest(&[survey_secret]).0;
    let made = bech32::Hrp::parse("age-secret-key-")
        .ok()
        .and_then(|prefix| bech32::encode_upper::<bech32::Bech32>(prefix, &key).ok())
        .and_then(|text| text.parse().ok());
    made.ok_or_else(|| Error::Request("the crew's key for parcels could not be made".to_owned()))
}

impl Read for Source {
    fn read(&mut self, to: &mut [u8]) -> std::io::Result<usize> {
        match self {
            Self::Open(file) => file.read(to),
            Self::Locked(stream) => stream.read(to),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_secret_is_shown() {
        let lock = ParcelLock::Passphrase("three grey geese".to_owned());
        assert!(!format!("{lock:?}").contains("geese"));
    }

    #[test]
    fn the_crews_key_is_made_of_the_secret_alone() {
        let public = |s: u8| identity(&[s; 32]).expect("a key").to_public().to_string();
        assert_eq!(public(1), public(1));
        assert_ne!(public(1), public(2));
        assert!(public(1).starts_with("age1"));
    }
}
