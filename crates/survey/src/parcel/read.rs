//! Reading parcels, whole or cut, open or locked, one or several, of this crew or as a gift.

use super::CHUNK;
use super::lock::{Keys, LockKind, Opened, open};
use crate::store::Accepted;
use crate::{Error, Home, Store};
use leadline_logbook::Limits;
use leadline_model::SurveyId;
use leadline_sync::{ParcelEnd, ParcelError, ParcelEvent, ParcelHeader, ParcelReader, ParcelTerms};
use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};

/// What reading a parcel brought.
#[derive(Clone, Debug)]
pub struct ParcelRead {
    /// Where.
    pub path: PathBuf,
    /// What the parcel says of itself.
    pub header: ParcelHeader,
    /// And of its use.
    pub terms: ParcelTerms,
    /// How it ended.
    pub end: ParcelEnd,
    /// What became of its content.
    pub accepted: Accepted,
    /// Logs of devices of which it presupposes entries that are not here.
    pub lacking: usize,
    /// It was read as a guest: this device is not of the crew.
    pub guest: bool,
}

/// What can be seen of a parcel without taking it in.
#[derive(Clone, Debug)]
pub enum ParcelSeen {
    /// It is locked, and no key for it is here.
    Locked(LockKind),
    /// Its content.
    Content {
        /// What the parcel says of itself.
        header: Box<ParcelHeader>,
        /// And of its use.
        terms: ParcelTerms,
        /// How it ended.
        end: ParcelEnd,
        /// It was locked, and could be opened.
        locked: bool,
    },
}

/// One frame of content, unproven.
pub(super) enum Piece {
    Entries(Vec<Vec<u8>>),
    Strips(Vec<Vec<u8>>),
}

/// What came of a parcel besides its content.
pub(super) struct Came {
    pub(super) header: ParcelHeader,
    pub(super) terms: ParcelTerms,
    pub(super) end: ParcelEnd,
    pub(super) locked: bool,
}

/// Takes in what is whole in a parcel of this survey.
pub fn read_parcel(store: &mut Store, path: &Path) -> Result<ParcelRead, Error> {
    let mut read = read_into(store, &[path.to_owned()], &Keys::none())?;
    read.pop().ok_or_else(|| Error::Request("no parcel was named".to_owned()))
}

/// Takes in what is whole in several parcels, in any order, each into the survey of this home that it belongs to. A
/// gift of a survey that is not here becomes one that this device reads as a guest. `only`: refuse other surveys.
pub fn read_parcels(
    home: &Home,
    only: Option<SurveyId>,
    paths: &[PathBuf],
    passphrase: Option<&str>,
) -> Result<Vec<ParcelRead>, Error> {
    let keys = Keys::of(home, passphrase)?;
    let mut of: BTreeMap<SurveyId, Vec<PathBuf>> = BTreeMap::new();
    let mut said = BTreeMap::new();
    for path in paths {
        let (header, terms) = look(path, &keys, only)?;
        of.entry(header.survey).or_default().push(path.clone());
        said.entry(header.survey).or_insert((header, terms));
    }
    let mut all = Vec::new();
    for (survey, (header, terms)) in &said {
        // One that was begun and cut off before anything came into it is new too.
        let is_new = !home.holds(survey) || home.store(survey)?.is_blank()?;
        if is_new && !terms.gift {
            return Err(Error::Request(format!(
                "the parcel is of the survey \"{}\" ({}), which is not in this home, and is meant for its crew: join that crew with `leadline crew join INVITE`, or ask for a gift, which its crew writes with `leadline parcel write FILE --gift`",
                header.name,
                survey.short()
            )));
        }
        let mut store = home.store(survey)?;
        if is_new {
            store.begin_guest(&header.name)?;
        }
        let read = read_into(&mut store, &of[survey], &keys);
        // Nothing of it proved genuine: no trace stays.
        if is_new && !read.as_ref().is_ok_and(|all| all.iter().any(|r| r.accepted.entries > 0)) {
            home.forget(store)?;
        }
        all.extend(read?);
    }
    all.sort_by_key(|r| paths.iter().position(|p| *p == r.path));
    Ok(all)
}

fn read_into(store: &mut Store, paths: &[PathBuf], keys: &Keys) -> Result<Vec<ParcelRead>, Error> {
    let (survey, limits) = (store.survey(), *store.limits());
    let guest = store.is_guest()?;
    let mut sums = vec![Accepted::default(); paths.len()];
    // Strips are taken only if an entry names them: the entries of all files first, wherever they stand in them.
    for (path, sum) in paths.iter().zip(&mut sums) {
        for_each(path, keys, Some(survey), limits, |piece| match piece {
            Piece::Entries(entries) => store.accept(entries, Vec::new()).map(|more| sum.add(more)),
            Piece::Strips(_) => Ok(()),
        })?;
    }
    let mut all = Vec::with_capacity(paths.len());
    for (path, mut accepted) in paths.iter().zip(sums) {
        let came = for_each(path, keys, Some(survey), limits, |piece| match piece {
            Piece::Strips(strips) => store.accept(Vec::new(), strips).map(|more| accepted.add(more)),
            Piece::Entries(_) => Ok(()),
        })?;
        if guest && !came.terms.pass_on {
            store.keep_to_itself()?;
        }
        let lacking = lacking(store, &came.header)?;
        let Came { header, terms, end, .. } = came;
        all.push(ParcelRead { path: path.clone(), header, terms, end, accepted, lacking, guest });
    }
    Ok(all)
}

/// Of how many logs something is presupposed that is not here.
fn lacking(store: &Store, header: &ParcelHeader) -> Result<usize, Error> {
    let Some(theirs) = &header.presupposes else { return Ok(0) };
    let ours = store.have()?;
    let mut n = 0;
    for log in &theirs.0 {
        let held = ours.0.iter().find(|l| (l.device, l.epoch) == (log.device, log.epoch));
        let chain = held.is_some_and(|l| l.top >= log.top);
        let mut ids = log.extra.iter();
        let extra = ids.try_fold(true, |all, id| Ok::<_, Error>(all && store.entry(id)?.is_some()))?;
        n += usize::from(!(chain || log.top == 0) || !extra);
    }
    Ok(n)
}

/// What a parcel holds, and whether it is whole; nothing is taken in. Of a locked one an error.
pub fn inspect_parcel(path: &Path) -> Result<(ParcelHeader, ParcelEnd), Error> {
    let came = for_each(path, &Keys::none(), None, Limits::default(), |_| Ok(()))?;
    Ok((came.header, came.end))
}

/// The same of one that may be locked; the passphrase and the secrets of `home` are tried.
pub fn inspect_locked_parcel(
    home: &Home,
    path: &Path,
    passphrase: Option<&str>,
) -> Result<ParcelSeen, Error> {
    let keys = Keys::of(home, passphrase)?;
    if let Opened::Locked(kind) = open(path, &keys)? {
        return Ok(ParcelSeen::Locked(kind));
    }
    let Came { header, terms, end, locked } = for_each(path, &keys, None, Limits::default(), |_| Ok(()))?;
    Ok(ParcelSeen::Content { header: Box::new(header), terms, end, locked })
}

/// Header and terms alone.
fn look(path: &Path, keys: &Keys, only: Option<SurveyId>) -> Result<(ParcelHeader, ParcelTerms), Error> {
    let mut reader = ParcelReader::new(only, Limits::default());
    let mut source = opened(path, keys)?.0;
    let mut piece = vec![0; 4096];
    loop {
        let n = match source.read(&mut piece) {
            Ok(n) => n,
            // A locked one that was cut ends here.
            Err(_) if reader.header().is_some() => 0,
            Err(source) => return Err(Error::Unreadable { path: path.to_owned(), source }),
        };
        let more = reader.push(&piece[..n]).map_err(|e| bad(path, e))?;
        let content = more.iter().any(|e| !matches!(e, ParcelEvent::Header(_)));
        if let Some(header) = reader.header().filter(|_| n == 0 || content) {
            return Ok((header.clone(), reader.terms()));
        }
        if n == 0 {
            return Err(bad(path, ParcelError::Header));
        }
    }
}

fn opened(path: &Path, keys: &Keys) -> Result<(super::lock::Source, bool), Error> {
    let why = |why: &str| Error::Parcel { path: path.to_owned(), why: why.to_owned() };
    match open(path, keys)? {
        Opened::Here(source) => {
            let locked = matches!(source, super::lock::Source::Locked(_));
            Ok((source, locked))
        }
        Opened::Locked(LockKind::Passphrase) => {
            Err(why("it is locked with a passphrase; give it with --passphrase-file FILE, or - to type it"))
        }
        Opened::Locked(LockKind::Crew) => Err(why(
            "it is locked for a crew that this home does not belong to, or for a secret that was changed before it came here; ask for a new one",
        )),
    }
}

/// Gives out the content of a parcel, frame by frame.
pub(super) fn for_each(
    path: &Path,
    keys: &Keys,
    survey: Option<SurveyId>,
    limits: Limits,
    mut take: impl FnMut(Piece) -> Result<(), Error>,
) -> Result<Came, Error> {
    let (mut source, locked) = opened(path, keys)?;
    let mut reader = ParcelReader::new(survey, limits);
    let mut chunk = vec![0; CHUNK];
    loop {
        let n = match source.read(&mut chunk) {
            Ok(n) => n,
            // The rest of a locked parcel is cut or altered; what came before it was proven chunk by chunk.
            Err(_) if locked => 0,
            Err(source) => return Err(Error::Unreadable { path: path.to_owned(), source }),
        };
        if n == 0 {
            break;
        }
        for event in reader.push(&chunk[..n]).map_err(|e| bad(path, e))? {
            match event {
                ParcelEvent::Entries(entries) => take(Piece::Entries(entries))?,
                ParcelEvent::Strips(strips) => take(Piece::Strips(strips))?,
                _ => {}
            }
        }
    }
    let (header, terms) = (reader.header().cloned(), reader.terms());
    let end = reader.finish().map_err(|e| bad(path, e))?;
    let header = header.ok_or_else(|| bad(path, ParcelError::Header))?;
    Ok(Came { header, terms, end, locked })
}

fn bad(path: &Path, e: ParcelError) -> Error {
    match e {
        ParcelError::OtherSurvey { found, expected, name } => {
            Error::OtherSurvey { name: name.to_string(), theirs: found, ours: expected }
        }
        e => Error::Parcel { path: path.to_owned(), why: e.to_string() },
    }
}
