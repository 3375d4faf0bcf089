//! The survey's secret, changed while a device was away: whoever knows the newer one gives it, after admission.

use super::Meeting;
use crate::frame::Frame;
use crate::{Failure, Misconduct, Question, SurveySecret};

/// What is known of the other side's secret.
#[derive(Debug, Default)]
pub(super) struct Secrets {
    /// The peer knows a newer one and gives it before anything else.
    awaited: bool,
    /// It came and is not kept yet: the entry that announces it may be on its way.
    came: Option<SurveySecret>,
}

impl Meeting {
    /// Whether one side knows a newer secret. A device that does not tell what it knows takes none.
    pub(super) fn secrets_differ(&self) -> bool {
        let theirs = self.summary.peer_secret_generation;
        self.cfg.secret_generation.zip(theirs).is_some_and(|(mine, theirs)| mine != theirs)
    }

    /// The first thing said to a peer that is admitted.
    pub(super) fn give_secret(&mut self) -> Result<(), Failure> {
        let mine = self.cfg.secret_generation;
        let Some((mine, theirs)) = mine.zip(self.summary.peer_secret_generation) else { return Ok(()) };
        self.secrets.awaited = theirs > mine;
        match self.cfg.secret {
            Some(secret) if secret.generation > theirs => self.send(&Frame::Secret(secret)),
            _ => Ok(()),
        }
    }

    pub(super) fn on_secret(&mut self, secret: SurveySecret) -> Result<(), Failure> {
        if !std::mem::take(&mut self.secrets.awaited) {
            return Err(Failure::Peer(Misconduct::Order));
        }
        self.secrets.came = Some(secret);
        Ok(())
    }

    /// Before this side is done: nothing, or the question that must be answered first.
    pub(super) fn secret_to_keep(&mut self) -> Option<Question> {
        self.secrets.came.take().map(Question::Secret)
    }

    pub(super) fn awaits_secret(&self) -> bool {
        self.secrets.awaited
    }
}
