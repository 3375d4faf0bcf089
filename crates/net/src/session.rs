//! Drives one meeting over one stream: bytes in and out, the desk's answers, time.

use leadline_sync::{
    Binding, Desk, DeskError, FRAME_PREFIX, Failure, Input, Lane, Limits, Meeting, Output, Question, Summary,
    framed,
};
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;
use tokio::time::{Instant, MissedTickBehavior, interval, timeout};

/// What a meeting tells while it goes on.
#[derive(Debug)]
pub(crate) enum Told<'a> {
    /// What has moved so far.
    Progress(&'a Summary),
    /// Both hold the same, and stay on.
    InStep(&'a Summary),
    /// While staying on: so many entries and strips have been given.
    Pushed(u32, u32),
    /// While staying on: so many new entries and strips have come.
    Taken(u32, u32),
}

/// Whether to stay on when all is done, and the wish to leave, once it is true.
#[derive(Clone, Debug)]
pub(crate) struct Stay {
    pub(crate) stay: bool,
    pub(crate) leave: watch::Receiver<bool>,
}

impl Stay {
    /// Waits for the wish to leave; false if nobody is left to have it.
    async fn wish(&mut self) -> bool {
        self.leave.wait_for(|l| *l).await.is_ok()
    }
}

const TICK: Duration = Duration::from_millis(100);
/// Ticks between two reports of progress.
const REPORT_TICKS: u32 = 3;
/// How often a meeting that stays on looks whether the desk has anything new.
const LOOK: Duration = Duration::from_millis(250);
/// For the last frames to leave, and for the other end to close after a meeting that is done.
const PARTING: Duration = Duration::from_secs(2);

/// What the reading half brings.
enum Came {
    Frame(Vec<u8>),
    Some,
    End,
}

/// Holds a meeting on `stream`; `report` is called now and then with what has moved so far, and with what happens
/// while both stay on.
pub(crate) async fn hold<S>(
    stream: S,
    desk: Arc<dyn Desk>,
    binding: Binding,
    mut stay: Stay,
    mut report: impl FnMut(Told<'_>),
) -> Result<Summary, Failure>
where
    S: AsyncRead + AsyncWrite + Send + 'static,
{
    let opened = {
        let desk = desk.clone();
        tokio::task::spawn_blocking(move || desk.open(binding))
    };
    let (mut config, holdings) = opened.await.map_err(DeskError::new)??;
    config.stay = stay.stay;
    let _closes = Closes { desk: desk.clone(), meeting: config.meeting };
    let limits = config.limits;
    let began = Instant::now();
    let mut driver = Driver::new(Meeting::new(config, holdings, 0), desk, stream, limits);
    let mut ticks = interval(TICK);
    ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut looks = interval(LOOK);
    looks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut ticked = 0u32;
    let mut leaves = false;
    let outgoing = driver.outgoing.clone();
    loop {
        if let Some(end) = driver.drain(&mut report) {
            drop(outgoing);
            driver.part(end.is_ok()).await;
            return end;
        }
        tokio::select! {
            came = driver.incoming.recv() => driver.meeting.handle(match came {
                Some(Came::Frame(frame)) => Input::Frame(frame),
                Some(Came::Some) => Input::Stirring,
                Some(Came::End) | None => Input::LinkLost,
            }),
            Some(answered) = driver.asked.join_next() => driver.on_answer(answered),
            Some(looked) = driver.looked.join_next() => driver.on_look(looked),
            _ = looks.tick(), if driver.in_step && driver.looked.is_empty() => driver.look(),
            wished = stay.wish(), if !leaves => {
                leaves = true;
                if wished {
                    driver.meeting.handle(Input::Leave);
                }
            }
            permit = outgoing.reserve(), if !driver.unsent.is_empty() => match permit {
                Ok(permit) => if let Some(frame) = driver.unsent.pop_front() { permit.send(frame) },
                Err(_) => { driver.unsent.clear(); driver.meeting.handle(Input::LinkLost) }
            },
            _ = ticks.tick() => {
                driver.meeting.handle(Input::Tick(began.elapsed().as_millis() as u64));
                ticked = ticked.wrapping_add(1);
                if ticked.is_multiple_of(REPORT_TICKS) {
                    report(Told::Progress(driver.meeting.summary()));
                }
            }
        }
    }
}

/// Tells the desk that the meeting is over, however it ends.
struct Closes {
    desk: Arc<dyn Desk>,
    meeting: u64,
}

impl Drop for Closes {
    fn drop(&mut self) {
        self.desk.close(self.meeting);
    }
}

/// What the desk says four times a second.
struct Looked {
    version: Result<u64, DeskError>,
    provisional: Option<(u64, Vec<u8>)>,
}

/// A meeting with what stands around it. Reading never waits for writing: both ends may be full at once.
struct Driver {
    meeting: Meeting,
    desk: Arc<dyn Desk>,
    incoming: mpsc::Receiver<Came>,
    /// Frames that the writer has no room for; the meeting bounds how many there can be.
    unsent: VecDeque<Vec<u8>>,
    outgoing: mpsc::Sender<Vec<u8>>,
    asked: JoinSet<(Lane, Result<leadline_sync::Answer, DeskError>)>,
    looked: JoinSet<Looked>,
    in_step: bool,
    version: Option<u64>,
    /// Number of the provisional leg that was shown last.
    shown: u64,
    /// Reader and writer; dropped, and with them the stream, when the meeting is over.
    halves: JoinSet<()>,
}

impl Driver {
    fn new<S>(meeting: Meeting, desk: Arc<dyn Desk>, stream: S, limits: Limits) -> Self
    where
        S: AsyncRead + AsyncWrite + Send + 'static,
    {
        let (reader, writer) = tokio::io::split(stream);
        let (came, incoming) = mpsc::channel(2);
        let (outgoing, to_send) = mpsc::channel(2);
        let mut halves = JoinSet::new();
        halves.spawn(read(reader, came, limits.frame));
        halves.spawn(write(writer, to_send));
        Self {
            meeting,
            desk,
            incoming,
            unsent: VecDeque::new(),
            outgoing,
            asked: JoinSet::new(),
            looked: JoinSet::new(),
            in_step: false,
            version: None,
            shown: 0,
            halves,
        }
    }

    /// Acts on the meeting's outputs; its end, if it has come.
    fn drain(&mut self, report: &mut impl FnMut(Told<'_>)) -> Option<Result<Summary, Failure>> {
        while let Some(output) = self.meeting.poll() {
            match output {
                Output::Send(frame) => self.unsent.push_back(framed(&frame)),
                Output::Ask(lane, question) => self.ask(lane, question),
                Output::InStep(summary) => {
                    self.in_step = true;
                    report(Told::InStep(&summary));
                }
                Output::Pushed { entries, strips } => report(Told::Pushed(entries, strips)),
                Output::Taken { entries, strips } => report(Told::Taken(entries, strips)),
                Output::Provisional(bytes) => self.show(bytes),
                Output::Finished(summary) => return Some(Ok(*summary)),
                Output::Failed(failure) => return Some(Err(failure)),
                // A later meeting's wish that this program does not know can wait.
                _ => {}
            }
        }
        None
    }

    fn show(&self, bytes: Vec<u8>) {
        if let Some((device, _)) = &self.meeting.summary().peer {
            self.desk.show_provisional(*device, bytes);
        }
    }

    fn look(&mut self) {
        let desk = self.desk.clone();
        self.looked
            .spawn_blocking(move || Looked { version: desk.version(), provisional: desk.provisional() });
    }

    fn on_look(&mut self, looked: Result<Looked, tokio::task::JoinError>) {
        let Ok(Looked { version, provisional }) = looked else { return };
        // A store that cannot be read says so at the next question.
        let version = version.ok();
        if version.is_none() || version != self.version {
            self.version = version;
            self.meeting.handle(Input::Stirred);
        }
        // The latest is enough, and only where the link keeps up.
        if let Some((number, bytes)) = provisional.filter(|(n, _)| *n > self.shown && self.unsent.is_empty())
        {
            self.shown = number;
            self.meeting.handle(Input::Provisional(bytes));
        }
    }

    fn ask(&mut self, lane: Lane, question: Question) {
        let desk = self.desk.clone();
        self.asked.spawn_blocking(move || (lane, desk.answer(question)));
    }

    fn on_answer(
        &mut self,
        answered: Result<(Lane, Result<leadline_sync::Answer, DeskError>), tokio::task::JoinError>,
    ) {
        match answered {
            Ok((lane, answer)) => self.meeting.handle(Input::Answer(lane, answer)),
            // The desk panicked; on which lane does not matter, either ends the meeting.
            Err(e) => self.meeting.handle(Input::Answer(Lane::Take, Err(DeskError::new(e)))),
        }
    }

    /// Sends what is left. After a meeting that is done, waits for the other end to close too: a connection that is
    /// dropped at once can take the last frame with it.
    async fn part(mut self, done: bool) {
        let parting = async {
            while let Some(frame) = self.unsent.pop_front() {
                if self.outgoing.send(frame).await.is_err() {
                    return;
                }
            }
            // The writer closes its half when no sender is left.
            drop(self.outgoing);
            while done && !matches!(self.incoming.recv().await, Some(Came::End) | None) {}
            if !done {
                // The writer ends once all is out; the reader is dropped with the stream.
                self.halves.join_next().await;
            }
        };
        let _ = timeout(PARTING, parting).await;
    }
}

async fn read<R: AsyncRead + Unpin>(mut from: R, came: mpsc::Sender<Came>, limit: usize) {
    loop {
        let event = match read_frame(&mut from, &came, limit).await {
            Some(frame) => Came::Frame(frame),
            None => Came::End,
        };
        let ended = matches!(event, Came::End);
        if came.send(event).await.is_err() || ended {
            return;
        }
    }
}

/// One frame; `None` at the end of the stream, which proves nothing, or if too large a frame is announced.
async fn read_frame<R: AsyncRead + Unpin>(
    from: &mut R,
    came: &mpsc::Sender<Came>,
    limit: usize,
) -> Option<Vec<u8>> {
    let mut prefix = [0; FRAME_PREFIX];
    from.read_exact(&mut prefix).await.ok()?;
    let len = usize::try_from(u32::from_le_bytes(prefix)).ok().filter(|len| *len <= limit)?;
    let mut frame = Vec::with_capacity(len.min(STEP));
    while frame.len() < len {
        let want = (len - frame.len()).min(STEP) as u64;
        if (&mut *from).take(want).read_to_end(&mut frame).await.ok()? == 0 {
            return None;
        }
        if frame.len() < len {
            // Only a sign of life: if the queue is full, there are others.
            let _ = came.try_send(Came::Some);
        }
    }
    Some(frame)
}

/// Bytes of a large frame after which it counts as a sign of life.
const STEP: usize = 16 << 10;

async fn write<W: AsyncWrite + Unpin>(mut to: W, mut frames: mpsc::Receiver<Vec<u8>>) {
    while let Some(frame) = frames.recv().await {
        if to.write_all(&frame).await.is_err() {
            return;
        }
        if frames.is_empty() && to.flush().await.is_err() {
            return;
        }
    }
    let _ = to.shutdown().await;
}
