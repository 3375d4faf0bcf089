//! A device as the world sees it: its store behind a desk, and what can happen to it.

use super::dice::Dice;
use leadline_logbook::{Crew, CrewMember, Entry, Have, Op, PackedLeg, Role, StripRef, SurveyWrites};
use leadline_model::{DeviceId, Digest, EntryId, LegId, StripDigest, SurveyId, Text, TileId, UtcMillis};
use leadline_survey::InviteText;
use leadline_sync::{Desk, Question};
use std::collections::{BTreeMap, BTreeSet};

pub(super) const WATER: &str = "Simmerwater";

/// What a device reads from its store: two that hold the same must read the same.
#[derive(Debug, PartialEq)]
pub(super) struct Reading {
    pub(super) digest: Digest,
    pub(super) have: Have,
    pub(super) members: BTreeMap<DeviceId, CrewMember>,
    pub(super) survey: SurveyWrites,
    pub(super) tiles: BTreeMap<TileId, BTreeMap<LegId, StripRef>>,
}

/// A store as it was: what a backup keeps.
#[derive(Clone, Debug)]
pub(super) enum Image {
    Memory(Box<super::memory::State>),
    Folder(std::path::PathBuf),
}

/// What a device gets that is asked to join.
#[derive(Clone, Debug)]
pub(super) struct Ticket {
    pub(super) survey: SurveyId,
    pub(super) one_time: [u8; 32],
    pub(super) text: Option<InviteText>,
}

pub(super) trait Site {
    fn desk(&self) -> &dyn Desk;
    fn device(&self) -> DeviceId;
    /// The device's own clock, for what it decides by time.
    fn set_clock(&mut self, now: UtcMillis);
    fn clock(&self) -> UtcMillis;
    /// Writes entries of its own.
    fn append(&mut self, ops: Vec<Op>, legs: &[PackedLeg]);
    /// Writes an entry of a body version that no program knows yet; false if this kind of site cannot.
    fn append_newer(&mut self, dice: &mut Dice) -> bool;
    fn invite(&mut self, role: Role, expires: UtcMillis, one_time: [u8; 32]) -> Ticket;
    fn join(&mut self, ticket: &Ticket);
    /// Newest body version that its program reads.
    fn knows(&self) -> u8 {
        u8::MAX
    }
    /// Ids of the entries in force.
    fn counting(&self) -> BTreeSet<EntryId>;
    /// Ids of all entries kept, in force or masked.
    fn held(&self) -> BTreeSet<EntryId>;
    /// The same entries.
    fn entries(&self) -> Vec<Entry>;
    fn strips(&self) -> BTreeSet<StripDigest>;
    fn crew(&self) -> Crew;
    fn have(&self) -> Have;
    fn reading(&self) -> Reading;
    fn image(&mut self) -> Image;
    /// Goes back to an image; the key stays.
    fn wear(&mut self, image: &Image);
    /// The program dies and is started again.
    fn crash(&mut self);
    /// The program dies while it makes this group durable, before it is.
    fn tear(&mut self, group: Question, dice: &mut Dice);
    /// A second device with this one's key and a copy of its store.
    fn fork(&mut self, dice: &mut Dice) -> Box<dyn Site>;
    /// An old program is replaced by today's.
    fn upgrade(&mut self) {}
}

pub(super) fn text(s: &str) -> Text {
    Text::new(s).expect("short")
}
