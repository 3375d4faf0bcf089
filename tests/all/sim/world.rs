//! A world: devices, liars, strangers, streams between them, and what happens next.

use super::dice::{Dice, Trace};
use super::link::{End, Link, Who};
use super::memory::{Flaw, MemorySite, standing};
use super::ops;
use super::site::{Image, Site, Ticket, text};
use leadline_logbook::{BODY_VERSION, Member, Op, Role};
use leadline_model::{DeviceId, EntryId, Epoch, StripDigest, SurveyId, UtcMillis};
use leadline_sync::{Binding, Desk};
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// What went wrong, in words.
pub(super) type Violation = String;

/// The moment a world begins by a right clock.
pub(super) const BEGIN: i64 = 1_800_000_000_000;
/// Honest devices of a world, forked copies counted.
const SITES_MAX: usize = 7;

/// What happened in a world, counted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Stats {
    pub(super) events: u64,
    pub(super) meetings: u64,
    pub(super) finished: u64,
    pub(super) cuts: u64,
    pub(super) crashes: u64,
    pub(super) torn: u64,
    pub(super) restores: u64,
    pub(super) forks: u64,
    pub(super) hostile: u64,
    pub(super) refused: u64,
    /// Keepers' words on devices.
    pub(super) words: u64,
    pub(super) entries: u64,
    pub(super) bytes: u64,
}

impl Stats {
    pub(super) fn add(&mut self, o: &Self) {
        let pairs = [
            (&mut self.events, o.events),
            (&mut self.meetings, o.meetings),
            (&mut self.finished, o.finished),
            (&mut self.cuts, o.cuts),
            (&mut self.crashes, o.crashes),
            (&mut self.torn, o.torn),
            (&mut self.restores, o.restores),
            (&mut self.forks, o.forks),
            (&mut self.hostile, o.hostile),
            (&mut self.refused, o.refused),
            (&mut self.words, o.words),
            (&mut self.entries, o.entries),
            (&mut self.bytes, o.bytes),
        ];
        pairs.into_iter().for_each(|(sum, n)| *sum += n);
    }
}

/// An honest device with what it must still hold.
pub(super) struct Seat {
    pub(super) site: Box<dyn Site>,
    /// By how much its clock is wrong, ms.
    skew: i64,
    pub(super) must: Must,
    images: Vec<(Image, Must)>,
    /// Only seats of one side reach each other.
    side: usize,
}

/// What was said to be durable.
#[derive(Clone, Debug, Default)]
pub(super) struct Must {
    pub(super) entries: BTreeSet<EntryId>,
    pub(super) strips: BTreeSet<StripDigest>,
}

pub(super) struct World {
    pub(super) dice: Dice,
    pub(super) now: u64,
    pub(super) trace: Trace,
    pub(super) stats: Stats,
    pub(super) survey: SurveyId,
    pub(super) flaw: Flaw,
    pub(super) seats: Vec<Seat>,
    pub(super) liars: Vec<MemorySite>,
    strangers: Vec<MemorySite>,
    pub(super) links: Vec<Link>,
    streams: u64,
    /// Every entry that somebody signed, with its author.
    pub(super) signed: BTreeMap<EntryId, DeviceId>,
    pub(super) lying: BTreeSet<DeviceId>,
    /// Devices whose logbooks may have branched: of their entries some may be sent again, as have-lists tell one branch.
    pub(super) forking: BTreeSet<DeviceId>,
    /// What was said on earlier streams.
    records: VecDeque<Vec<Vec<u8>>>,
    people: usize,
    pub(super) folders: Option<super::folder::Folders>,
    /// Whether keepers dismiss devices and change roles.
    pub(super) words: bool,
}

fn seed_of(n: usize, dice: &mut Dice) -> [u8; 32] {
    let mut seed = dice.bytes();
    seed[0] = n as u8;
    seed
}

impl World {
    /// A world with stores in memory, or in `folders`.
    pub(super) fn new(seed: u64, flaw: Flaw, folders: Option<super::folder::Folders>) -> Self {
        let mut dice = Dice::new(seed);
        let (first, survey): (Box<dyn Site>, _) = match &folders {
            Some(f) => f.founder(),
            None => {
                let (site, survey) = MemorySite::founder(seed_of(0, &mut dice), "device 0", dice.split());
                (Box::new(site.with(flaw, u8::MAX)), survey)
            }
        };
        let (other, foreign) = MemorySite::founder(seed_of(201, &mut dice), "stray", dice.split());
        debug_assert_ne!(foreign, survey);
        let alone = MemorySite::new(survey, seed_of(202, &mut dice), "stranger", dice.split());
        let mut world = Self {
            now: 0,
            trace: Trace::new(),
            stats: Stats::default(),
            survey,
            flaw,
            seats: Vec::new(),
            liars: Vec::new(),
            strangers: vec![alone, other],
            links: Vec::new(),
            streams: 0,
            signed: BTreeMap::new(),
            lying: BTreeSet::new(),
            forking: BTreeSet::new(),
            records: VecDeque::new(),
            people: 1,
            words: false,
            folders,
            dice,
        };
        let ids = first.held();
        world.seat(first);
        world.sign_off(0, &ids);
        world.seats[0].must.entries = ids;
        world.populate();
        world
    }

    fn populate(&mut self) {
        for _ in 0..1 + self.dice.below(4) {
            self.newcomer(0);
        }
        for n in 0..self.dice.below(3) {
            let seed = seed_of(210 + n, &mut self.dice);
            let liar = MemorySite::new(self.survey, seed, "liar", self.dice.split());
            let role = [Role::Contributor, Role::Keeper][usize::from(self.dice.chance(20))];
            let member = Member { device: liar.device(), name: text("liar"), role, invite: None };
            self.lying.insert(member.device);
            self.forking.insert(member.device);
            self.write(0, |site, _| site.append(vec![Op::Member(member)], &[])).expect("the world begins");
            self.liars.push(liar);
        }
    }

    fn seat(&mut self, site: Box<dyn Site>) {
        // Half of the clocks are right within a minute, the others by up to eleven years wrong.
        let skew = match self.dice.below(4) {
            0 => -(self.dice.below(350_000_000) as i64) * 1000,
            1 => self.dice.below(350_000_000) as i64 * 1000,
            _ => self.dice.below(60_000) as i64,
        };
        self.seats.push(Seat { site, skew, must: Must::default(), images: Vec::new(), side: 0 });
    }

    /// A new device, asked to join by `keeper`; some are admitted by name at once.
    fn newcomer(&mut self, keeper: usize) {
        let n = self.people;
        self.people += 1;
        let role = [Role::Keeper, Role::Contributor, Role::Keeper][self.dice.below(3)];
        // By the inviter's clock it holds for a long time; by others' it may be over.
        let expires = UtcMillis(BEGIN + 1000 * 3600 * 24 * [2, 9000][self.dice.below(2)]);
        let one_time = self.dice.bytes();
        let mut ticket: Option<Ticket> = None;
        let made = self.write(keeper, |site, _| ticket = Some(site.invite(role, expires, one_time)));
        let (Ok(()), Some(ticket)) = (made, ticket) else { return };
        let (seed, dice) = (seed_of(n, &mut self.dice), self.dice.split());
        // One in six is a program of last year.
        let knows = if self.dice.below(6) == 0 { BODY_VERSION - 1 } else { u8::MAX };
        let mut site: Box<dyn Site> = match &self.folders {
            Some(f) => f.newcomer(&ticket),
            None => Box::new(
                MemorySite::new(self.survey, seed, &format!("device {n}"), dice).with(self.flaw, knows),
            ),
        };
        site.join(&ticket);
        if self.dice.chance(60) {
            let name = text(&format!("device {n}"));
            let member = Member { device: site.device(), name, role, invite: None };
            self.write(keeper, |site, _| site.append(vec![Op::Member(member)], &[])).expect("written");
        }
        self.seat(site);
        self.trace.note(format!("device {n} is asked to join by {keeper}"));
    }

    pub(super) fn clock(&self, site: usize) -> UtcMillis {
        UtcMillis(BEGIN + self.seats[site].skew + self.now as i64)
    }

    /// Something a device writes by itself; its new entries are noted as signed by it.
    pub(super) fn write(
        &mut self,
        site: usize,
        work: impl FnOnce(&mut Box<dyn Site>, &mut Dice),
    ) -> Result<(), Violation> {
        let now = self.clock(site);
        let before = self.seats[site].site.held();
        self.seats[site].site.set_clock(now);
        work(&mut self.seats[site].site, &mut self.dice);
        let new = &self.seats[site].site.held() - &before;
        self.sign_off(site, &new);
        self.check_site(site)
    }

    pub(super) fn sign_off(&mut self, site: usize, new: &BTreeSet<EntryId>) {
        let device = self.seats[site].site.device();
        self.stats.entries += new.len() as u64;
        note_signed(&mut self.signed, new.iter().copied(), device);
    }

    /// One event.
    pub(super) fn step(&mut self) -> Result<(), Violation> {
        self.now += self.dice.below(40) as u64;
        match self.dice.below(100) {
            0..50 => self.run_some_link(),
            50..60 => self.meet_some(),
            60..68 => self.write_some(),
            68..72 => self.cut_some(),
            72 => self.silence_some(),
            73..76 => self.crash_some(),
            76..78 => self.back_up_some(),
            78 => self.restore_some(),
            79 => self.fork_some(),
            80..85 => self.meet_liar(),
            85..87 => self.meet_stranger(),
            87..89 => self.replay_some(),
            89 => self.garbage_some(),
            90 => self.invite_some(),
            91..93 => self.divide(),
            93 => self.write_newer(),
            94..96 => self.liar_writes(),
            96 | 97 => self.govern_some(),
            _ => {
                self.now += self.dice.below(4000) as u64;
                Ok(())
            }
        }
    }

    fn pick_site(&mut self) -> usize {
        self.dice.below(self.seats.len())
    }

    fn run_some_link(&mut self) -> Result<(), Violation> {
        if self.links.is_empty() {
            return Ok(());
        }
        let l = self.dice.below(self.links.len());
        for _ in 0..1 + self.dice.below(16) {
            self.nudge(l)?;
        }
        self.bury();
        Ok(())
    }

    /// Forgets the streams that are over.
    pub(super) fn bury(&mut self) {
        for link in self.links.extract_if(.., |l| l.is_over()) {
            for end in link.ends {
                if end.record.len() > 2 && self.records.len() < 12 {
                    self.records.push_back(end.record);
                }
            }
        }
    }

    fn binding(&self, number: u64, end: u8) -> Binding {
        let id = |e: u8| [&number.to_le_bytes()[..], &[e]].concat();
        Binding { mine: id(end), theirs: id(1 - end) }
    }

    /// Opens a stream between two ends.
    pub(super) fn connect(&mut self, who: [Who; 2]) -> usize {
        let number = self.streams;
        self.streams += 1;
        self.stats.meetings += 1;
        let now = self.now;
        let ends = [0u8, 1].map(|e| {
            let binding = self.binding(number, e);
            let desk: &dyn Desk = match who[usize::from(e)] {
                Who::Honest(s) => self.seats[s].site.desk(),
                Who::Liar(i) if i < self.liars.len() => self.liars[i].desk(),
                Who::Liar(i) => self.strangers[i - self.liars.len()].desk(),
                Who::Script => return End::script(&[]),
            };
            End::new(who[usize::from(e)], desk.open(binding).expect("the desk opens"), now)
        });
        self.trace.note(format!("stream {number}: {:?} meets {:?}", who[0], who[1]));
        self.links.push(Link { number, ends, silent_since: None });
        self.links.len() - 1
    }

    fn start(&mut self, who: [Who; 2]) -> Result<(), Violation> {
        let l = self.connect(who);
        self.drain(l, 0)?;
        self.drain(l, 1)
    }

    fn meet_some(&mut self) -> Result<(), Violation> {
        let (a, b) = (self.pick_site(), self.pick_site());
        let busy = self.links.iter().filter(|l| l.ends.iter().any(|e| e.honest() == Some(a))).count();
        if a == b || self.seats[a].side != self.seats[b].side || busy >= 4 {
            return Ok(());
        }
        self.start([Who::Honest(a), Who::Honest(b)])
    }

    fn write_some(&mut self) -> Result<(), Violation> {
        let site = self.pick_site();
        let (writes, legs) = ops::writes(&mut self.dice);
        let seat = &self.seats[site].site;
        let (crew, me) = (seat.crew(), seat.device());
        let later = writes.iter().any(|op| matches!(op, Op::Mark { .. } | Op::Adopt { .. }));
        // What the programs refuse: a reader's writes, a dismissed device's, an old program's new ones.
        let may = crew.role_of(&me).is_none_or(|r| writes.iter().all(|op| r.may_say(op)));
        if !may || crew.dismissed().contains_key(&me) || (later && seat.knows() < BODY_VERSION) {
            return Ok(());
        }
        self.trace.note(format!("{site} writes {} writes", writes.len()));
        self.write(site, |s, _| s.append(writes, &legs))
    }

    fn write_newer(&mut self) -> Result<(), Violation> {
        let site = self.pick_site();
        self.trace.note(format!("{site} writes what no program knows yet"));
        self.write(site, |s, dice| _ = s.append_newer(dice))
    }

    fn cut_some(&mut self) -> Result<(), Violation> {
        if self.links.is_empty() {
            return Ok(());
        }
        let l = self.dice.below(self.links.len());
        self.stats.cuts += 1;
        self.cut(l)
    }

    fn silence_some(&mut self) -> Result<(), Violation> {
        let l = self.dice.below(self.links.len());
        if let Some(link) = self.links.get_mut(l) {
            link.silent_since.get_or_insert(self.now);
            self.trace.note(format!("stream {}: falls silent", link.number));
        }
        Ok(())
    }

    fn crash_some(&mut self) -> Result<(), Violation> {
        let site = self.pick_site();
        self.kill(site, None)
    }

    fn back_up_some(&mut self) -> Result<(), Violation> {
        let site = self.pick_site();
        let seat = &mut self.seats[site];
        if seat.images.len() < 3 {
            let image = (seat.site.image(), seat.must.clone());
            seat.images.push(image);
            self.trace.note(format!("{site} is backed up"));
        }
        Ok(())
    }

    fn restore_some(&mut self) -> Result<(), Violation> {
        let site = self.pick_site();
        if self.seats[site].images.is_empty() {
            return Ok(());
        }
        self.kill(site, None)?;
        self.forking.insert(self.seats[site].site.device());
        let seat = &mut self.seats[site];
        let (image, must) = seat.images[self.dice.below(seat.images.len())].clone();
        seat.site.wear(&image);
        seat.must = must;
        self.stats.restores += 1;
        self.trace.note(format!("{site} goes back to a backup"));
        self.check_site(site)
    }

    fn fork_some(&mut self) -> Result<(), Violation> {
        let site = self.pick_site();
        if self.seats.len() >= SITES_MAX {
            return Ok(());
        }
        self.kill(site, None)?;
        self.forking.insert(self.seats[site].site.device());
        let copy = self.seats[site].site.fork(&mut self.dice);
        let must = self.seats[site].must.clone();
        self.seat(copy);
        let twin = self.seats.len() - 1;
        self.seats[twin].must = must;
        self.stats.forks += 1;
        self.trace.note(format!("{site} is copied: {twin}"));
        self.check_site(twin)
    }

    fn meet_liar(&mut self) -> Result<(), Violation> {
        if self.liars.is_empty() {
            return Ok(());
        }
        let (i, site) = (self.dice.below(self.liars.len()), self.pick_site());
        self.stats.hostile += 1;
        self.start(self.either(Who::Liar(i), Who::Honest(site)))
    }

    fn meet_stranger(&mut self) -> Result<(), Violation> {
        let (i, site) = (self.dice.below(self.strangers.len()), self.pick_site());
        self.stats.hostile += 1;
        self.start(self.either(Who::Liar(self.liars.len() + i), Who::Honest(site)))
    }

    fn either(&self, a: Who, b: Who) -> [Who; 2] {
        if self.now.is_multiple_of(2) { [a, b] } else { [b, a] }
    }

    /// Says on a new stream what was said on an earlier one.
    fn replay_some(&mut self) -> Result<(), Violation> {
        if self.records.is_empty() {
            return Ok(());
        }
        let frames = self.records.remove(self.dice.below(self.records.len())).unwrap_or_default();
        self.script(&frames)
    }

    fn garbage_some(&mut self) -> Result<(), Violation> {
        let frames: Vec<_> = (0..3)
            .map(|_| {
                let len = self.dice.below(200);
                self.dice.noise(len)
            })
            .collect();
        self.script(&frames)
    }

    fn script(&mut self, frames: &[Vec<u8>]) -> Result<(), Violation> {
        let site = self.pick_site();
        self.stats.hostile += 1;
        let l = self.connect([Who::Script, Who::Honest(site)]);
        self.links[l].ends[0] = End::script(frames);
        self.drain(l, 1)
    }

    fn invite_some(&mut self) -> Result<(), Violation> {
        let site = self.pick_site();
        let seat = &self.seats[site];
        if self.seats.len() < SITES_MAX && seat.site.crew().is_keeper(&seat.site.device()) {
            self.newcomer(site);
        }
        Ok(())
    }

    /// A keeper dismisses a device, gives it another role, or takes it back.
    fn govern_some(&mut self) -> Result<(), Violation> {
        if !self.words {
            return Ok(());
        }
        let site = self.pick_site();
        let seat = &self.seats[site].site;
        let crew = seat.crew();
        let devices: Vec<_> = crew.devices().copied().collect();
        if !crew.is_keeper(&seat.device()) || seat.knows() < BODY_VERSION {
            return Ok(());
        }
        let device = devices[self.dice.below(devices.len())];
        let role = [None, None, None, Some(Role::Reader), Some(Role::Contributor), Some(Role::Keeper)];
        let role = role[self.dice.below(role.len())];
        let others = crew.members().iter().any(|(d, m)| *d != device && m.role == Role::Keeper);
        if !others || crew.role_of(&device) == role {
            return Ok(());
        }
        self.stats.words += 1;
        self.trace.note(format!("{site} gives {} the role {role:?}", device.short()));
        let word = standing(&crew, &seat.have(), device, role);
        self.write(site, |s, _| s.append(vec![word], &[]))
    }

    fn divide(&mut self) -> Result<(), Violation> {
        let sides = 1 + self.dice.below(2);
        for seat in &mut self.seats {
            seat.side = self.dice.below(sides);
        }
        self.trace.note(format!("the water is in {sides} parts"));
        Ok(())
    }

    /// A liar signs a place twice, leaves gaps, names strips that do not exist.
    fn liar_writes(&mut self) -> Result<(), Violation> {
        if self.liars.is_empty() {
            return Ok(());
        }
        let i = self.dice.below(self.liars.len());
        let leg = &ops::legs()[self.dice.below(ops::legs().len())];
        let mut claim = ops::claim(leg, &mut self.dice);
        match self.dice.below(3) {
            0 => claim.strips[0].digest = StripDigest(self.dice.bytes()),
            1 => claim.strips[0].count += 1,
            _ => {}
        }
        let seq = 2 + self.dice.below(4) as u64;
        let prev = [EntryId(self.dice.bytes()), EntryId([7; 32])][self.dice.below(2)];
        let liar = &mut self.liars[i];
        let before = liar.held();
        // Fewer than the limit of one place in each epoch, which would leave the choice to chance.
        let crowded = liar.entries().iter().filter(|e| e.place().seq == seq).count() >= 6;
        if self.dice.chance(40) || crowded {
            liar.append(vec![Op::Leg(claim)], std::slice::from_ref(leg));
        } else {
            let epoch = self.dice.chance(20).then(|| Epoch(self.dice.bytes()));
            liar.append_odd(seq, prev, epoch, vec![Op::Leg(claim)]);
        }
        let device = liar.device();
        note_signed(&mut self.signed, &liar.held() - &before, device);
        self.trace.note(format!("liar {i} signs what it likes"));
        Ok(())
    }

    pub(super) fn end_of_dice(&mut self) {
        self.liars.clear();
        self.strangers.clear();
        self.seats.iter_mut().for_each(|s| s.side = 0);
    }
}

/// What a device holds anew after it wrote, by it, unless it is known to be another's: what waited may count since.
pub(super) fn note_signed(
    signed: &mut BTreeMap<EntryId, DeviceId>,
    new: impl IntoIterator<Item = EntryId>,
    device: DeviceId,
) {
    for id in new {
        signed.entry(id).or_insert(device);
    }
}
