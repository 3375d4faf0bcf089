//! The recording itself: arrivals into the journal, the journal into legs, and a look at the instruments every second.

use crate::journal::{Head, Journal};
use crate::kinds::{Kinds, Verdict};
use crate::present::{self, Present};
use crate::settle::{Settled, end, folder, settle};
use crate::status::{SourceState, Status};
use crate::stream::{self, Arrival, Brought};
use crate::watch::{Warning, Watch};
use crate::{Error, Source};
use leadline_ingest::Format;
use leadline_model::UtcMillis;
use leadline_survey::{
    ClosedLeg, Home, ImportRequest, Imported, LiveLog, OpenLeg, Store, show_open_leg, show_open_soundings,
};
use std::time::{Duration, Instant};
use tokio::sync::mpsc;

/// Arrivals that wait while the disk is busy.
const QUEUE: usize = 1_024;
/// How often the journal is put on the disk and the instruments are looked at.
const TICK: Duration = Duration::from_secs(1);
/// How many ticks apart the growing leg is shown to the crew.
const SHOW_TICKS: u64 = 5;

/// What to record.
pub struct Plan {
    /// Where from; at least one.
    pub sources: Vec<Source>,
    /// Whose soundings they are.
    pub request: ImportRequest,
    /// Ends by itself after so long.
    pub lasts: Option<Duration>,
}

/// What is told while recording.
#[derive(Debug)]
pub enum Told {
    /// An earlier recording that was not ended.
    Settled(Settled),
    /// An earlier recording goes on.
    GoesOn {
        /// Soundings in it.
        soundings: u64,
    },
    /// A source is there, with words.
    Up(String, String),
    /// A source is lost, why, and when it is tried again.
    Lost(String, String, Duration),
    /// A source came to its end.
    Ended(String),
    /// A source can never be opened, and why.
    Failed(String, String),
    /// A leg closed and is kept.
    Leg(ClosedLeg),
    /// What the person at the tiller should know at once.
    Warning(Warning),
    /// Once a second.
    Status(Box<Status>),
}

/// How a recording ended.
#[derive(Debug)]
pub struct Recorded {
    /// The whole of it, as an import.
    pub imported: Imported,
    /// Legs that were kept while recording.
    pub legs: usize,
    /// Bytes that came.
    pub bytes: u64,
    /// Bytes lost because the disk refused them.
    pub lost: u64,
}

/// Records until all sources have ended, `plan.lasts` is over, or the program is told to end (Ctrl-C).
pub fn record(home: &Home, store: Store, plan: Plan, tell: &mut dyn FnMut(Told)) -> Result<Recorded, Error> {
    store.may_measure()?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(Error::System)?;
    let mut recorder = Recorder::begin(home, store, plan, tell)?;
    let done = runtime.block_on(recorder.run(tell));
    // A thread that waits for standard input would keep the program.
    runtime.shutdown_background();
    done?;
    recorder.end()
}

struct Recorder<'a> {
    home: &'a Home,
    store: Store,
    plan: Plan,
    journal: Journal,
    log: LiveLog,
    watch: Watch,
    present: Present,
    kinds: Kinds,
    sources: Vec<SourceState>,
    bytes: u64,
    legs: usize,
    troubles: Troubles,
    ticks: u64,
}

/// What was said already, and is not said again until it is over.
#[derive(Default)]
struct Troubles {
    disk_refuses: bool,
    disk_low: bool,
    legs_wait: bool,
    no_log: bool,
}

impl Troubles {
    fn words(&self) -> Vec<String> {
        let all = [
            (self.disk_refuses, "the disk refuses the recording: make room now"),
            (self.disk_low, "the disk fills"),
            (self.legs_wait, "closed legs wait; they are safe in the recording"),
            (self.no_log, "what comes is no log of instruments that is understood"),
        ];
        all.into_iter().filter(|(on, _)| *on).map(|(_, words)| words.to_owned()).collect()
    }
}

impl<'a> Recorder<'a> {
    fn begin(
        home: &'a Home,
        mut store: Store,
        plan: Plan,
        tell: &mut dyn FnMut(Told),
    ) -> Result<Self, Error> {
        let now = crate::now();
        let head = Head {
            survey: store.survey().to_string(),
            boat: plan.request.boat.as_str().to_owned(),
            begun: now.to_string(),
            date: plan.request.date.map(|d| d.0),
        };
        let mut log = LiveLog::new(home, &plan.request)?;
        let on = settle(home, &mut store, &head, now, &mut |s| tell(Told::Settled(s)))?;
        let goes_on = on.is_some();
        let dir = folder(home);
        let failed = |source| Error::Journal { path: dir.display().to_string(), source };
        let mut journal = match on {
            Some(found) => Journal::go_on(found, |bytes| log.push(bytes)).map_err(failed)?,
            None => {
                let tag = format!("{}-{:x}", std::process::id(), now.0 & 0xffff);
                let (journal, text) = Journal::begin(&dir, &head, &tag).map_err(failed)?;
                log.push(&text);
                journal
            }
        };
        log.push(&journal.name_sources(plan.sources.iter().map(ToString::to_string)));
        let sources = plan.sources.iter();
        let sources =
            sources.map(|s| SourceState { name: s.to_string(), ..SourceState::default() }).collect();
        let kinds = Kinds::new(plan.sources.len(), log.format());
        let mut recorder = Self {
            home,
            store,
            plan,
            journal,
            log,
            watch: Watch::new(Instant::now()),
            present: Present::default(),
            kinds,
            sources,
            bytes: 0,
            legs: 0,
            troubles: Troubles::default(),
            ticks: 0,
        };
        recorder.keep_legs(tell);
        if goes_on {
            tell(Told::GoesOn { soundings: recorder.log.soundings() });
        }
        Ok(recorder)
    }

    async fn run(&mut self, tell: &mut dyn FnMut(Told)) -> Result<(), Error> {
        let (to, mut arrivals) = mpsc::channel(QUEUE);
        for (number, source) in self.plan.sources.iter().enumerate() {
            stream::start(source, number, to.clone());
        }
        drop(to);
        let mut tick = tokio::time::interval_at(tokio::time::Instant::now() + TICK, TICK);
        tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        let lasts = self.plan.lasts.unwrap_or(Duration::from_secs(u64::from(u32::MAX)));
        let over = tokio::time::sleep(lasts);
        tokio::pin!(over);
        let stop = told_to_end();
        tokio::pin!(stop);
        loop {
            tokio::select! {
                biased;
                _ = &mut stop => return Ok(()),
                () = &mut over => return Ok(()),
                _ = tick.tick() => self.tick(tell),
                arrival = arrivals.recv() => match arrival {
                    Some(arrival) => self.take(arrival, tell),
                    None => break,
                },
            }
            if arrivals.is_empty() || self.journal.is_full() {
                self.write(tell);
            }
        }
        self.no_source_worked()
    }

    fn no_source_worked(&self) -> Result<(), Error> {
        if self.bytes > 0 || self.sources.iter().any(|s| s.up) {
            return Ok(());
        }
        let why: Vec<_> = self.sources.iter().map(|s| format!("{}: {}", s.name, s.words)).collect();
        Err(Error::Source(format!("nothing was recorded: {}", why.join("; "))))
    }

    fn take(&mut self, arrival: Arrival, tell: &mut dyn FnMut(Told)) {
        let state = &mut self.sources[arrival.source];
        let name = state.name.clone();
        match arrival.what {
            Brought::Lines(lines) => {
                state.bytes += lines.len() as u64;
                state.up = !state.ended;
                self.bytes += lines.len() as u64;
                self.sort(arrival.source, arrival.at, &lines, tell);
            }
            Brought::Up(words) => {
                (state.up, state.words) = (true, words.clone());
                tell(Told::Up(name, words));
            }
            Brought::Lost(why, again) => {
                (state.up, state.words) = (false, why.clone());
                tell(Told::Lost(name, why, again));
            }
            Brought::Dropped(n) => tell(Told::Warning(Warning::Dropped(name, n))),
            Brought::Ended => {
                state.ended = true;
                let rest = self.kinds.rest(arrival.source);
                self.lay(arrival.source, arrival.at, &rest, tell);
                tell(Told::Ended(name));
            }
            Brought::Failed(why) => {
                (state.ended, state.words) = (true, why.clone());
                tell(Told::Failed(name, why));
            }
        }
    }

    /// Lays lines into the journal if they are of the recording's kind.
    fn sort(&mut self, source: usize, at: UtcMillis, lines: &[u8], tell: &mut dyn FnMut(Told)) {
        match self.kinds.take(source, lines) {
            Verdict::Lay(lines) => self.lay(source, at, &lines, tell),
            Verdict::Hold | Verdict::Drop => {}
            Verdict::Refuse(kind, of) => {
                let state = &mut self.sources[source];
                (state.up, state.ended) = (false, true);
                state.words = format!("it speaks {kind}, the recording is {of}");
                let name = state.name.clone();
                tell(Told::Warning(Warning::OtherKind(name, kind, of)));
            }
        }
    }

    fn lay(&mut self, source: usize, at: UtcMillis, lines: &[u8], tell: &mut dyn FnMut(Told)) {
        if lines.is_empty() {
            return;
        }
        let log = &mut self.log;
        self.journal.lay(source, at, lines, |bytes| log.push(bytes));
        if self.log.has_closed() {
            self.keep_legs(tell);
        }
    }

    /// Gives the journal to the system, and says when the disk refuses it.
    fn write(&mut self, tell: &mut dyn FnMut(Told)) {
        match self.journal.flush() {
            Ok(()) if self.troubles.disk_refuses => {
                self.troubles.disk_refuses = false;
                tell(Told::Warning(Warning::DiskBack(self.journal.lost)));
            }
            Ok(()) => {}
            Err(e) => self.disk_refuses(&e, tell),
        }
    }

    fn disk_refuses(&mut self, e: &std::io::Error, tell: &mut dyn FnMut(Told)) {
        if !std::mem::replace(&mut self.troubles.disk_refuses, true) {
            tell(Told::Warning(Warning::DiskRefuses(e.to_string())));
        }
    }

    fn tick(&mut self, tell: &mut dyn FnMut(Told)) {
        self.write(tell);
        if let Err(e) = self.journal.sync_aside() {
            self.disk_refuses(&e, tell);
        }
        if self.log.has_closed() {
            self.keep_legs(tell);
        }
        self.ticks += 1;
        if self.ticks.is_multiple_of(SHOW_TICKS) {
            self.show();
        }
        let (pulse, now) = (self.log.pulse(), Instant::now());
        self.watch.look(&pulse, now).into_iter().for_each(|w| tell(Told::Warning(w)));
        let free = self.look_at_space(tell);
        self.look_at_format(tell);
        let status = Status {
            pulse,
            vitals: self.watch.state(now),
            bytes: self.bytes,
            soundings: self.log.soundings(),
            legs: self.legs,
            sources: self.sources.clone(),
            free,
        };
        self.present.look(&pulse, now);
        let state = self.present.state(&self.plan.request, &status, self.troubles.words(), now, crate::now());
        present::show(self.home, &self.store.survey(), Some(&state));
        tell(Told::Status(Box::new(status)));
    }

    /// The growing leg is for showing only: if it cannot be shown, recording is none the worse.
    fn show(&self) {
        let soundings = self.log.open_soundings();
        drop(show_open_soundings(self.home, &self.store.survey(), &soundings));
        let open = OpenLeg::of(&self.plan.request.boat, &soundings);
        let open = (!open.points.is_empty()).then_some(&open);
        drop(show_open_leg(self.home, &self.store.survey(), open));
    }

    fn look_at_space(&mut self, tell: &mut dyn FnMut(Told)) -> Option<u64> {
        let free = leadline_survey::free_room(self.journal.path())?;
        let low = free < leadline_survey::LOW_ROOM;
        if low && !self.troubles.disk_low {
            tell(Told::Warning(Warning::DiskLow(free)));
        }
        self.troubles.disk_low = low;
        Some(free)
    }

    fn look_at_format(&mut self, tell: &mut dyn FnMut(Told)) {
        let live = matches!(
            self.log.format(),
            None | Some(Format::Nmea0183 | Format::Nmea2000 | Format::SignalK | Format::Empty)
        );
        if !live && !std::mem::replace(&mut self.troubles.no_log, true) {
            tell(Told::Warning(Warning::NoLog));
        }
    }

    /// Makes entries of the legs that have closed; what fails is in the journal and is tried again.
    fn keep_legs(&mut self, tell: &mut dyn FnMut(Told)) {
        self.plan.request.now = crate::now();
        match self.log.keep(&mut self.store, &self.plan.request) {
            Ok(closed) => {
                self.troubles.legs_wait = false;
                self.legs += closed.len();
                closed.into_iter().for_each(|leg| tell(Told::Leg(leg)));
            }
            Err(e) => {
                if !std::mem::replace(&mut self.troubles.legs_wait, true) {
                    tell(Told::Warning(Warning::LegsWait(e.to_string())));
                }
            }
        }
    }

    fn end(mut self) -> Result<Recorded, Error> {
        for (source, lines) in self.kinds.rests() {
            self.journal.lay(source, crate::now(), &lines, |_| ());
        }
        let path = self.journal.path().to_owned();
        let failed = |source| Error::Journal { path: path.display().to_string(), source };
        self.journal.flush().map_err(failed)?;
        self.journal.sync().map_err(failed)?;
        self.plan.request.now = crate::now();
        drop(show_open_leg(self.home, &self.store.survey(), None));
        present::show(self.home, &self.store.survey(), None);
        let imported = end(self.home, &mut self.store, &path, &self.plan.request).map_err(|e| match e {
            Error::Survey(why) => Error::Kept { path: path.display().to_string(), why: Box::new(why) },
            other => other,
        })?;
        Ok(Recorded { imported, legs: self.legs, bytes: self.bytes, lost: self.journal.lost })
    }
}

/// Ctrl-C, or what the system says before it stops.
async fn told_to_end() {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        if let Ok(mut terminate) = signal(SignalKind::terminate()) {
            tokio::select! {
                _ = tokio::signal::ctrl_c() => {}
                _ = terminate.recv() => {}
            }
            return;
        }
    }
    drop(tokio::signal::ctrl_c().await);
}

impl Status {
    /// How long until the growing leg closes, if the receiver's time is known.
    pub fn leg_closes_in(&self) -> Option<Duration> {
        let time: UtcMillis = self.pulse.time?;
        let end = time.leg_window().start().0 + leadline_model::LEG_MILLIS;
        Some(Duration::from_millis(u64::try_from(end - time.0).ok()?))
    }
}
