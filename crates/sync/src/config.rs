//! Who a device is in a meeting, and the proofs that tie it to the channel.

use crate::Wants;
use leadline_logbook::{DeviceKey, Domain, Limits, SIGNATURE_BYTES, Signs, verify};
use leadline_model::{DeviceId, SurveyId, Text, UtcMillis};

/// One device's side of a meeting.
#[derive(Clone, Debug)]
pub struct Config {
    /// The survey both must be of.
    pub survey: SurveyId,
    /// This device.
    pub device: DeviceId,
    /// Its name, shown to the peer; what exceeds [`HELLO_NAME_BYTES`] is cut off.
    pub name: Text,
    /// Bounds on what the peer sends.
    pub limits: Limits,
    /// What this device asks for.
    pub wants: Wants,
    /// The channel, as this end sees it.
    pub binding: Binding,
    /// This device's signature over the channel: [`Binding::proof`].
    pub proof: Vec<u8>,
    /// An invite, as long as this device does not know itself to be in the crew. A meeting with an invite is never
    /// the short one.
    pub invite: Option<InviteProof>,
    /// Stay on when all is done, if the peer does too: what is new goes over as it is made.
    pub stay: bool,
    /// Which change of the survey's secret this device knows; 0 = the first secret.
    pub secret_generation: Option<u32>,
    /// That secret, for a peer that knows an older one only.
    pub secret: Option<SurveySecret>,
    /// What this device's clock says, for the peer's ledger; nothing depends on it.
    pub clock: Option<UtcMillis>,
    /// The desk's number for this meeting: it keeps apart what several meetings fetch at once. Not told to the peer.
    pub meeting: u64,
    /// Up to where the desk's news had come when its holdings were read ([`crate::Question::News`]).
    pub upto: u64,
}

/// A survey's secret after a change.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct SurveySecret {
    /// Which change.
    pub generation: u32,
    /// The secret.
    pub secret: [u8; 32],
}

impl std::fmt::Debug for SurveySecret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // The secret stays out of every log.
        f.debug_struct("SurveySecret").field("generation", &self.generation).finish_non_exhaustive()
    }
}

/// Bytes of a device's name that go into a hello, so that the shortest meeting stays under 600 bytes.
pub const HELLO_NAME_BYTES: usize = 40;

impl Config {
    /// The usual side of a member: default limits, everything wanted, no invite.
    pub fn new(survey: SurveyId, key: &DeviceKey, name: Text, binding: Binding) -> Self {
        let proof = binding.proof(key, &survey);
        Self {
            survey,
            device: key.id(),
            name,
            limits: Limits::default(),
            wants: Wants::Everything,
            binding,
            proof,
            invite: None,
            stay: false,
            secret_generation: None,
            secret: None,
            clock: None,
            meeting: 0,
            upto: 0,
        }
    }
}

/// The authenticated channel under a meeting: the transport's id of either end. A proof made for one channel is
/// worth nothing on another.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Binding {
    /// Transport id of this end.
    pub mine: Vec<u8>,
    /// Transport id of the other end.
    pub theirs: Vec<u8>,
}

impl Binding {
    /// The same channel as the other end sees it.
    pub fn turned(&self) -> Self {
        Self { mine: self.theirs.clone(), theirs: self.mine.clone() }
    }

    /// `key`'s signature of "I am at this end of this channel, for this survey".
    pub fn proof(&self, key: &DeviceKey, survey: &SurveyId) -> Vec<u8> {
        key.sign(Signs::Hello, &[&self.text(survey)]).to_vec()
    }

    /// The proof that `device` at this end holds the secret half of an invite.
    pub fn invite_proof(&self, invite: &DeviceKey, device: &DeviceId, survey: &SurveyId) -> InviteProof {
        let signature = invite.sign(Signs::Invite, &[&device.0, &self.text(survey)]).to_vec();
        InviteProof { key: invite.id().0, signature }
    }

    /// Whether `proof` is the one the device at the other end must give.
    pub(crate) fn proves(&self, device: &DeviceId, survey: &SurveyId, proof: &[u8]) -> bool {
        signature(proof).is_some_and(|s| verify(device, Signs::Hello, &[&self.turned().text(survey)], s))
    }

    /// Whether the device at the other end holds the invite it shows.
    pub(crate) fn proves_invite(&self, invite: &InviteProof, device: &DeviceId, survey: &SurveyId) -> bool {
        let text = self.turned().text(survey);
        let parts: [&[u8]; 2] = [&device.0, &text];
        signature(&invite.signature).is_some_and(|s| verify(&DeviceId(invite.key), Signs::Invite, &parts, s))
    }

    /// Survey, then both ids behind their lengths, the speaker's first.
    pub(crate) fn text(&self, survey: &SurveyId) -> Vec<u8> {
        let mut text = survey.0.to_vec();
        for id in [&self.mine, &self.theirs] {
            text.extend((id.len() as u64).to_le_bytes());
            text.extend(id);
        }
        text
    }
}

fn signature(bytes: &[u8]) -> Option<&[u8; SIGNATURE_BYTES]> {
    bytes.try_into().ok()
}

/// What both ends of a connection must know before any handshake completes: the Noise prologue of a survey's secret.
pub fn prologue(secret: &[u8; 32]) -> [u8; 32] {
    Domain::Prologue.digest(&[secret]).0
}

/// An invite shown to a peer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InviteProof {
    /// The invite's public key.
    pub key: [u8; 32],
    /// Made by [`Binding::invite_proof`].
    pub signature: Vec<u8>,
}
