//! The desk of a meeting: the store behind the questions a meeting asks.

use crate::{Error, Home, Store};
use leadline_logbook::DeviceKey;
use leadline_model::{DeviceId, SurveyId, Text, UtcMillis};
use leadline_sync::{
    Answer, Binding, Config, Desk, DeskError, Holdings, Question, Stored, StripKey, Summary, Wants,
};
use std::sync::{Mutex, MutexGuard};

/// One survey's store at a meeting. A connection for each lane, so that giving does not wait for taking.
#[derive(Debug)]
pub struct SurveyDesk {
    give: Mutex<Store>,
    take: Mutex<Store>,
    survey: SurveyId,
    name: Text,
}

impl SurveyDesk {
    /// The desk of a survey in `home`.
    pub fn new(home: &Home, survey: SurveyId) -> Result<Self, Error> {
        let (give, take) = (home.store(&survey)?, home.store(&survey)?);
        Ok(Self { give: Mutex::new(give), take: Mutex::new(take), survey, name: home.device_name()? })
    }

    /// Notes a finished meeting.
    pub fn note_met(
        &self,
        device: &DeviceId,
        name: &Text,
        summary: &Summary,
        now: UtcMillis,
    ) -> Result<(), Error> {
        let digest = summary.digest.filter(|_| summary.same_entries || summary.was_equal);
        lock(&self.take).note_peer(device, name, now, digest, None)
    }

    /// Notes that another device refused this one as dismissed.
    pub fn note_refused(&self, now: UtcMillis) -> Result<(), Error> {
        lock(&self.take).note_refused(now)
    }

    fn reply(&self, question: Question) -> Result<Answer, Error> {
        let give = || lock(&self.give);
        Ok(match question {
            Question::Admit { device, name, invite } => {
                Answer::Admitted(lock(&self.take).admit(device, name, invite, clock())?)
            }
            Question::Have => Answer::Have(give().have()?),
            Question::Missing(have) => Answer::Missing(have.missing_of(&give().places()?)),
            Question::Entries { ids, max_bytes } => {
                let store = give();
                Answer::Items(fill(ids, max_bytes, |id| store.entry(&id))?)
            }
            Question::Strips { keys, max_bytes } => {
                let store = give();
                Answer::Items(fill(keys, max_bytes, |key: StripKey| store.strip_by_prefix(&key.0))?)
            }
            Question::Store { from, entries, strips } => {
                let packed = strips.into_iter().map(|(_, s)| s).collect();
                let done = lock(&self.take).accept_from(Some(from), entries, packed)?;
                let mut stored = Stored {
                    entries: done.entries as u32,
                    known: done.known as u32,
                    waiting: (done.waiting + done.masked) as u32,
                    strips: done.strips as u32,
                    ..Stored::default()
                };
                for reason in done.refused {
                    *stored.refused.entry(reason).or_default() += 1;
                }
                Answer::Stored(stored)
            }
            Question::WantedStrips { wants: Wants::EntriesOnly, .. } => Answer::Wanted(Vec::new()),
            Question::WantedStrips { after, max, .. } => {
                Answer::Wanted(lock(&self.take).wanted_strips(after.as_ref(), max)?)
            }
            Question::Holdings => Answer::Holdings(holdings(&lock(&self.take))?),
            _ => return Err(Error::Request("this program's store does not know that question".to_owned())),
        })
    }
}

impl Desk for SurveyDesk {
    fn open(&self, binding: Binding) -> Result<(Config, Holdings), DeskError> {
        let store = lock(&self.take);
        let made = || -> Result<_, Error> {
            let mut config = Config::new(self.survey, store.key(), self.name.clone(), binding);
            if !store.crew()?.members().contains_key(&store.device())
                && let Some(one_time) = store.kept_invite()?
            {
                let key = DeviceKey::from_seed(&one_time);
                config.invite = Some(config.binding.invite_proof(&key, &config.device, &self.survey));
            }
            Ok((config, holdings(&store)?))
        };
        made().map_err(DeskError::new)
    }

    fn answer(&self, question: Question) -> Result<Answer, DeskError> {
        self.reply(question).map_err(DeskError::new)
    }
}

fn holdings(store: &Store) -> Result<Holdings, Error> {
    let counts = store.counts()?;
    Ok(Holdings {
        digest: store.entries_digest()?,
        missing_strips: u32::try_from(counts.wanted).unwrap_or(u32::MAX),
        entries: counts.entries,
    })
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
fn lock(m: &Mutex<Store>) -> MutexGuard<'_, Store> {
    m.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}

pub(crate) fn clock() -> UtcMillis {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap_or_default();
    UtcMillis(i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
}
