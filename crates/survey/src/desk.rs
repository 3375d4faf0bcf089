//! The desk of a meeting: the store behind the questions a meeting asks.

use crate::crew::secret_digest;
use crate::fetching::Fetching;
use crate::guests::Guests;
use crate::provisional::Wake;
use crate::room::leave_some;
use crate::{Error, Home, SecretRing, Store};
use leadline_logbook::{Crew, DeviceKey, Have, SurveyWrites};
use leadline_model::{DeviceId, StripDigest, SurveyId, Text, TileId, UtcMillis};
use leadline_sync::{
    Answer, Binding, Config, Desk, DeskError, Holdings, Question, Stored, StripKey, Summary, SurveySecret,
    Wants,
};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard};

/// One survey's store at a meeting. A connection for each lane, so that giving does not wait for taking.
#[derive(Debug)]
pub struct SurveyDesk {
    give: Mutex<Store>,
    take: Mutex<Store>,
    fetching: Mutex<Fetching>,
    wants: Wants,
    /// Where and when each strip was measured, as of the newest entry then: read only for areas and dates.
    places: Mutex<(u64, Places)>,
    survey: SurveyId,
    secrets: SecretRing,
    name: Text,
    wake: Wake,
    guests: Guests,
    folder: PathBuf,
}

impl SurveyDesk {
    /// The desk of a survey in `home`.
    pub fn new(home: &Home, survey: SurveyId) -> Result<Self, Error> {
        let (give, take) = (home.store(&survey)?, home.store(&survey)?);
        Ok(Self {
            give: Mutex::new(give),
            take: Mutex::new(take),
            fetching: Mutex::default(),
            wants: Wants::Everything,
            places: Mutex::default(),
            survey,
            secrets: home.secret_ring(&survey),
            name: home.device_name()?,
            wake: Wake::of(home, &survey),
            guests: Guests::new(home, survey)?,
            folder: home.root().to_owned(),
        })
    }

    /// Begins a meeting of which another desk tells who this device is: its number, and what is held.
    pub(crate) fn begin_for(&self) -> Result<(u64, Holdings), Error> {
        let store = lock(&self.take);
        let meeting = lock(&self.fetching).begin();
        Ok((meeting, self.holdings(&store)?))
    }

    /// Fetches only such strips. Entries are always taken.
    #[must_use]
    pub fn wanting(self, wants: Wants) -> Self {
        Self { guests: self.guests.wanting(wants.clone()), wants, ..self }
    }

    /// The strips that are lacking and wanted, from `after` on, that `meeting` may fetch: they are its own from now on.
    fn to_fetch(
        &self,
        meeting: u64,
        after: Option<&StripDigest>,
        max: usize,
    ) -> Result<Vec<StripDigest>, Error> {
        let store = lock(&self.take);
        let places = self.places(&store)?;
        let mut fetching = lock(&self.fetching);
        let may = |d: &StripDigest| is_within(&self.wants, &places.1, d) && fetching.is_free(d, meeting);
        let digests = store.wanted_where(may, after, max)?;
        fetching.reserve(&digests, meeting);
        Ok(digests)
    }

    fn to_fetch_again(&self, meeting: u64, digests: &[StripDigest]) -> Result<Vec<StripDigest>, Error> {
        let mut digests = lock(&self.take).still_wanted(digests)?;
        let mut fetching = lock(&self.fetching);
        fetching.again(&digests, meeting);
        digests.retain(|d| fetching.is_free(d, meeting));
        fetching.reserve(&digests, meeting);
        Ok(digests)
    }

    fn places(&self, store: &Store) -> Result<MutexGuard<'_, (u64, Places)>, Error> {
        let mut places = lock(&self.places);
        if matches!(self.wants, Wants::Part(_)) {
            let (_, newest) = store.news(0, 0)?;
            if places.0 != newest {
                *places = (newest, places_of(&store.survey_writes()?));
            }
        }
        Ok(places)
    }

    fn holdings(&self, store: &Store) -> Result<Holdings, Error> {
        let counts = store.counts()?;
        let missing = match self.wants {
            Wants::Part(_) => {
                let places = self.places(store)?;
                store.wanted_where(|d| is_within(&self.wants, &places.1, d), None, usize::MAX)?.len() as u64
            }
            _ => counts.wanted,
        };
        Ok(Holdings {
            digest: store.entries_digest()?,
            missing_strips: u32::try_from(missing).unwrap_or(u32::MAX),
            entries: counts.entries,
        })
    }

    /// Notes a finished meeting, or that both are in step.
    pub fn note_met(
        &self,
        device: &DeviceId,
        name: &Text,
        summary: &Summary,
        now: UtcMillis,
    ) -> Result<(), Error> {
        let digest = summary.digest.filter(|_| summary.same_entries || summary.was_equal);
        let clock_ms = summary.peer_clock_ahead_ms;
        lock(&self.take).note_peer(device, name, now, digest, clock_ms)
    }

    /// Notes that another device refused this one as dismissed.
    pub fn note_refused(&self, now: UtcMillis) -> Result<(), Error> {
        lock(&self.take).note_refused(now)
    }

    /// The secret this device gives to others, and which change made it: the one in force if it is known here.
    fn secret(&self, crew: &Crew) -> Result<(u32, Option<SurveySecret>), Error> {
        let in_force = crew.secret().map(|(_, digest)| digest);
        let known = self.secrets.all()?.into_iter().filter_map(|s| {
            let digest = secret_digest(&s.secret);
            let generation = crew.change_of(&digest)?;
            Some((in_force == Some(digest), SurveySecret { generation, secret: s.secret }))
        });
        let best = known.max_by_key(|(is_it, s)| (*is_it, s.generation));
        Ok(match best {
            Some((true, s)) => (s.generation, Some(s)),
            // Of two changes with one number it may know the other: then it takes the one in force.
            Some((false, s)) if crew.secret().is_some_and(|(g, _)| g > s.generation) => {
                (s.generation, Some(s))
            }
            _ => (0, None),
        })
    }

    /// Keeps a secret that a keeper has announced; another one is none of this survey's.
    fn keep_secret(&self, given: &SurveySecret) -> Result<(), Error> {
        let crew = lock(&self.take).crew()?;
        if crew.announces(given.generation, &secret_digest(&given.secret)) {
            self.secrets.keep(given.generation, &given.secret)?;
        }
        Ok(())
    }

    fn reply(&self, question: Question) -> Result<Answer, Error> {
        let give = || lock(&self.give);
        Ok(match question {
            Question::Admit { device, name, invite } => {
                Answer::Admitted(lock(&self.take).admit(device, name, invite, clock())?)
            }
            Question::Introduce { device, name, entries } => {
                leave_some(&self.folder)?;
                let mut store = lock(&self.take);
                store.accept_from(Some(device), entries, Vec::new())?;
                Answer::Admitted(store.admit(device, name, None, clock())?)
            }
            Question::Credentials => Answer::Items(give().credentials()?.into_iter().map(Some).collect()),
            Question::Have => Answer::Have(have(&give())?),
            Question::Missing(have) => {
                let store = give();
                let mut missing = have.missing_beside(&store.given_places()?, &store.masked_places()?);
                // What others wrote would wait at a peer that has not heard of their admission, and little may wait.
                let of_crew = store.crew_ids()?;
                missing.sort_by_key(|id| !of_crew.contains(id));
                Answer::Missing(missing)
            }
            Question::Entries { ids, max_bytes } => {
                let store = give();
                Answer::Items(fill(ids, max_bytes, |id| store.kept_entry(&id))?)
            }
            Question::Strips { keys, max_bytes } => {
                let store = give();
                Answer::Items(fill(keys, max_bytes, |key: StripKey| store.strip_by_prefix(&key.0))?)
            }
            Question::Store { meeting, from, absent, entries, strips } => {
                let tried: Vec<_> = strips.iter().map(|(d, _)| *d).chain(absent.iter().copied()).collect();
                let _done = Tried { desk: self, meeting, tried, absent: !absent.is_empty() };
                if entries.is_empty() && strips.is_empty() {
                    return Ok(Answer::Stored(Stored::default()));
                }
                leave_some(&self.folder)?;
                let ids = entries.iter().filter_map(|e| leadline_logbook::entry_id(e)).collect();
                let packed = strips.into_iter().map(|(_, s)| s).collect();
                let done = lock(&self.take).accept_from(Some(from), entries, packed)?;
                let mut stored = Stored {
                    entries: done.entries as u32,
                    known: done.known as u32,
                    waiting: (done.waiting + done.masked) as u32,
                    strips: done.strips as u32,
                    ids,
                    ..Stored::default()
                };
                for reason in done.refused {
                    *stored.refused.entry(reason).or_default() += 1;
                }
                Answer::Stored(stored)
            }
            Question::WantedStrips { wants: Wants::EntriesOnly, .. } => Answer::Wanted(Vec::new()),
            Question::WantedStrips { meeting, after, max, .. } => {
                Answer::Wanted(self.to_fetch(meeting, after.as_ref(), max)?)
            }
            Question::WantedAgain { meeting, digests } => {
                Answer::Wanted(self.to_fetch_again(meeting, &digests)?)
            }
            Question::Holdings => Answer::Holdings(self.holdings(&lock(&self.take))?),
            Question::News { after, max } => {
                let (ids, upto) = give().news(after, max)?;
                Answer::News { ids, upto }
            }
            Question::Secret(given) => {
                self.keep_secret(&given)?;
                Answer::Noted
            }
            Question::Held(keys) => Answer::Held(give().held_strips(&keys)?),
            _ => return Err(Error::Request("this program's store does not know that question".to_owned())),
        })
    }
}

impl Desk for SurveyDesk {
    fn open(&self, binding: Binding) -> Result<(Config, Holdings), DeskError> {
        let store = lock(&self.take);
        let made = || -> Result<_, Error> {
            let mut config = Config::new(self.survey, store.key(), self.name.clone(), binding);
            let crew = store.crew()?;
            if let Some(one_time) = store.kept_invite()? {
                let key = DeviceKey::from_seed(&one_time);
                // A device that was dismissed may not know it when it comes with a new invite.
                if !crew.has_used(&key.id().0, &config.device) {
                    config.invite = Some(config.binding.invite_proof(&key, &config.device, &self.survey));
                }
            }
            let (generation, secret) = self.secret(&crew)?;
            (config.secret_generation, config.secret) = (Some(generation), secret);
            config.wants = self.wants.clone();
            config.clock = Some(clock());
            config.meeting = lock(&self.fetching).begin();
            (_, config.upto) = store.news(0, 0)?;
            Ok((config, self.holdings(&store)?))
        };
        made().map_err(DeskError::new)
    }

    fn answer(&self, question: Question) -> Result<Answer, DeskError> {
        self.reply(question).map_err(DeskError::new)
    }

    fn provisional(&self) -> Option<(u64, Vec<u8>)> {
        self.wake.to_show()
    }

    fn show_provisional(&self, from: DeviceId, bytes: Vec<u8>) {
        self.wake.seen(&from, &bytes);
    }

    fn version(&self) -> Result<u64, DeskError> {
        // The giving connection writes nothing, so it sees every write of the others.
        let written = lock(&self.give).data_version().map_err(DeskError::new)?;
        Ok(written.wrapping_add(lock(&self.fetching).freed() << 32))
    }

    fn adopted(&self) -> Result<Vec<SurveyId>, DeskError> {
        self.guests.carried().map_err(DeskError::new)
    }

    fn adopted_desk(&self, survey: &SurveyId) -> Result<Option<Arc<dyn Desk>>, DeskError> {
        let desk = self.guests.desk(survey).map_err(DeskError::new)?;
        Ok(desk.map(|d| d as Arc<dyn Desk>))
    }

    fn close(&self, meeting: u64) {
        lock(&self.fetching).end(meeting);
    }
}

/// What is in force, and what is kept aside: whoever has given that needs not give it again.
fn have(store: &Store) -> Result<Have, Error> {
    let mut have = store.have()?;
    have.name_aside(store.aside()?, UNKNOWN_LOGS);
    Ok(have)
}

/// Notes what was fetched, or absent, however storing it ends.
struct Tried<'a> {
    desk: &'a SurveyDesk,
    meeting: u64,
    tried: Vec<StripDigest>,
    absent: bool,
}

impl Drop for Tried<'_> {
    fn drop(&mut self) {
        let mut fetching = lock(&self.desk.fetching);
        fetching.tried(self.tried.drain(..), self.meeting);
        if self.absent {
            fetching.free();
        }
    }
}

/// Logs of devices not in force that a have-list names.
const UNKNOWN_LOGS: usize = 16;

/// Where and when each strip that a claim names was measured.
type Places = BTreeMap<StripDigest, (TileId, UtcMillis, UtcMillis)>;

fn places_of(writes: &SurveyWrites) -> Places {
    let mut places = Places::new();
    for claim in writes.claims.values().flatten().map(|said| &said.what) {
        let at = |ms: u32| UtcMillis(claim.window.start().0 + i64::from(ms));
        places.extend(claim.strips.iter().map(|s| (s.digest, (s.tile, at(s.first_ms), at(s.last_ms)))));
    }
    places
}

/// What no claim in force places is not held back.
fn is_within(wants: &Wants, places: &Places, digest: &StripDigest) -> bool {
    match wants {
        Wants::Everything => true,
        Wants::EntriesOnly => false,
        _ => places.get(digest).is_none_or(|(tile, first, last)| wants.want(*tile, *first, *last)),
    }
}

/// Items from the front until `max_bytes` would be exceeded, at least one.
fn fill<K>(
    keys: Vec<K>,
    max_bytes: usize,
    mut read: impl FnMut(K) -> Result<Option<Vec<u8>>, Error>,
) -> Result<Vec<Option<Vec<u8>>>, Error> {
    let (mut out, mut bytes) = (Vec::new(), 0);
    for key in keys {
        let item = read(key)?;
        bytes += item.as_ref().map_or(0, Vec::len);
        if bytes > max_bytes && !out.is_empty() {
            break;
        }
        out.push(item);
    }
    Ok(out)
}

/// A panic while the lock was held rolled its transaction back: the store is whole.
fn lock<T>(m: &Mutex<T>) -> MutexGuard<'_, T> {
    m.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}

pub(crate) fn clock() -> UtcMillis {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap_or_default();
    UtcMillis(i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
}
