//! A device whose store is in memory: the logbook's own rules and nothing else. A write is whole or not there.

use super::dice::Dice;
use super::site::{Image, Reading, Site, Ticket, WATER, text};
use leadline_logbook::{
    Chains, Crew, Cut, DeviceKey, DocKey, Domain, Entry, Envelope, Founding, Have, Held, Invite,
    InviteRefusal, Limits, Member, Op, PackedLeg, Place, Role, Signs, Standing, apply, changes_as, encode,
    entry_id, read_survey, read_tile, strip_digest, take_in, unpack_strip,
};
use leadline_model::{DeviceId, EntryId, Epoch, Nonce, StripDigest, SurveyId, UtcMillis};
use leadline_sync::{
    Admission, Answer, Binding, Config, Desk, DeskError, Holdings, Question, Stored, StripKey, Wants,
};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, MutexGuard};

/// Place of the body's version in an entry (docs/format.md).
pub(super) const BODY_AT: usize = 121;

/// What is wrong with a desk. The simulation must find each of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Flaw {
    /// Nothing.
    None,
    /// Says that a group is durable while it is not yet.
    AcksBeforeStoring,
    /// Loses every fifth strip after saying that it is durable.
    ForgetsStrips,
    /// Takes every device for a member.
    AdmitsAnyone,
    /// Keeps entries whose signature does not fit.
    TrustsForgers,
    /// A crash leaves half of a group.
    KeepsHalfAGroup,
    /// Tells the digest it had when the meeting began.
    TellsOldDigest,
    /// Loses an entry when a second one of the same number comes.
    OverwritesForks,
    /// Sends its have-list before it knows who asks. (Done by the link, not by the desk.)
    SpeaksBeforeAdmission,
}

/// What is kept over a crash and in a backup.
#[derive(Clone, Debug)]
pub(super) struct State {
    /// All that is kept, masked entries too.
    entries: BTreeMap<EntryId, Arc<Entry>>,
    /// What counts, and as whose word.
    counting: BTreeMap<EntryId, Role>,
    strips: BTreeMap<StripDigest, Arc<Vec<u8>>>,
    wanted: BTreeSet<StripDigest>,
    waiting: BTreeMap<EntryId, Vec<u8>>,
    crew: Crew,
    epoch: Epoch,
    invite: Option<[u8; 32]>,
    forged: BTreeSet<EntryId>,
}

/// Entries and strips that came together.
type Group = (Vec<Vec<u8>>, Vec<Vec<u8>>);

/// A store in memory with its device.
pub(super) struct MemorySite(Mutex<Inner>);

struct Inner {
    survey: SurveyId,
    key: DeviceKey,
    name: String,
    limits: Limits,
    clock: UtcMillis,
    /// Newest body version this program reads.
    knows: u8,
    flaw: Flaw,
    /// Nonces, epochs, how much fits an answer.
    dice: Dice,
    state: State,
    /// Of a flawed desk: what it said was durable.
    late: Option<Group>,
    old: Option<Holdings>,
}

impl Held for State {
    fn holds(&self, id: &EntryId) -> bool {
        self.entries.contains_key(id)
    }

    fn siblings(&self, place: &Place) -> usize {
        let same = |p: Place| (p.device, p.epoch, p.seq) == (place.device, place.epoch, place.seq);
        self.entries.values().filter(|e| same(e.place())).count()
    }

    fn place(&self, id: &EntryId) -> Option<Place> {
        self.entries.get(id).map(|e| e.place())
    }
}

impl State {
    fn new(survey: SurveyId, device: DeviceId, epoch: Epoch) -> Self {
        Self {
            entries: BTreeMap::new(),
            counting: BTreeMap::new(),
            strips: BTreeMap::new(),
            wanted: BTreeSet::new(),
            waiting: BTreeMap::new(),
            crew: Crew::new(survey, device),
            epoch,
            invite: None,
            forged: BTreeSet::new(),
        }
    }

    /// Who belongs, what counts and which strips are wanted, all from the start.
    fn settle(&mut self, survey: SurveyId, own: DeviceId, knows: u8) {
        let chains = Chains::new(|id: &EntryId| self.place(id));
        let mut crew = Crew::new(survey, own);
        let reads = |e: &&Arc<Entry>| e.bytes().get(BODY_AT).is_none_or(|version| *version <= knows);
        self.entries.values().filter(reads).for_each(|e| _ = crew.note(e));
        crew.settle(&chains);
        let role = |e: &Arc<Entry>| Some((e.id(), crew.counts_as(&e.place(), &chains)?));
        let counting: BTreeMap<_, _> = self.entries.values().filter_map(role).collect();
        let ops = counting.iter().filter_map(|(id, role)| Some((*role, self.entries.get(id)?)));
        let claims = ops.flat_map(|(role, e)| e.ops().iter().filter(move |op| role.may_say(op)));
        let named =
            claims.filter_map(|op| if let Op::Leg(c) = op { Some(&c.strips) } else { None }).flatten();
        let wanted = named.map(|s| s.digest).filter(|d| !self.strips.contains_key(d)).collect();
        (self.crew, self.counting, self.wanted) = (crew, counting, wanted);
    }

    /// Where the entries stand that do not count.
    fn aside(&self) -> Vec<Place> {
        let masked = self.entries.iter().filter(|(id, _)| !self.counting.contains_key(id));
        masked.map(|(_, e)| e.place()).collect()
    }

    /// What counts, and what may lie behind a cut: whoever lacks a part of that chain draws other conclusions.
    fn to_give(&self) -> Vec<Place> {
        let behind = self.aside().into_iter().filter(|p| self.crew.may_count_later(p));
        self.places().into_iter().chain(behind).collect()
    }

    fn places(&self) -> Vec<Place> {
        self.counting.keys().filter_map(|id| self.place(id)).collect()
    }
}

/// A keeper's word on a device: all counts that is in force here, what comes later by the new role.
pub(super) fn standing(crew: &Crew, have: &Have, device: DeviceId, role: Option<Role>) -> Op {
    let logs = have.0.iter().filter(|l| l.device == device && l.top > 0);
    let cuts = logs.map(|l| Cut { epoch: l.epoch, seq: l.top, id: l.top_id }).collect();
    let replaces = crew.live_standings(&device);
    Op::Standing(Standing { device, role, cuts, why: text("lost at the ramp"), replaces })
}

impl Inner {
    fn holdings(&self) -> Holdings {
        let mut h = Domain::Holdings.hasher();
        h.update(b"entries");
        self.state.counting.keys().for_each(|id| h.update(&id.0));
        Holdings {
            digest: h.finish(),
            missing_strips: self.state.wanted.len() as u32,
            entries: self.state.counting.len() as u64,
        }
    }

    /// What is kept and not in force: masked, or waiting for an admission.
    fn aside(&self) -> Vec<(DeviceId, Epoch, EntryId)> {
        let masked = self.state.aside().into_iter().map(|p| (p.device, p.epoch, p.id));
        let waiting = self.state.waiting.iter().filter_map(|(id, bytes)| {
            // The signature is no part of the id: one that a liar has spoiled must not stand for the genuine one.
            let entry = Entry::open(bytes, &self.survey, |_| true, &self.limits).ok()?;
            Some((entry.envelope().device, entry.envelope().epoch, *id))
        });
        masked.chain(waiting).collect()
    }

    fn reads(&self, bytes: &[u8]) -> bool {
        bytes.get(BODY_AT).is_none_or(|version| *version <= self.knows)
    }

    fn append(&mut self, ops: Vec<Op>, legs: &[PackedLeg]) {
        let envelope = self.envelope();
        let entry = Entry::sign(&self.key, envelope, ops, &self.limits).expect("a well-formed entry");
        for strip in legs.iter().flat_map(|l| &l.strips) {
            self.state.strips.insert(strip.digest, Arc::new(strip.packed.clone()));
        }
        self.keep(entry);
        self.settle();
        self.look_at_waiting();
    }

    /// Whoever is admitted now, or is seen to be, may have entries that wait here.
    fn look_at_waiting(&mut self) {
        let waiting = std::mem::take(&mut self.state.waiting);
        if !waiting.is_empty() {
            self.store(waiting.into_values().collect(), Vec::new());
        }
    }

    fn keep(&mut self, entry: Entry) {
        self.state.entries.insert(entry.id(), Arc::new(entry));
    }

    fn settle(&mut self) {
        let (survey, own, knows) = (self.survey, self.key.id(), self.knows);
        self.state.settle(survey, own, knows);
    }

    /// The next place in this device's logbook.
    fn envelope(&mut self) -> Envelope {
        let (me, epoch) = (self.key.id(), self.state.epoch);
        let own = self.state.entries.values().map(|e| e.place());
        let last = own.filter(|p| (p.device, p.epoch) == (me, epoch)).max_by_key(|p| (p.seq, p.id));
        let (seq, prev) = last.map_or((0, EntryId([0; 32])), |p| (p.seq, p.id));
        let nonce = Nonce(self.dice.bytes());
        Envelope::new(self.survey, (me, epoch, seq + 1), prev, nonce, self.clock)
    }

    fn store(&mut self, entries: Vec<Vec<u8>>, strips: Vec<Vec<u8>>) -> Stored {
        let ids = entries.iter().filter_map(|e| entry_id(e)).collect();
        let mut stored = Stored { ids, ..Stored::default() };
        if self.flaw == Flaw::TrustsForgers {
            self.state.forged.extend(entries.iter().filter_map(|e| entry_id(e)));
        }
        let mut entries = entries;
        while self.take(std::mem::take(&mut entries), &mut stored) {
            entries = std::mem::take(&mut self.state.waiting).into_values().collect();
        }
        self.settle();
        for packed in strips {
            match self.keep_strip(packed) {
                Ok(new) => stored.strips += u32::from(new),
                Err(why) => *stored.refused.entry(why).or_default() += 1,
            }
        }
        stored
    }

    /// True if the crew became another, so that what waited is to be looked at.
    fn take(&mut self, entries: Vec<Vec<u8>>, stored: &mut Stored) -> bool {
        let (plain, newer): (Vec<_>, Vec<_>) = entries.into_iter().partition(|e| self.reads(e));
        let mut crew = self.state.crew.clone();
        let taken = take_in(plain, &self.survey, &mut crew, &self.state, &self.limits);
        stored.known += taken.known as u32;
        stored.entries += taken.accepted.len() as u32;
        taken.refused.iter().for_each(|(_, r, _)| *stored.refused.entry(r.to_string()).or_default() += 1);
        let mut waiting: Vec<Vec<u8>> = taken.waiting.into_iter().map(|(_, bytes)| bytes).collect();
        taken.accepted.into_iter().chain(taken.masked).for_each(|e| self.accept(e));
        for bytes in newer {
            // An older program keeps what it cannot read, and does not act on it.
            match Entry::open(&bytes, &self.survey, |d| crew.admits(d), &self.limits) {
                Ok(e) if self.state.holds(&e.id()) => stored.known += 1,
                Ok(e) => {
                    stored.entries += 1;
                    self.accept(e);
                }
                Err(leadline_logbook::Refusal::NotAdmitted(_)) => waiting.push(bytes),
                Err(why) => *stored.refused.entry(why.to_string()).or_default() += 1,
            }
        }
        self.state.crew = crew;
        stored.waiting += waiting.len() as u32;
        let waiting = waiting.into_iter().filter_map(|b| Some((entry_id(&b)?, b)));
        self.state.waiting.extend(waiting);
        taken.crew_changed
    }

    fn accept(&mut self, entry: Entry) {
        let place = entry.place();
        if self.flaw == Flaw::OverwritesForks {
            let twin = |e: &Entry| {
                let p = e.place();
                (p.device, p.epoch, p.seq) == (place.device, place.epoch, place.seq)
            };
            self.state.entries.retain(|_, e| !twin(e));
        }
        if place.device == self.key.id() {
            self.state.epoch = Epoch(self.dice.bytes());
        }
        self.keep(entry);
    }

    fn keep_strip(&mut self, packed: Vec<u8>) -> Result<bool, String> {
        let digest = strip_digest(&packed, &self.limits).map_err(|e| e.to_string())?;
        if self.state.strips.contains_key(&digest) {
            return Ok(false);
        }
        if !self.state.wanted.contains(&digest) {
            return Err("a strip came that no entry names".to_owned());
        }
        unpack_strip(&packed, &digest, &self.limits).map_err(|e| e.to_string())?;
        self.state.wanted.remove(&digest);
        if !(self.flaw == Flaw::ForgetsStrips && digest.0[0].is_multiple_of(5)) {
            self.state.strips.insert(digest, Arc::new(packed));
        }
        Ok(true)
    }

    fn admit(&mut self, device: DeviceId, name: leadline_model::Text, invite: Option<[u8; 32]>) -> Admission {
        let crew = &self.state.crew;
        if crew.members().contains_key(&device) || !crew.is_founded() || self.flaw == Flaw::AdmitsAnyone {
            return Admission::Member;
        }
        let dismissed = crew.dismissed().contains_key(&device);
        let out = |other| if dismissed { Admission::Dismissed } else { other };
        let Some(key) = invite else { return out(Admission::Stranger) };
        if !crew.is_keeper(&self.key.id()) {
            return out(Admission::InviteUnknown);
        }
        let role = match crew.redeemable(&key, &device, self.clock) {
            Ok(_) if dismissed && crew.has_used(&key, &device) => return Admission::Dismissed,
            Ok(invite) => invite.role,
            Err(InviteRefusal::Expired) => return out(Admission::InviteExpired),
            Err(InviteRefusal::Used) => return out(Admission::InviteUsed),
            Err(_) => return out(Admission::InviteUnknown),
        };
        let mut ops = vec![Op::Member(Member { device, name, role, invite: Some(key) })];
        if dismissed {
            ops.push(standing(crew, &Have::of(&self.state.places()), device, Some(role)));
        }
        self.append(ops, &[]);
        Admission::Joined
    }

    /// A few items at a time, so that small worlds have many frames and groups.
    fn some<T>(&mut self, mut keys: Vec<T>) -> Vec<T> {
        keys.truncate(1 + self.dice.below(4));
        keys
    }

    fn answer(&mut self, question: Question) -> Result<Answer, DeskError> {
        Ok(match question {
            Question::Admit { device, name, invite } => Answer::Admitted(self.admit(device, name, invite)),
            Question::Introduce { device, name, entries } => {
                self.store(entries, Vec::new());
                Answer::Admitted(self.admit(device, name, None))
            }
            Question::Credentials => {
                let me = self.key.id();
                let admits =
                    |e: &&Arc<Entry>| e.ops().iter().any(|op| matches!(op, Op::Member(m) if m.device == me));
                let entries = self.state.entries.values().filter(admits);
                Answer::Items(entries.map(|e| Some(e.bytes().to_vec())).collect())
            }
            Question::Have => {
                let mut have = Have::of(&self.state.places());
                have.name_aside(self.aside(), usize::MAX);
                Answer::Have(have)
            }
            Question::Missing(have) => {
                Answer::Missing(have.missing_beside(&self.state.to_give(), &self.state.aside()))
            }
            Question::Entries { ids, .. } => {
                let ids = self.some(ids);
                let given: BTreeSet<_> = self.state.to_give().into_iter().map(|p| p.id).collect();
                let bytes = |id: EntryId| {
                    self.state.entries.get(&id).filter(|_| given.contains(&id)).map(|e| e.bytes().to_vec())
                };
                Answer::Items(ids.into_iter().map(bytes).collect())
            }
            Question::Strips { keys, .. } => {
                let keys = self.some(keys);
                let strip = |key: StripKey| {
                    let (from, to) = key.range();
                    self.state.strips.range(from..=to).next().map(|(_, s)| s.to_vec())
                };
                Answer::Items(keys.into_iter().map(strip).collect())
            }
            Question::Store { entries, strips, .. } => {
                let strips = strips.into_iter().map(|(_, s)| s).collect();
                if self.flaw == Flaw::AcksBeforeStoring {
                    let (e, s) = self.late.replace((entries, strips)).unwrap_or_default();
                    return Ok(Answer::Stored(self.store(e, s)));
                }
                Answer::Stored(self.store(entries, strips))
            }
            Question::WantedStrips { wants: Wants::EntriesOnly, .. } => Answer::Wanted(Vec::new()),
            Question::WantedStrips { after, max, .. } => {
                let later = self.state.wanted.iter().copied().filter(|d| after.is_none_or(|a| *d > a));
                Answer::Wanted(later.take(max).collect())
            }
            Question::WantedAgain { digests, .. } => {
                Answer::Wanted(digests.into_iter().filter(|d| self.state.wanted.contains(d)).collect())
            }
            Question::Held(keys) => {
                let held = |key: &StripKey| {
                    let (from, to) = key.range();
                    self.state.strips.range(from..=to).next().is_some()
                };
                Answer::Held(keys.into_iter().filter(held).collect())
            }
            Question::Holdings => match (self.flaw, self.old) {
                (Flaw::TellsOldDigest, Some(old)) => Answer::Holdings(old),
                _ => Answer::Holdings(self.holdings()),
            },
            other => return Err(DeskError::new(format!("unexpected {other:?}"))),
        })
    }
}

impl Desk for MemorySite {
    fn open(&self, binding: Binding) -> Result<(Config, Holdings), DeskError> {
        let mut inner = self.lock();
        let mut config = Config::new(inner.survey, &inner.key, text(&inner.name), binding);
        let member = inner.state.crew.members().contains_key(&inner.key.id());
        if let (false, Some(one_time)) = (member, inner.state.invite) {
            let key = DeviceKey::from_seed(&one_time);
            config.invite = Some(config.binding.invite_proof(&key, &config.device, &config.survey));
        }
        let holdings = inner.holdings();
        let old = *inner.old.get_or_insert(holdings);
        Ok((config, if inner.flaw == Flaw::TellsOldDigest { old } else { holdings }))
    }

    fn answer(&self, question: Question) -> Result<Answer, DeskError> {
        self.lock().answer(question)
    }
}

impl MemorySite {
    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.0.lock().expect("nobody panics while holding it")
    }

    /// A device of `survey` that holds nothing.
    pub(super) fn new(survey: SurveyId, seed: [u8; 32], name: &str, mut dice: Dice) -> Self {
        let key = DeviceKey::from_seed(&seed);
        let state = State::new(survey, key.id(), Epoch(dice.bytes()));
        Self(Mutex::new(Inner {
            survey,
            key,
            name: name.to_owned(),
            limits: Limits::default(),
            clock: UtcMillis(1_800_000_000_000),
            knows: u8::MAX,
            flaw: Flaw::None,
            dice,
            state,
            late: None,
            old: None,
        }))
    }

    /// The device that begins a survey.
    pub(super) fn founder(seed: [u8; 32], name: &str, mut dice: Dice) -> (Self, SurveyId) {
        let founding = Founding {
            nonce: Nonce(dice.bytes()),
            name: text(WATER),
            datum: text("weir crest"),
            device_name: text(name),
        };
        let survey = founding.survey_id(&DeviceKey::from_seed(&seed).id());
        let site = Self::new(survey, seed, name, dice);
        site.lock().append(vec![Op::Found(founding)], &[]);
        (site, survey)
    }

    pub(super) fn with(self, flaw: Flaw, knows: u8) -> Self {
        let mut inner = self.lock();
        (inner.flaw, inner.knows) = (flaw, knows);
        drop(inner);
        self
    }

    /// Signs what a liar likes: any number, any predecessor.
    pub(super) fn append_odd(&self, seq: u64, prev: EntryId, epoch: Option<Epoch>, ops: Vec<Op>) {
        let mut inner = self.lock();
        let (me, epoch) = (inner.key.id(), epoch.unwrap_or(inner.state.epoch));
        let nonce = Nonce(inner.dice.bytes());
        let envelope = Envelope::new(inner.survey, (me, epoch, seq), prev, nonce, inner.clock);
        if let Ok(entry) = Entry::sign(&inner.key, envelope, ops, &inner.limits) {
            inner.keep(entry);
            inner.settle();
        }
    }
}

impl Site for MemorySite {
    fn desk(&self) -> &dyn Desk {
        self
    }

    fn device(&self) -> DeviceId {
        self.lock().key.id()
    }

    fn set_clock(&mut self, now: UtcMillis) {
        self.lock().clock = now;
    }

    fn clock(&self) -> UtcMillis {
        self.lock().clock
    }

    fn append(&mut self, ops: Vec<Op>, legs: &[PackedLeg]) {
        self.lock().append(ops, legs);
    }

    fn append_newer(&mut self, dice: &mut Dice) -> bool {
        let mut inner = self.lock();
        let mut bytes = encode(&inner.envelope(), BODY_AT).expect("an envelope");
        bytes.push(leadline_logbook::BODY_VERSION + 1 + dice.below(3) as u8);
        bytes.extend(dice.noise(20));
        let signature = inner.key.sign(Signs::Entry, &[&bytes]);
        bytes.extend(signature);
        let entry = Entry::open(&bytes, &inner.survey, |_| true, &inner.limits).expect("a later version");
        inner.keep(entry);
        inner.settle();
        true
    }

    fn invite(&mut self, role: Role, expires: UtcMillis, one_time: [u8; 32]) -> Ticket {
        let key = DeviceKey::from_seed(&one_time).id().0;
        let mut inner = self.lock();
        inner.append(vec![Op::Invite(Invite { key, expires, role })], &[]);
        Ticket { survey: inner.survey, one_time, text: None }
    }

    fn join(&mut self, ticket: &Ticket) {
        self.lock().state.invite = Some(ticket.one_time);
    }

    fn held(&self) -> BTreeSet<EntryId> {
        let inner = self.lock();
        inner.state.entries.keys().chain(&inner.state.forged).copied().collect()
    }

    fn entries(&self) -> Vec<Entry> {
        self.lock().state.entries.values().map(|e| Entry::clone(e)).collect()
    }

    fn strips(&self) -> BTreeSet<StripDigest> {
        self.lock().state.strips.keys().copied().collect()
    }

    fn crew(&self) -> Crew {
        self.lock().state.crew.clone()
    }

    fn have(&self) -> Have {
        Have::of(&self.lock().state.places())
    }

    fn reading(&self) -> Reading {
        let inner = self.lock();
        let mut docs: BTreeMap<DocKey, Vec<_>> = BTreeMap::new();
        for (id, role) in &inner.state.counting {
            let Some(entry) = inner.state.entries.get(id) else { continue };
            for (doc, change) in changes_as(entry, *role, &inner.limits) {
                docs.entry(doc).or_default().push(change);
            }
        }
        let mut reading = Reading {
            digest: inner.holdings().digest,
            have: Have::of(&inner.state.places()),
            members: inner.state.crew.members().clone(),
            survey: Default::default(),
            tiles: BTreeMap::new(),
        };
        for (doc, changes) in docs {
            let saved = apply(None, &changes).expect("changes apply").saved;
            match doc {
                DocKey::Survey => reading.survey = read_survey(&[saved], &inner.limits).expect("reads"),
                DocKey::Tile(t) => {
                    reading.tiles.insert(t, read_tile(&saved, &inner.limits).expect("reads"));
                }
            }
        }
        reading
    }

    fn image(&mut self) -> Image {
        Image::Memory(Box::new(self.lock().state.clone()))
    }

    fn wear(&mut self, image: &Image) {
        let Image::Memory(state) = image else { panic!("an image of another kind of site") };
        let mut inner = self.lock();
        inner.state = State::clone(state);
        inner.late = None;
    }

    fn crash(&mut self) {
        self.lock().late = None;
    }

    fn tear(&mut self, group: Question, _: &mut Dice) {
        let mut inner = self.lock();
        if let (Flaw::KeepsHalfAGroup, Question::Store { mut entries, strips, .. }) = (inner.flaw, group) {
            entries.truncate(entries.len().div_ceil(2));
            inner.store(entries, strips.into_iter().map(|(_, s)| s).take(1).collect());
        }
    }

    fn fork(&mut self, dice: &mut Dice) -> Box<dyn Site> {
        let inner = self.lock();
        let copy = Self::new(inner.survey, inner.key.seed(), &inner.name, dice.split());
        copy.lock().state = inner.state.clone();
        Box::new(copy.with(inner.flaw, inner.knows))
    }

    fn upgrade(&mut self) {
        let mut inner = self.lock();
        inner.knows = u8::MAX;
        inner.settle();
        inner.look_at_waiting();
    }

    fn knows(&self) -> u8 {
        self.lock().knows
    }

    fn counting(&self) -> BTreeSet<EntryId> {
        self.lock().state.counting.keys().copied().collect()
    }
}
