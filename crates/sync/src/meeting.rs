//! The meeting: greeting, time-outs, rounds and the end. What is given and taken in between stands in `give` and
//! `take`, what follows when both stay on in `live`.

mod give;
mod live;
mod secret;
mod take;
mod vouch;

use crate::frame::{Done, Frame, Hello, PROTOCOLS};
use crate::framing::FRAME_PREFIX;
use crate::items::Items;
use crate::{
    Admission, Answer, Config, DeskError, Failure, Holdings, Lane, Misconduct, Question, RefusalCode, Summary,
};
pub use live::PROVISIONAL_BYTES;
pub(crate) use vouch::CREDENTIALS_BYTES;
pub use vouch::CREDENTIALS_MAX;

use give::Give;
use leadline_model::{DeviceId, Digest, UtcMillis};
use live::Live;
use secret::Secrets;
use std::collections::VecDeque;
use take::Take;
use vouch::Vouch;

/// A hello must come within this time, ms.
pub const HELLO_MS: u64 = 5_000;
/// Something is sent at least this often, ms.
pub const PING_MS: u64 = 3_000;
/// Nothing heard for this time ends the meeting, ms.
pub const SILENCE_MS: u64 = 10_000;
/// Only pings for this time end the meeting, ms.
pub const STALL_MS: u64 = 120_000;
/// Bytes of entries and strips that may be under way without being durable at the peer.
pub const WINDOW_BYTES: usize = 2 << 20;
/// Frames of entries and strips that may be under way without being durable at the peer.
pub const WINDOW_FRAMES: usize = 16;
/// Bytes that make a group to store.
pub const GROUP_BYTES: usize = 1 << 20;
/// A group is stored after this time even if it is smaller, ms.
pub const GROUP_MS: u64 = 200;
/// Have-lists exchanged in one meeting: entries made meanwhile and forks may need a second and a third.
pub const ROUNDS_MAX: u32 = 3;
/// Damaged or forged entries and strips that end a meeting.
pub const REFUSED_MAX: u32 = 1024;

/// What happens to a meeting.
#[derive(Clone, Debug)]
#[non_exhaustive]
pub enum Input {
    /// One frame from the peer, without its length.
    Frame(Vec<u8>),
    /// Some bytes of a frame that is not whole yet.
    Stirring,
    /// The time now, in ms from any origin; never going back. Needed about ten times a second.
    Tick(u64),
    /// The answer to the question open on this lane.
    Answer(Lane, Result<Answer, DeskError>),
    /// The stream has ended, in whatever way. What came whole is still stored before [`Output::Failed`].
    LinkLost,
    /// The desk's version has changed ([`crate::Desk::version`]).
    Stirred,
    /// Show this of the leg that is being recorded to the peer; ignored unless both stay on.
    Provisional(Vec<u8>),
    /// End a meeting that stays on, in order; one that is still under way ends as soon as both are done.
    Leave,
}

/// What a meeting wants done.
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Output {
    /// Send this frame. Never wait for it before feeding frames that have come: both sides may be full. How much
    /// can gather unsent is bounded by [`WINDOW_BYTES`] and two frames.
    Send(Vec<u8>),
    /// Ask the desk.
    Ask(Lane, Question),
    /// Both are done and stay on. Let the meeting know when the desk's version changes.
    InStep(Box<Summary>),
    /// While staying on: so much has been given, and is durable at the peer.
    Pushed {
        /// Entries.
        entries: u32,
        /// Strips.
        strips: u32,
    },
    /// While staying on: so much new has come and is durable.
    Taken {
        /// Entries.
        entries: u32,
        /// Strips.
        strips: u32,
    },
    /// What the peer shows of a leg that is being recorded.
    Provisional(Vec<u8>),
    /// Last output: send what came before it, then end the stream.
    Finished(Box<Summary>),
    /// Last output: send what came before it, then drop the stream.
    Failed(Failure),
}

/// One meeting with one peer over one reliable stream. Feed it with [`Self::handle`], then call [`Self::poll`]
/// until it gives nothing.
#[derive(Debug)]
pub struct Meeting {
    cfg: Config,
    holdings: Holdings,
    now: u64,
    /// When the meeting began, something was last heard, something moved, something was sent.
    began: u64,
    heard: u64,
    moved: u64,
    spoke: u64,
    phase: Phase,
    peer: Option<Peer>,
    out: VecDeque<Output>,
    give: Give,
    take: Take,
    live: Option<Live>,
    secrets: Secrets,
    vouch: Vouch,
    wants_to_leave: bool,
    my_done: Option<Done>,
    their_done: Option<Done>,
    rounds: u32,
    summary: Summary,
}

#[derive(Debug)]
enum Phase {
    /// Waiting for the peer's hello.
    Hello,
    /// Waiting for the desk to admit the peer; it may have admitted us already and be ahead by these frames.
    Admitting(Vec<Frame>),
    /// Giving and taking.
    Open,
    /// It has failed; what came whole is being stored.
    Closing(Failure),
    /// The last output is out.
    Over,
}

/// What is known of the peer once its proof was verified.
#[derive(Clone, Copy, Debug)]
struct Peer {
    device: DeviceId,
    /// Largest frame both sides take.
    frame: usize,
    /// Nothing to do, as both hellos say.
    quick: bool,
    /// Same entries, as both hellos say: only strips are lacking.
    same_entries: bool,
}

impl Meeting {
    /// Begins a meeting; the hello is the first output.
    pub fn new(cfg: Config, holdings: Holdings, now_ms: u64) -> Self {
        let mut meeting = Self {
            now: now_ms,
            began: now_ms,
            heard: now_ms,
            moved: now_ms,
            spoke: now_ms,
            phase: Phase::Hello,
            peer: None,
            out: VecDeque::new(),
            give: Give::default(),
            take: Take::new(cfg.wants.clone()),
            live: None,
            secrets: Secrets::default(),
            vouch: Vouch::default(),
            wants_to_leave: false,
            my_done: None,
            their_done: None,
            rounds: 0,
            summary: Summary { digest: Some(holdings.digest), ..Summary::default() },
            cfg,
            holdings,
        };
        let hello = Frame::Hello(Box::new(Hello::of(&meeting.cfg, &meeting.holdings)));
        if let Err(f) = meeting.send(&hello) {
            meeting.fail(f);
        }
        meeting
    }

    /// Takes note of what happened.
    pub fn handle(&mut self, input: Input) {
        let result = match (&self.phase, input) {
            (Phase::Over, _) => return,
            (Phase::Closing(_), Input::Answer(Lane::Take, answer)) => return self.close_on(answer),
            (Phase::Closing(_), _) => return,
            (_, Input::Frame(bytes)) => self.on_frame(&bytes),
            (_, Input::Stirring) => {
                self.heard = self.now;
                Ok(())
            }
            (_, Input::Tick(now)) => self.on_tick(now),
            (_, Input::Answer(Lane::Give, answer)) => self.on_give_answer(answer),
            (_, Input::Answer(Lane::Take, answer)) => self.on_take_answer(answer),
            (_, Input::LinkLost) => Err(Failure::LinkLost),
            (_, Input::Stirred) => {
                self.on_stirred();
                Ok(())
            }
            (_, Input::Provisional(bytes)) => self.send_provisional(bytes),
            (_, Input::Leave) => {
                self.leave();
                Ok(())
            }
        };
        if let Err(failure) = result.and_then(|()| self.pump()) {
            self.fail(failure);
        }
    }

    /// What to do next; `None` until something else happens.
    pub fn poll(&mut self) -> Option<Output> {
        self.out.pop_front()
    }

    /// Whether the last output is out or waiting to be polled.
    pub fn is_over(&self) -> bool {
        matches!(self.phase, Phase::Over)
    }

    /// What has moved so far.
    pub fn summary(&self) -> &Summary {
        &self.summary
    }

    fn on_frame(&mut self, bytes: &[u8]) -> Result<(), Failure> {
        self.heard = self.now;
        self.summary.bytes_received += (bytes.len() + FRAME_PREFIX) as u64;
        let frame = Frame::decode(bytes, &self.cfg.limits).map_err(|_| Failure::Peer(Misconduct::Frame))?;
        match &frame {
            Frame::Ping | Frame::Newer => return Ok(()),
            Frame::Refused(code) => return Err(Failure::RefusedByPeer(RefusalCode::of_number(*code))),
            Frame::Credentials(packed) => return self.on_credentials(packed),
            Frame::AskCredentials if self.vouch_is_mutual() => {
                return Err(Failure::RefusedPeer(RefusalCode::Stranger));
            }
            _ => self.moved = self.now,
        }
        match &mut self.phase {
            Phase::Hello => match frame {
                Frame::Hello(hello) => self.on_hello(*hello),
                _ => Err(Failure::Peer(Misconduct::Order)),
            },
            Phase::Admitting(early) if early.len() < EARLY_FRAMES => {
                early.push(frame);
                Ok(())
            }
            Phase::Admitting(_) => Err(Failure::Peer(Misconduct::Flood)),
            _ => self.on_open_frame(frame),
        }
    }

    fn on_hello(&mut self, hello: Hello) -> Result<(), Failure> {
        if hello.oldest > PROTOCOLS.1 || hello.newest < PROTOCOLS.0 {
            return Err(Failure::RefusedPeer(RefusalCode::Version));
        }
        if hello.survey != self.cfg.survey {
            return Err(Failure::RefusedPeer(RefusalCode::OtherSurvey));
        }
        let binding = &self.cfg.binding;
        let invite = hello.invite_proof();
        let invite_holds =
            invite.as_ref().is_none_or(|i| binding.proves_invite(i, &hello.device, &hello.survey));
        if !binding.proves(&hello.device, &hello.survey, &hello.proof) || !invite_holds {
            return Err(Failure::RefusedPeer(RefusalCode::Proof));
        }
        let frame = (hello.frame as usize).min(self.cfg.limits.frame);
        if frame < self.cfg.limits.strip_packed + STRIP_OVERHEAD {
            return Err(Failure::Peer(Misconduct::Frame));
        }
        let items = Items::read(&hello.more).map_err(|_| Failure::Peer(Misconduct::Frame))?;
        let same_entries =
            hello.digest == self.holdings.digest && invite.is_none() && self.cfg.invite.is_none();
        let lacking = hello.lacks || Hello::of(&self.cfg, &self.holdings).lacks;
        self.summary.peer = Some((hello.device, hello.name.clone()));
        self.summary.peer_stays = items.stay;
        self.summary.peer_clock = items.clock;
        let ours = |c: UtcMillis| c.0.saturating_add_unsigned(self.now - self.began);
        self.summary.peer_clock_ahead_ms =
            self.cfg.clock.zip(items.clock).map(|(mine, theirs)| theirs.0.saturating_sub(ours(mine)));
        self.summary.peer_secret_generation = items.secret_generation;
        let quick = same_entries && !lacking && !self.secrets_differ();
        self.peer = Some(Peer { device: hello.device, frame, quick, same_entries });
        self.phase = Phase::Admitting(Vec::new());
        let invite = invite.map(|i| i.key);
        self.take.ask(&mut self.out, Question::Admit { device: hello.device, name: hello.name, invite });
        Ok(())
    }

    /// The crew may have become another while both stay on: who is out gets nothing more.
    fn on_readmission(&mut self, admission: Admission) -> Result<(), Failure> {
        if let Some(live) = &mut self.live {
            live.doubted = false;
        }
        RefusalCode::of_admission(admission).map_or(Ok(()), |code| Err(Failure::RefusedPeer(code)))
    }

    fn on_admission(&mut self, admission: Admission) -> Result<(), Failure> {
        let Phase::Admitting(early) = std::mem::replace(&mut self.phase, Phase::Open) else {
            return Err(Failure::Answer);
        };
        if self.asks_credentials(admission, &early) {
            return self.ask_credentials(early);
        }
        if let Some(code) = RefusalCode::of_admission(admission) {
            return Err(Failure::RefusedPeer(code));
        }
        self.summary.joined = admission == Admission::Joined;
        self.summary.round_trips = 1;
        let peer = self.peer.ok_or(Failure::Answer)?;
        self.give_secret()?;
        if peer.quick {
            self.summary.was_equal = true;
            self.give.skip_entries();
            self.take.skip_all();
            self.send_done(self.holdings.digest)?;
        } else if peer.same_entries {
            self.give.skip_entries();
            self.take.skip_entries();
            self.rounds = 1;
        } else {
            self.begin_round();
        }
        early.into_iter().try_for_each(|frame| self.on_open_frame(frame))
    }

    fn begin_round(&mut self) {
        self.rounds += 1;
        self.summary.round_trips += 1;
        self.my_done = None;
        self.their_done = None;
        self.give.begin_round();
        self.take.begin_round();
        self.take.ask(&mut self.out, Question::Have);
    }

    fn on_open_frame(&mut self, frame: Frame) -> Result<(), Failure> {
        match frame {
            Frame::Have(have) => self.on_have(have),
            Frame::Ack(frames) => self.on_ack(frames),
            Frame::Want(keys) => self.on_want(keys),
            Frame::Offer(count) => self.on_offer(count),
            Frame::Entries(packed) => self.on_entries(packed),
            Frame::Strips(items) => self.on_strips(items),
            Frame::Done(done) => self.on_done(done),
            Frame::Secret(secret) => self.on_secret(secret),
            Frame::Here(keys) => self.on_here(&keys),
            Frame::Leave => self.on_leave(),
            Frame::Now(digest) => self.on_now(digest),
            Frame::AskCredentials => self.give.owe_credentials(),
            Frame::Provisional(bytes) => {
                self.on_provisional(bytes);
                Ok(())
            }
            _ => Err(Failure::Peer(Misconduct::Order)),
        }
    }

    fn on_done(&mut self, done: Done) -> Result<(), Failure> {
        if self.live.is_some() || self.their_done.is_some() || !self.give.is_settled() {
            return Err(Failure::Peer(Misconduct::Order));
        }
        if (done.entries, done.strips) != (self.summary.entries_sent, self.summary.strips_sent) {
            return Err(Failure::Peer(Misconduct::Counts));
        }
        self.their_done = Some(done);
        self.end_round();
        Ok(())
    }

    fn send_done(&mut self, digest: Digest) -> Result<(), Failure> {
        let s = &self.summary;
        let new = self.take.new_entries();
        let done = Done { entries: s.entries_received, strips: s.strips_received, new, digest };
        self.summary.digest = Some(digest);
        self.my_done = Some(done);
        self.send(&Frame::Done(done))?;
        self.end_round();
        Ok(())
    }

    /// Once both are done: the end, or another round. Both sides decide the same from the same two frames.
    fn end_round(&mut self) {
        let (Some(mine), Some(theirs)) = (self.my_done, self.their_done) else { return };
        self.summary.same_entries = mine.digest == theirs.digest;
        // Where no entry was new to either, another exchange of the same have-lists would bring none either.
        let progress = mine.new > 0 || theirs.new > 0;
        if !self.summary.same_entries && progress && self.rounds < ROUNDS_MAX {
            self.begin_round();
        } else if self.stays() {
            self.go_live(mine.digest, theirs.digest);
        } else {
            self.finish();
        }
    }

    fn on_tick(&mut self, now: u64) -> Result<(), Failure> {
        self.now = self.now.max(now);
        let since = |then: u64| self.now - then;
        if matches!(self.phase, Phase::Hello) && since(self.began) > HELLO_MS {
            return Err(Failure::NoHello);
        }
        if since(self.heard) > SILENCE_MS {
            return Err(Failure::Silent);
        }
        let waits_for_desk = self.take.is_asking() || self.give.is_asking();
        if since(self.moved) > STALL_MS && !waits_for_desk && !self.rests() {
            return Err(Failure::Stalled);
        }
        if since(self.spoke) >= PING_MS {
            self.send(&Frame::Ping)?;
        }
        self.tick_vouch()?;
        self.tick_live()
    }

    fn pump(&mut self) -> Result<(), Failure> {
        if matches!(self.phase, Phase::Open) {
            self.pump_give()?;
            self.pump_take()?;
            self.pump_live()?;
        }
        Ok(())
    }

    fn send(&mut self, frame: &Frame) -> Result<(), Failure> {
        let limit = self.peer.map_or(self.cfg.limits.frame, |p| p.frame);
        // Too large a frame can only come from the desk: an item over the limits.
        let bytes = frame.encode(limit).map_err(DeskError::new)?;
        self.summary.bytes_sent += (bytes.len() + FRAME_PREFIX) as u64;
        self.spoke = self.now;
        self.out.push_back(Output::Send(bytes));
        Ok(())
    }

    fn fail(&mut self, failure: Failure) {
        let code = match &failure {
            Failure::RefusedPeer(code) => Some(*code),
            Failure::Peer(_) => Some(RefusalCode::Protocol),
            Failure::Desk(_) | Failure::Answer => Some(RefusalCode::Store),
            _ => None,
        };
        if let Some(code) = code {
            // Two bytes fit into any frame.
            let _ = self.send(&Frame::Refused(code.number()));
        }
        self.phase = match failure {
            Failure::LinkLost | Failure::Silent | Failure::Stalled => Phase::Closing(failure),
            other => {
                self.out.push_back(Output::Failed(other));
                Phase::Over
            }
        };
        self.pump_closing();
    }

    fn close_on(&mut self, answer: Result<Answer, DeskError>) {
        if self.note_last_group(answer).is_err() {
            self.take.drop_pending();
        }
        self.pump_closing();
    }

    /// After the link is lost: stores the whole frames that have come, then says so.
    fn pump_closing(&mut self) {
        if !matches!(self.phase, Phase::Closing(_)) || self.take.is_asking() {
            return;
        }
        if self.store_group().is_err() {
            self.take.drop_pending();
        }
        if self.take.is_asking() {
            return;
        }
        if let Phase::Closing(failure) = std::mem::replace(&mut self.phase, Phase::Over) {
            self.out.push_back(Output::Failed(failure));
        }
    }
}

/// A peer that has admitted us before we have admitted it can be ahead by a secret, a have-list, an offer of nothing and
/// a done.
const EARLY_FRAMES: usize = 6;
/// A frame around one strip: kind and length.
const STRIP_OVERHEAD: usize = 64;
