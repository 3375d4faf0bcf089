//! What all requests share: the survey, what is shown of it, answers kept, and the bounds on work at once.

use crate::asked;
use crate::filters::Filters;
use crate::growing::Grown;
use crate::kept::Kept;
use crate::meet::Meetings;
use crate::refusal::Refusal;
use crate::shown::{Look, Shown, version};
use crate::steering::Plans;
use leadline_chart::{Between, Units};
use leadline_model::SurveyId;
use leadline_survey::{Error, Home, Store};
use std::path::PathBuf;
use std::sync::{Arc, RwLock};
use std::time::Duration;
use tokio::sync::{Notify, Semaphore, broadcast};

/// Bytes of answers kept.
const KEPT_BYTES: usize = 96 << 20;
/// Tiles and layers made at once: the rest of the machine belongs to others.
const WORKERS: usize = 2;
/// How often the store is looked at.
const LOOK: Duration = Duration::from_secs(1);
/// News a slow listener may be behind.
const NEWS: usize = 64;

/// Something that all pages are told.
#[derive(Clone, Debug)]
pub(crate) enum News {
    /// What is shown has changed.
    Chart(String),
    /// A meeting has got on.
    Meet(String),
}

/// Everything behind the doors.
pub(crate) struct Site {
    pub(crate) home: PathBuf,
    pub(crate) survey: SurveyId,
    pub(crate) units: Units,
    pub(crate) between: Between,
    pub(crate) is_lan: bool,
    pub(crate) meetings: Arc<dyn Meetings>,
    pub(crate) kept: Kept,
    pub(crate) filters: Filters,
    pub(crate) news: broadcast::Sender<News>,
    pub(crate) listeners: Arc<Semaphore>,
    pub(crate) workers: Arc<Semaphore>,
    pub(crate) look_now: Notify,
    /// Plans for boats on the water.
    pub(crate) plans: Plans,
    standing: RwLock<Standing>,
    grown: RwLock<Option<Arc<Grown>>>,
}

/// The whole survey as it was last computed.
#[derive(Default)]
struct Standing {
    shown: Option<Arc<Shown>>,
    /// Why it could not be computed.
    why_not: Option<String>,
}

impl Site {
    pub(crate) fn new(
        home: PathBuf,
        survey: SurveyId,
        (units, between): (Units, Between),
        is_lan: bool,
        meetings: Arc<dyn Meetings>,
    ) -> Self {
        Self {
            home,
            survey,
            units,
            between,
            is_lan,
            meetings,
            kept: Kept::new(KEPT_BYTES),
            filters: Filters::default(),
            news: broadcast::channel(NEWS).0,
            listeners: Arc::new(Semaphore::new(crate::events::MOST)),
            workers: Arc::new(Semaphore::new(WORKERS)),
            look_now: Notify::new(),
            plans: Plans::default(),
            standing: RwLock::default(),
            grown: RwLock::default(),
        }
    }

    /// Runs blocking work, so many at once.
    pub(crate) async fn work<T: Send + 'static>(
        self: &Arc<Self>,
        f: impl FnOnce(&Self) -> Result<T, Refusal> + Send + 'static,
    ) -> Result<T, Refusal> {
        let permit = Arc::clone(&self.workers).acquire_owned().await.map_err(|_| Refusal::broken())?;
        let site = Arc::clone(self);
        let done = tokio::task::spawn_blocking(move || {
            let _held = permit;
            f(&site)
        });
        done.await.unwrap_or_else(|_| Err(Refusal::broken()))
    }

    /// Asks or writes the store, beside tiles that are being made.
    pub(crate) async fn with_store<T: Send + 'static>(
        self: &Arc<Self>,
        f: impl FnOnce(&Home, &mut Store) -> Result<T, Refusal> + Send + 'static,
    ) -> Result<T, Refusal> {
        let site = Arc::clone(self);
        let done = tokio::task::spawn_blocking(move || {
            let (home, mut store) = site.open()?;
            f(&home, &mut store)
        });
        done.await.unwrap_or_else(|_| Err(Refusal::broken()))
    }

    /// The home and the survey's store.
    pub(crate) fn open(&self) -> Result<(Home, Store), Error> {
        let home = Home::open(Some(&self.home))?;
        let store = home.store(&self.survey)?;
        Ok((home, store))
    }

    /// The whole survey; `None` while it is being computed for the first time.
    pub(crate) fn standing(&self) -> Option<Arc<Shown>> {
        self.standing.read().ok()?.shown.clone()
    }

    /// What the leg adds that is being recorded, if one is.
    pub(crate) fn grown(&self) -> Option<Arc<Grown>> {
        self.grown.read().ok()?.clone()
    }

    pub(crate) fn put_grown(&self, grown: Option<Grown>) {
        if let Ok(mut g) = self.grown.write() {
            *g = grown.map(Arc::new);
        }
    }

    /// Why the survey could not be computed.
    pub(crate) fn why_not(&self) -> Option<String> {
        self.standing.read().ok()?.why_not.clone()
    }

    /// What `show` names: `all`, or a filter's id.
    pub(crate) async fn shown(self: &Arc<Self>, show: &str) -> Result<Arc<Shown>, Refusal> {
        let whole = self.standing().ok_or_else(|| {
            let why = self.why_not().unwrap_or_else(|| "the survey is still being computed".to_owned());
            Refusal::busy(&why, "wait for the event `chart`, then ask again")
        })?;
        if show == "all" {
            return Ok(whole);
        }
        let look = self.filters.look(show, &whole, self.between).ok_or_else(|| {
            Refusal::missing(
                &format!("no choice of boats and days is called {show}"),
                "ask /api/show for one",
            )
        })?;
        let key = format!("{show} {}", whole.version);
        let _one_at_a_time = self.filters.computing.lock().await;
        if let Some(found) = self.filters.kept(&key) {
            return Ok(found);
        }
        let version = whole.version.clone();
        let made = self
            .work(move |site| {
                let (_, store) = site.open()?;
                Ok(Arc::new(Shown { version, ..Shown::make(&store, &look)? }))
            })
            .await?;
        self.filters.keep(key, &made);
        Ok(made)
    }

    /// Looks at the store again and again, and computes when something has changed. Never ends.
    pub(crate) async fn keep_up(self: Arc<Self>) {
        let mut seen = String::new();
        loop {
            let site = Arc::clone(&self);
            let known = seen.clone();
            let looked = tokio::task::spawn_blocking(move || site.look(&known)).await;
            match looked {
                Ok(Ok(Some(shown))) => {
                    seen.clone_from(&shown.version);
                    self.put(shown);
                }
                Ok(Err(e)) => self.cannot(e.to_string()),
                Ok(Ok(None)) | Err(_) => {}
            }
            tokio::select! {
                () = tokio::time::sleep(LOOK) => {}
                () = self.look_now.notified() => {}
            }
        }
    }

    /// What there is now, if it is not the version `known`.
    fn look(&self, known: &str) -> Result<Option<Shown>, Error> {
        let (_, store) = self.open()?;
        if version(&store, self.between)? == known {
            return Ok(None);
        }
        Shown::make(&store, &Look { between: self.between, ..Look::default() }).map(Some)
    }

    fn put(&self, shown: Shown) {
        let version = shown.version.clone();
        if let Ok(mut s) = self.standing.write() {
            *s = Standing { shown: Some(Arc::new(shown)), why_not: None };
        }
        // Nobody may be listening.
        drop(self.news.send(News::Chart(version)));
    }

    fn cannot(&self, why: String) {
        if let Ok(mut s) = self.standing.write() {
            s.why_not = Some(why);
        }
    }

    /// Tells all pages how the meeting stands.
    pub(crate) fn tell_meeting(&self) {
        drop(self.news.send(News::Meet(self.meetings.state().json(asked::now()).to_string())));
    }
}
