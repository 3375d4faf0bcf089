//! How a stream moves: bytes, answers, time, cuts, deaths.

use super::hostile::{lie, mangle};
use super::link::Who;
use super::memory::{BODY_AT, Flaw};
use super::reference::{Crowd, Scratch, has_words};
use super::site::Site;
use super::world::{Violation, World, note_signed};
use leadline_sync::{
    Answer, Desk, DeskError, Failure, Input, Lane, Output, Question, RefusalCode, SILENCE_MS, WINDOW_BYTES,
    framed,
};

impl World {
    /// One small thing on one stream.
    pub(super) fn nudge(&mut self, l: usize) -> Result<(), Violation> {
        self.now += 1;
        self.tick(l)?;
        let e = self.dice.below(2);
        let waiting = self.links[l].ends[e].pending.len();
        if waiting > 0 && self.dice.chance(50) {
            let k = self.dice.below(waiting);
            return self.answer(l, e, k, true);
        }
        if let Some(since) = self.links[l].silent_since {
            return self.check_silence(l, since);
        }
        let bytes = match self.dice.below(3) {
            0 => 1 + self.dice.below(40),
            1 => 1 + self.dice.below(900),
            _ => usize::MAX,
        };
        self.flow(l, e, bytes)
    }

    pub(super) fn tick(&mut self, l: usize) -> Result<(), Violation> {
        for e in 0..2 {
            let now = self.now;
            self.links[l].ends[e].handle(Input::Tick(now));
            self.drain(l, e)?;
        }
        Ok(())
    }

    fn check_silence(&self, l: usize, since: u64) -> Result<(), Violation> {
        let link = &self.links[l];
        let deaf = link.ends.iter().any(|e| !e.is_out() && e.pending.is_empty());
        if self.now > since + SILENCE_MS + 1 && deaf {
            return Err(format!("stream {}: silence for more than 10 s is not noticed", link.number));
        }
        Ok(())
    }

    /// Acts on all that an end's meeting wants.
    pub(super) fn drain(&mut self, l: usize, e: usize) -> Result<(), Violation> {
        loop {
            let end = &mut self.links[l].ends[e];
            let Some(output) = end.meeting.as_mut().and_then(|m| m.poll()) else { break };
            match output {
                Output::Send(frame) => self.send(l, e, frame)?,
                Output::Ask(lane, question) => {
                    let early = matches!(question, Question::Admit { .. });
                    end.pending.push((lane, question));
                    let honest = end.honest().is_some();
                    if early && honest && self.flaw == Flaw::SpeaksBeforeAdmission {
                        self.send(l, e, [&[3][..], &0u64.to_le_bytes()].concat())?;
                    }
                }
                Output::Finished(summary) => {
                    end.ended = Some(Ok(summary));
                    self.stats.finished += 1;
                    self.close(l, e);
                }
                Output::Failed(failure) => {
                    self.fail(l, e, failure)?;
                    self.close(l, e);
                }
                other => return Err(format!("an output that the simulation does not know: {other:?}")),
            }
        }
        let end = &self.links[l].ends[e];
        if end.wire.len() > WINDOW_BYTES + (2 << 20) {
            return Err(format!("{} bytes are unsent at one end", end.wire.len()));
        }
        Ok(())
    }

    /// The desk hears that the meeting is over.
    fn close(&self, l: usize, e: usize) {
        let end = &self.links[l].ends[e];
        if let Some(site) = end.honest() {
            self.seats[site].site.desk().close(end.meeting_number);
        }
    }

    fn send(&mut self, l: usize, e: usize, frame: Vec<u8>) -> Result<(), Violation> {
        let end = &self.links[l].ends[e];
        // A liar's hello is left as it is most of the time: later lies are more interesting.
        let spoils = matches!(end.who, Who::Liar(_)) && (frame[0] != 1 || self.dice.chance(10));
        let frames = if spoils { mangle(frame, &mut self.dice) } else { vec![frame] };
        for frame in frames {
            self.note_sent(l, e, &frame)?;
            self.links[l].ends[e].wire.extend(framed(&frame));
        }
        Ok(())
    }

    fn fail(&mut self, l: usize, e: usize, failure: Failure) -> Result<(), Violation> {
        let link = &mut self.links[l];
        let honest = link.ends.iter().all(|e| e.honest().is_some());
        let own_fault = |f: &Failure| {
            use RefusalCode::{OtherSurvey, Proof, Protocol, Store, Version};
            match f {
                Failure::Peer(_) | Failure::Desk(_) | Failure::Answer => true,
                Failure::RefusedByPeer(c) | Failure::RefusedPeer(c) => {
                    matches!(c, Protocol | Store | Proof | Version | OtherSurvey)
                }
                _ => false,
            }
        };
        let text = format!("stream {} end {e}: {failure}", link.number);
        if honest && own_fault(&failure) {
            return Err(format!("between honest devices: {text}"));
        }
        if matches!(failure, Failure::RefusedPeer(_) | Failure::Peer(_)) {
            self.stats.refused += 1;
        }
        link.ends[e].ended = Some(Err(failure));
        self.trace.note(text);
        Ok(())
    }

    /// Moves up to `n` bytes from an end to the other.
    pub(super) fn flow(&mut self, l: usize, e: usize, n: usize) -> Result<(), Violation> {
        let o = 1 - e;
        let link = &mut self.links[l];
        let n = n.min(link.ends[e].wire.len());
        let bytes: Vec<u8> = link.ends[e].wire.drain(..n).collect();
        if n > 0 && !link.ends[o].is_out() {
            link.ends[o].deframer.push(&bytes);
            let mut whole = false;
            loop {
                let end = &mut self.links[l].ends[o];
                match end.deframer.frame() {
                    Ok(Some(frame)) => end.handle(Input::Frame(frame)),
                    Ok(None) => break,
                    Err(_) => {
                        end.handle(Input::LinkLost);
                        self.drain(l, o)?;
                        break;
                    }
                }
                whole = true;
                self.drain(l, o)?;
            }
            if !whole {
                self.links[l].ends[o].handle(Input::Stirring);
            }
        }
        let link = &mut self.links[l];
        if link.ends[e].wire.is_empty() && link.ends[e].is_out() && !link.ends[o].is_out() {
            // The stream is closed behind the last frame.
            link.ends[o].handle(Input::LinkLost);
            self.drain(l, o)?;
        }
        Ok(())
    }

    /// Answers the `k`th open question of an end.
    pub(super) fn answer(&mut self, l: usize, e: usize, k: usize, perilous: bool) -> Result<(), Violation> {
        let end = &mut self.links[l].ends[e];
        if end.is_out() {
            end.pending.clear();
            return Ok(());
        }
        let (lane, question) = end.pending.swap_remove(k);
        match end.who {
            Who::Honest(site) => self.answer_honestly((l, e), site, lane, question, perilous),
            Who::Liar(i) if i < self.liars.len() => {
                let before = self.liars[i].held();
                let answer = self.liars[i].answer(question.clone());
                if matches!(question, Question::Admit { .. }) {
                    // A liar who is a keeper may admit, as any keeper.
                    let device = self.liars[i].device();
                    let new = &self.liars[i].held() - &before;
                    note_signed(&mut self.signed, new, device);
                }
                let answer = answer.map(|a| lie(&question, a, &mut self.dice));
                self.hand_over(l, e, lane, answer)
            }
            _ => self.hand_over(l, e, lane, stranger_answer(&question)),
        }
    }

    /// Whether a device may tell another of the survey, as two models say from the entries it holds.
    fn may_speak(
        &self,
        site: usize,
        device: &leadline_model::DeviceId,
        invite: Option<[u8; 32]>,
    ) -> Result<bool, Violation> {
        let seat = &self.seats[site].site;
        let entries = seat.entries();
        let read: Vec<_> = entries.into_iter().filter(|e| e.bytes()[BODY_AT] <= seat.knows()).collect();
        let (me, clock) = (seat.device(), seat.clock());
        let allowed = Scratch::of(&read, self.survey, me).may_speak(&me, device, invite, clock);
        let plainly = Crowd::of(&read, self.survey).may_speak(&me, device, invite, clock);
        if !has_words(&read) && allowed != plainly {
            return Err(format!("the two models differ on whether {site} may speak to {device:?}"));
        }
        Ok(allowed)
    }

    fn answer_honestly(
        &mut self,
        at: (usize, usize),
        site: usize,
        lane: Lane,
        question: Question,
        perilous: bool,
    ) -> Result<(), Violation> {
        let (l, e) = at;
        let now = self.clock(site);
        self.seats[site].site.set_clock(now);
        let stores = matches!(question, Question::Store { .. });
        if stores && perilous && self.dice.chance(4) {
            return self.kill(site, Some(question));
        }
        let before = self.seats[site].site.held();
        if let Question::Admit { device, invite, .. } = &question {
            self.links[l].ends[e].allowed = self.may_speak(site, device, *invite)?;
        }
        let introduced = match &question {
            Question::Introduce { device, .. } => Some(*device),
            _ => None,
        };
        let admits = matches!(question, Question::Admit { .. });
        let answer = self.seats[site].site.desk().answer(question);
        if let Some(device) = introduced {
            // By what it holds now: it has been shown who let the other in.
            self.links[l].ends[e].allowed = self.may_speak(site, &device, None)?;
        }
        if admits {
            let new = &self.seats[site].site.held() - &before;
            self.sign_off(site, &new);
        }
        self.check_site(site)?;
        if stores && perilous && self.dice.chance(3) {
            return self.kill(site, None);
        }
        self.hand_over(l, e, lane, answer)
    }

    fn hand_over(
        &mut self,
        l: usize,
        e: usize,
        lane: Lane,
        answer: Result<Answer, DeskError>,
    ) -> Result<(), Violation> {
        self.links[l].ends[e].handle(Input::Answer(lane, answer));
        self.drain(l, e)
    }

    /// The stream ends, at whatever byte it has come to.
    pub(super) fn cut(&mut self, l: usize) -> Result<(), Violation> {
        self.trace.note(format!("stream {} is cut", self.links[l].number));
        for e in 0..2 {
            let n = self.dice.below(self.links[l].ends[e].wire.len() + 1);
            self.flow(l, e, n)?;
        }
        for e in 0..2 {
            self.lose(l, e)?;
        }
        Ok(())
    }

    fn lose(&mut self, l: usize, e: usize) -> Result<(), Violation> {
        let end = &mut self.links[l].ends[e];
        if end.who == Who::Script {
            end.wire.clear();
        }
        end.handle(Input::LinkLost);
        self.drain(l, e)?;
        // What it still wants to say reaches nobody.
        self.links[l].ends[e].wire.clear();
        Ok(())
    }

    /// A device's program dies, perhaps while it makes `group` durable, and is started again.
    pub(super) fn kill(&mut self, site: usize, group: Option<Question>) -> Result<(), Violation> {
        let during = if group.is_some() { " while it stores" } else { "" };
        self.trace.note(format!("{site} dies{during}"));
        self.stats.crashes += 1;
        let before = (self.seats[site].site.held(), self.seats[site].site.strips());
        if let Some(group) = group {
            self.stats.torn += 1;
            self.seats[site].site.tear(group, &mut self.dice);
        }
        self.seats[site].site.crash();
        if before != (self.seats[site].site.held(), self.seats[site].site.strips()) {
            return Err(format!("{site} keeps a part of what it was storing when it died"));
        }
        for l in 0..self.links.len() {
            for e in 0..2 {
                if self.links[l].ends[e].honest() == Some(site) {
                    self.links[l].ends[e].meeting = None;
                    self.links[l].ends[e].pending.clear();
                    let n = self.dice.below(self.links[l].ends[e].wire.len() + 1);
                    self.flow(l, e, n)?;
                    self.links[l].ends[e].wire.clear();
                    self.lose(l, 1 - e)?;
                }
            }
        }
        self.check_site(site)
    }
}

/// A stranger's desk takes everybody for a friend, and has nothing to give.
fn stranger_answer(question: &Question) -> Result<Answer, DeskError> {
    Ok(match question {
        Question::Admit { .. } | Question::Introduce { .. } => {
            Answer::Admitted(leadline_sync::Admission::Member)
        }
        Question::Credentials => Answer::Items(Vec::new()),
        Question::Have => Answer::Have(Default::default()),
        Question::Missing(_) => Answer::Missing(Vec::new()),
        Question::Store { .. } => Answer::Stored(Default::default()),
        Question::WantedStrips { .. } => Answer::Wanted(Vec::new()),
        _ => return Err(DeskError::new("a stranger's")),
    })
}
