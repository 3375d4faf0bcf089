//! Meetings about adopted surveys: the desks of what a crew's survey adopts, for members of that crew alone.
//!
//! What is carried is what everybody of the crew may hold: a survey that the crew's adopts by a statement in force, and
//! that this device holds as a guest without a request not to pass it on, or does not hold yet. Of a survey that it holds
//! as one of its crew it gives something only if it has adopted it itself: nobody else gives away what is not theirs.

use crate::desk::{SurveyDesk, clock};
use crate::{Error, Ground, Home, Standing, Store};
use leadline_logbook::{DeviceKey, Have};
use leadline_model::{DeviceId, Digest, SurveyId, Text};
use leadline_sync::{
    ADOPTED_MAX, Admission, Answer, Binding, Config, Desk, DeskError, Holdings, Question, Stored, Wants,
};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// What the desks of one crew's adopted surveys share.
#[derive(Debug)]
pub(crate) struct Guests {
    home: Home,
    crew: Arc<Mutex<Store>>,
    wants: Wants,
    /// One desk a survey, so that meetings at the same time fetch nothing twice.
    desks: Mutex<BTreeMap<SurveyId, Arc<GuestDesk>>>,
}

/// The desk of one adopted survey.
#[derive(Debug)]
pub(crate) struct GuestDesk {
    home: Home,
    crew: Arc<Mutex<Store>>,
    wants: Wants,
    survey: SurveyId,
    /// What the adopting statement calls it.
    said: Text,
    /// `None` as long as nothing genuine of it has come.
    held: Mutex<Option<Arc<SurveyDesk>>>,
    /// Meetings begun while it was not here.
    early: AtomicU64,
}

impl Guests {
    pub(crate) fn new(home: &Home, survey: SurveyId) -> Result<Self, Error> {
        let crew = Arc::new(Mutex::new(home.store(&survey)?));
        let home = Home::open(Some(home.root()))?;
        Ok(Self { home, crew, wants: Wants::Everything, desks: Mutex::default() })
    }

    pub(crate) fn wanting(self, wants: Wants) -> Self {
        Self { wants, ..self }
    }

    /// Which surveys this device meets its crew about.
    pub(crate) fn carried(&self) -> Result<Vec<SurveyId>, Error> {
        Ok(self.statements()?.into_keys().take(ADOPTED_MAX).collect())
    }

    /// The desk of one of them.
    pub(crate) fn desk(&self, survey: &SurveyId) -> Result<Option<Arc<GuestDesk>>, Error> {
        let Some(said) = self.statements()?.into_iter().take(ADOPTED_MAX).find(|(s, _)| s == survey) else {
            return Ok(None);
        };
        let mut desks = lock(&self.desks);
        if let Some(desk) = desks.get(survey) {
            return Ok(Some(desk.clone()));
        }
        let desk = Arc::new(GuestDesk {
            home: Home::open(Some(self.home.root()))?,
            crew: self.crew.clone(),
            wants: self.wants.clone(),
            survey: *survey,
            said: said.1,
            held: Mutex::default(),
            early: AtomicU64::new(EARLY),
        });
        desks.insert(*survey, desk.clone());
        Ok(Some(desk))
    }

    fn statements(&self) -> Result<BTreeMap<SurveyId, Text>, Error> {
        let crew = lock(&self.crew);
        let (me, own) = (crew.device(), crew.survey());
        let mut carried = BTreeMap::new();
        for said in adoptions(&crew)? {
            if said.what.0 != own && is_carried(&self.home, &said, &me)? {
                carried.insert(said.what.0, said.what.1);
            }
        }
        Ok(carried)
    }
}

fn adoptions(crew: &Store) -> Result<Vec<Standing<(SurveyId, Text)>>, Error> {
    Ok(Ground::of(&crew.survey_writes()?).adoptions)
}

fn is_carried(home: &Home, said: &Standing<(SurveyId, Text)>, me: &DeviceId) -> Result<bool, Error> {
    if !home.holds(&said.what.0) {
        return Ok(true);
    }
    let store = home.store(&said.what.0)?;
    Ok(store.may_pass_on()? && (store.is_guest()? || said.device == *me))
}

impl GuestDesk {
    fn held(&self) -> Result<Option<Arc<SurveyDesk>>, Error> {
        let mut held = lock(&self.held);
        if held.is_none() && self.home.holds(&self.survey) {
            *held = Some(self.open_store()?);
        }
        Ok(held.clone())
    }

    fn open_store(&self) -> Result<Arc<SurveyDesk>, Error> {
        Ok(Arc::new(SurveyDesk::new(&self.home, self.survey)?.wanting(self.wants.clone())))
    }

    /// Whether a device may meet about this survey: it is of the crew that adopts it, and the adoption is in force.
    fn admits(&self, device: DeviceId, name: Text) -> Result<Admission, Error> {
        let mut crew = lock(&self.crew);
        let me = crew.device();
        for said in adoptions(&crew)? {
            if said.what.0 == self.survey && is_carried(&self.home, &said, &me)? {
                return crew.admit(device, name, None, clock());
            }
        }
        Ok(Admission::Stranger)
    }

    /// The first entries of a survey that is not here yet: its store stays only if something of them proves genuine.
    fn begin(&self, question: Question) -> Result<Answer, DeskError> {
        let failed = |e: Error| DeskError::new(e);
        let mut held = lock(&self.held);
        if held.is_none() && !self.home.holds(&self.survey) {
            let mut store = self.home.store(&self.survey).map_err(failed)?;
            store.begin_guest(&self.said).map_err(failed)?;
            let desk = self.open_store().map_err(failed)?;
            let answer = desk.answer(question);
            if matches!(&answer, Ok(Answer::Stored(s)) if s.entries > 0) {
                *held = Some(desk);
            } else {
                drop(desk);
                self.home.forget(store).map_err(failed)?;
            }
            return answer;
        }
        drop(held);
        self.held().map_err(failed)?.ok_or_else(|| DeskError::new("the store is gone"))?.answer(question)
    }

    fn own_config(&self, binding: Binding) -> Result<Config, Error> {
        let name = self.home.device_name()?;
        let key = DeviceKey::from_seed(&self.home.key().seed());
        let mut config = Config::new(self.survey, &key, name, binding);
        config.wants = self.wants.clone();
        Ok(config)
    }
}

impl Desk for GuestDesk {
    fn open(&self, binding: Binding) -> Result<(Config, Holdings), DeskError> {
        // Neither an invite nor a secret of that survey goes to anybody here.
        let mut config = self.own_config(binding).map_err(DeskError::new)?;
        match self.held().map_err(DeskError::new)? {
            Some(desk) => {
                let (meeting, holdings) = desk.begin_for().map_err(DeskError::new)?;
                config.meeting = meeting;
                Ok((config, holdings))
            }
            None => {
                config.meeting = self.early.fetch_add(1, Ordering::Relaxed);
                Ok((config, NOTHING))
            }
        }
    }

    fn answer(&self, question: Question) -> Result<Answer, DeskError> {
        match question {
            Question::Admit { device, name, .. } | Question::Introduce { device, name, .. } => {
                self.admits(device, name).map(Answer::Admitted).map_err(DeskError::new)
            }
            Question::Credentials => Ok(Answer::Items(Vec::new())),
            Question::Secret(_) => Ok(Answer::Noted),
            question => match self.held().map_err(DeskError::new)? {
                Some(desk) => desk.answer(question),
                None => match question {
                    Question::Store { ref entries, .. } if !entries.is_empty() => self.begin(question),
                    other => Ok(empty(other)),
                },
            },
        }
    }

    fn close(&self, meeting: u64) {
        if let Ok(Some(desk)) = self.held() {
            desk.close(meeting);
        }
    }
}

/// Numbers of meetings that begin before there is a store, far above those that the store's desk gives.
const EARLY: u64 = 1 << 63;

/// What is held of a survey that has not come.
const NOTHING: Holdings = Holdings { digest: Digest([0; 32]), missing_strips: 0, entries: 0 };

/// The answers of a store that does not exist.
fn empty(question: Question) -> Answer {
    match question {
        Question::Have => Answer::Have(Have::default()),
        Question::Missing(_) => Answer::Missing(Vec::new()),
        Question::Entries { ids, .. } => Answer::Items(vec![None; ids.len()]),
        Question::Strips { keys, .. } => Answer::Items(vec![None; keys.len()]),
        Question::Store { .. } => Answer::Stored(Stored::default()),
        Question::News { .. } => Answer::News { ids: Vec::new(), upto: 0 },
        Question::Held(_) => Answer::Held(Vec::new()),
        Question::Holdings => Answer::Holdings(NOTHING),
        _ => Answer::Wanted(Vec::new()),
    }
}

/// A panic while the lock was held rolled its transaction back: the store is whole.
fn lock<T>(m: &Mutex<T>) -> MutexGuard<'_, T> {
    m.lock().unwrap_or_else(PoisonError::into_inner)
}
