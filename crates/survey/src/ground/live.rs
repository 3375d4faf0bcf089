//! Which statements stand: a later one names those whose place it takes.

use leadline_logbook::{Op, Said, SurveyWrites, WriteRef};
use leadline_model::{DeviceId, Text, UtcMillis};
use std::collections::{BTreeMap, BTreeSet};

/// A statement that nobody has replaced, with who made it and when.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Standing<T> {
    /// The write, by which a later one replaces it.
    pub write: WriteRef,
    /// Who signed.
    pub device: DeviceId,
    /// When, by that device's clock.
    pub claimed: UtcMillis,
    /// What was said.
    pub what: T,
}

/// What a statement speaks of: it replaces only its like.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Subject {
    Setup,
    Stage,
    Verdict,
    Water,
    Gauge,
    River,
    Name,
    Levelling,
    Speeds,
    Shore,
    DeviceName,
    Adoption,
    Mark,
}

fn subject(op: &Op) -> Option<Subject> {
    match op {
        // Standings are read by the crew.
        Op::Found(_) | Op::Member(_) | Op::Invite(_) | Op::Leg(_) | Op::Standing(_) | Op::Secret { .. } => {
            None
        }
        Op::Setup { .. } => Some(Subject::Setup),
        Op::Stage { .. } | Op::Series { .. } => Some(Subject::Stage),
        Op::Verdict { .. } => Some(Subject::Verdict),
        Op::Water { .. } => Some(Subject::Water),
        Op::Gauge { .. } => Some(Subject::Gauge),
        Op::River { .. } => Some(Subject::River),
        Op::Rename { .. } => Some(Subject::Name),
        Op::Level { .. } | Op::Unlevel { .. } => Some(Subject::Levelling),
        Op::Speeds { .. } => Some(Subject::Speeds),
        Op::Shore { .. } => Some(Subject::Shore),
        Op::DeviceName { .. } => Some(Subject::DeviceName),
        Op::Adopt { .. } | Op::Unadopt { .. } => Some(Subject::Adoption),
        Op::Mark { .. } => Some(Subject::Mark),
    }
}

/// All standing statements, by their writes.
pub(super) fn standing(writes: &SurveyWrites) -> impl Iterator<Item = Standing<&Op>> {
    let replaced: BTreeSet<(Subject, WriteRef)> = writes
        .said
        .values()
        .filter_map(|s| Some((subject(&s.what)?, &s.what)))
        .flat_map(|(kind, op)| op.replaces().iter().map(move |r| (kind, *r)))
        .collect();
    writes.said.iter().filter_map(move |(n, Said { device, claimed, what })| {
        let stands = subject(what).is_some_and(|kind| !replaced.contains(&(kind, *n)));
        stands.then_some(Standing { write: *n, device: *device, claimed: *claimed, what })
    })
}

impl<T> Standing<T> {
    pub(super) fn map<U>(self, f: impl FnOnce(T) -> U) -> Standing<U> {
        let Self { write, device, claimed, what } = self;
        Standing { write, device, claimed, what: f(what) }
    }
}

/// Names of devices as their admissions say; only for words.
#[derive(Default)]
pub(super) struct Names(BTreeMap<DeviceId, Text>);

impl Names {
    pub(super) fn of(writes: &SurveyWrites) -> Self {
        let mut names = BTreeMap::new();
        for said in writes.said.values() {
            let (device, name) = match &said.what {
                Op::Found(f) => (said.device, &f.device_name),
                Op::Member(m) => (m.device, &m.name),
                _ => continue,
            };
            names.entry(device).or_insert_with(|| name.clone());
        }
        Self(names)
    }

    pub(super) fn words(&self, device: &DeviceId) -> String {
        self.0.get(device).map_or_else(|| device.short(), Text::to_string)
    }
}
