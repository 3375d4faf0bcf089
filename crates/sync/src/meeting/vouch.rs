//! A member that this device has not heard of shows the entries that admitted it: somebody else let it in since the
//! two last met, or this device has never met who did.
//!
//! Asked once in a meeting, before anything of the survey is told. Whoever is asked answers only once it has admitted
//! the other itself; if neither knows the other, there is nothing to show and both refuse.

use super::{HELLO_MS, Meeting, Phase};
use crate::frame::{Frame, pack_entries, unpack_entries};
use crate::{Admission, DeskError, Failure, Misconduct, Question, RefusalCode};

/// Entries that are shown at most: an admission, that of who gave it, and so on.
pub const CREDENTIALS_MAX: usize = 16;
/// Packed bytes of them.
pub(crate) const CREDENTIALS_BYTES: usize = 16 << 10;

/// How far it has come on this side.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Vouch {
    #[default]
    Unasked,
    /// Since when, ms.
    Asked(u64),
    Shown,
}

impl Meeting {
    /// Whether a stranger is asked for its credentials instead of being refused at once.
    pub(super) fn asks_credentials(&self, admission: Admission, early: &[Frame]) -> bool {
        let mutual = early.contains(&Frame::AskCredentials);
        admission == Admission::Stranger && self.vouch == Vouch::Unasked && !mutual
    }

    pub(super) fn ask_credentials(&mut self, early: Vec<Frame>) -> Result<(), Failure> {
        self.vouch = Vouch::Asked(self.now);
        self.phase = Phase::Admitting(early);
        self.send(&Frame::AskCredentials)
    }

    /// The answer: the desk looks at it and decides once more. Not a frame of the open meeting.
    pub(super) fn on_credentials(&mut self, packed: &[u8]) -> Result<(), Failure> {
        if !matches!((&self.phase, self.vouch), (Phase::Admitting(_), Vouch::Asked(_))) {
            return Err(Failure::Peer(Misconduct::Order));
        }
        let entries =
            unpack_entries(packed, &self.cfg.limits).map_err(|_| Failure::Peer(Misconduct::Frame))?;
        if entries.len() > CREDENTIALS_MAX {
            return Err(Failure::Peer(Misconduct::Flood));
        }
        self.vouch = Vouch::Shown;
        let (device, name) = self.summary.peer.clone().ok_or(Failure::Answer)?;
        self.take.ask(&mut self.out, Question::Introduce { device, name, entries });
        Ok(())
    }

    /// A program that does not know the question never answers it.
    pub(super) fn tick_vouch(&self) -> Result<(), Failure> {
        match self.vouch {
            Vouch::Asked(at) if self.now - at > HELLO_MS => Err(Failure::RefusedPeer(RefusalCode::Stranger)),
            _ => Ok(()),
        }
    }

    /// The other does not know us and asks while we do not know it.
    pub(super) fn vouch_is_mutual(&self) -> bool {
        matches!(self.vouch, Vouch::Asked(_))
    }

    pub(super) fn show_credentials(&mut self, entries: &[Vec<u8>]) -> Result<(), Failure> {
        let shown = entries.iter().take(CREDENTIALS_MAX).map(Vec::as_slice);
        let packed = pack_entries(shown).map_err(DeskError::new)?;
        // More than may be shown is nothing to show.
        let fits = packed.len() <= CREDENTIALS_BYTES;
        let nothing = pack_entries([]).map_err(DeskError::new)?;
        self.send(&Frame::Credentials(if fits { packed } else { nothing }))
    }
}
