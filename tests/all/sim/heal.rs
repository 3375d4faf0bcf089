//! The end of a world: every link is whole, nobody lies, old programs are replaced. All members must come to hold
//! and to read the same, and it must be what the model says.

use super::link::Who;
use super::reference::{Crowd, Plain, Scratch, has_words};
use super::world::{Violation, World};
use leadline_logbook::{Entry, Have, Role};
use leadline_model::{DeviceId, EntryId, Epoch, StripDigest};
use leadline_sync::{Answer, Question};
use std::collections::{BTreeMap, BTreeSet};

/// Times every pair meets, at most, until all are equal.
const SWEEPS: usize = 8;
/// Small things on one stream until a meeting must be over.
const PATIENCE: usize = 20_000;

impl World {
    pub(super) fn heal(&mut self) -> Result<(), Violation> {
        self.trace.note("all is healed".to_owned());
        while !self.links.is_empty() {
            self.cut(0)?;
            self.run_out(0)?;
            self.bury();
        }
        self.end_of_dice();
        for site in 0..self.seats.len() {
            self.seats[site].site.upgrade();
            self.check_site(site)?;
        }
        for sweep in 1..=SWEEPS {
            let before: usize = self.seats.iter().map(|s| s.site.held().len()).sum();
            self.sweep(false)?;
            let after: usize = self.seats.iter().map(|s| s.site.held().len()).sum();
            // What comes late can still admit somebody.
            if before == after && self.unequal().is_none() {
                self.trace.note(format!("equal after sweep {sweep}"));
                self.compare()?;
                return self.sweep(true);
            }
        }
        Err(format!("{:?} accept each other and do not come to hold the same", self.unequal()))
    }

    /// Every pair meets once, one after the other; `idle`: those who accept each other hold the same by now.
    fn sweep(&mut self, idle: bool) -> Result<(), Violation> {
        for a in 0..self.seats.len() {
            for b in a + 1..self.seats.len() {
                let both = self.accept_each_other(a, b);
                self.quiet_meeting(a, b, both, idle && both)?;
            }
        }
        Ok(())
    }

    fn quiet_meeting(&mut self, a: usize, b: usize, both: bool, idle: bool) -> Result<(), Violation> {
        let held = [a, b].map(|s| self.seats[s].site.counting());
        let haves = [a, b].map(|s| self.seats[s].site.have());
        let lists = self.list_bytes(a) + self.list_bytes(b);
        // What is kept aside may hide a branch.
        let aside = [a, b].iter().zip(&held).any(|(s, held)| self.seats[*s].site.held() != *held);
        let plain = !aside && are_plain(&haves, &held);
        let l = self.connect([Who::Honest(a), Who::Honest(b)]);
        self.drain(l, 0)?;
        self.drain(l, 1)?;
        self.run_out(l)?;
        let ends = &self.links[l].ends;
        let bytes = ends[0].bytes + ends[1].bytes;
        let sent = [ends[0].entries_sent, ends[1].entries_sent];
        let moved = ends[0].strips_sent.len() + ends[1].strips_sent.len();
        let rounds = ends.iter().map(|e| e.haves).max().unwrap_or_default() as usize;
        let ended = ends.iter().all(|e| matches!(e.ended, Some(Ok(_))));
        self.bury();
        if both && !ended {
            return Err(format!("{a} and {b} are members and cannot meet"));
        }
        // What had waited for an admission that this meeting brought is to be given too.
        // And what does not count any more by what this meeting brought may still have been given, or lie behind a cut.
        let now = [a, b].map(|s| &self.seats[s].site.counting() | &self.behind_cuts(s));
        let lacking = [&(&held[0] | &now[0]) - &held[1], &(&held[1] | &now[1]) - &held[0]].map(|s| s.len());
        if both && plain && (sent[0] > lacking[0] || sent[1] > lacking[1]) {
            return Err(format!("{a} and {b} lack {lacking:?} entries of each other and send {sent:?}"));
        }
        if both && plain && !idle {
            let entries = self.entry_bytes(a, &held[0]) + self.entry_bytes(b, &held[1]);
            // Hellos and last words; have-lists and offers of each round; what was lacking.
            // An invite that is shown takes 136 bytes of a hello.
            let invites = if self.folders.is_some() { 2 * 136 } else { 0 };
            let bound = 600 + invites + rounds * (lists + 200) + entries + moved * 600;
            // What nobody holds is asked for, and answered by nothing.
            if bytes > bound && bytes > bound + 40 * (2 + self.wanted(a) + self.wanted(b)) {
                return Err(format!(
                    "{a} and {b} move {bytes} bytes where {bound} are enough: {rounds} rounds of lists of {lists}, entries of {entries}, {moved} strips"
                ));
            }
        }
        if idle && sent != [0, 0] {
            return Err(format!("{a} and {b} hold the same and send {sent:?} entries"));
        }
        // A device that has joined by a second invite while it was a member goes on showing it: have-lists are compared.
        let enough = if self.folders.is_some() { 600 + 2_000 } else { 600 };
        if idle && bytes > enough && self.wanted(a) + self.wanted(b) == 0 {
            return Err(format!("{a} and {b} hold the same and move {bytes} bytes"));
        }
        Ok(())
    }

    /// What `site` keeps that may lie behind a cut.
    fn behind_cuts(&self, site: usize) -> BTreeSet<EntryId> {
        let crew = self.seats[site].site.crew();
        let entries = self.seats[site].site.entries();
        entries.iter().filter(|e| crew.may_count_later(&e.place())).map(Entry::id).collect()
    }

    /// Bytes of the have-list of `site`, which also names what waits there.
    fn list_bytes(&self, site: usize) -> usize {
        let told = self.seats[site].site.desk().answer(Question::Have);
        let Ok(Answer::Have(have)) = told else { panic!("a desk tells what it has: {told:?}") };
        have.0.iter().map(|l| 88 + 32 * l.extra.len()).sum()
    }

    /// Bytes of the entries of `site` that are new to it since `before`, with their share of frames.
    fn entry_bytes(&self, site: usize, before: &BTreeSet<EntryId>) -> usize {
        let new = self.seats[site].site.entries();
        new.iter().filter(|e| !before.contains(&e.id())).map(|e| e.bytes().len() + 80).sum()
    }

    /// Strips that a device's entries name and that it does not hold.
    fn wanted(&self, site: usize) -> usize {
        let (entries, strips) = (self.seats[site].site.entries(), self.seats[site].site.strips());
        (&self.named(site, &entries) - &strips).len()
    }

    /// Strips that the entries in force name.
    pub(super) fn named(&self, site: usize, entries: &[Entry]) -> BTreeSet<StripDigest> {
        let counting = Scratch::of(entries, self.survey, self.seats[site].site.device()).counting;
        let tiles = Plain::of(with_roles(entries, &counting)).tiles;
        tiles.into_values().flat_map(BTreeMap::into_values).collect()
    }

    /// Lets both ends do what they can until the meeting is over.
    fn run_out(&mut self, l: usize) -> Result<(), Violation> {
        for _ in 0..PATIENCE {
            if self.links[l].is_over() {
                return Ok(());
            }
            self.now += 20;
            self.tick(l)?;
            for e in 0..2 {
                self.flow(l, e, usize::MAX)?;
                while !self.links[l].ends[e].pending.is_empty() {
                    self.answer(l, e, 0, false)?;
                }
            }
        }
        Err(format!("stream {}: the meeting does not end", self.links[l].number))
    }

    fn union(&self, sites: impl IntoIterator<Item = usize>) -> BTreeMap<EntryId, Entry> {
        sites.into_iter().flat_map(|s| self.seats[s].site.entries()).map(|e| (e.id(), e)).collect()
    }

    fn accept_each_other(&self, a: usize, b: usize) -> bool {
        let knows = |a: usize, b: usize| {
            self.seats[a].site.crew().members().contains_key(&self.seats[b].site.device())
        };
        knows(a, b) && knows(b, a)
    }

    /// Seats whose device is a member by what the founder holds, and those whom the founder so knows. A device whose
    /// admission nobody holds any more but itself, after its keeper went back to a backup, must ask again.
    fn members(&self) -> Vec<usize> {
        let founder = self.seats[0].site.device();
        let mut seats = BTreeSet::new();
        let mut found: BTreeSet<_> =
            (0..self.seats.len()).filter(|s| self.seats[*s].site.device() == founder).collect();
        while found != seats {
            seats = found;
            let known: Vec<_> = self.union(seats.iter().copied()).into_values().collect();
            let crowd = Crowd::of(&known, self.survey);
            let is_known = |s: &usize| crowd.members.contains_key(&self.seats[*s].site.device());
            found = (0..self.seats.len()).filter(is_known).collect();
        }
        seats.into_iter().collect()
    }

    /// Two that accept each other and do not hold the same.
    fn unequal(&self) -> Option<(usize, usize)> {
        let holds: Vec<_> = (0..self.seats.len())
            .map(|s| {
                let site = &self.seats[s].site;
                (site.counting(), &site.strips() & &self.named(s, &site.entries()))
            })
            .collect();
        let pairs = (0..holds.len()).flat_map(|a| (0..a).map(move |b| (b, a)));
        pairs.into_iter().find(|(a, b)| self.accept_each_other(*a, *b) && holds[*a] != holds[*b])
    }

    /// What each reads, against those it meets and against the model of all that they keep together.
    fn compare(&self) -> Result<(), Violation> {
        let readings: Vec<_> = self.seats.iter().map(|s| s.site.reading()).collect();
        for s in 0..self.seats.len() {
            let with: Vec<_> = (0..self.seats.len()).filter(|o| self.accept_each_other(s, *o)).collect();
            let all: Vec<_> = self.union(with.iter().copied()).into_values().collect();
            let own = &readings[s];
            if let Some(o) = with.iter().find(|o| &readings[**o] != own) {
                return Err(format!("{s} reads something else than {o}"));
            }
            if with.is_empty() {
                continue;
            }
            let scratch = Scratch::of(&all, self.survey, self.seats[s].site.device());
            if scratch.crew.members() != &own.members {
                return Err(format!("{s} counts other members than the model"));
            }
            let expected = Plain::of(with_roles(&all, &scratch.counting));
            if Plain::of_reading(self.seats[s].site.counting(), own) != expected {
                return Err(format!("{s} does not read what the model reads"));
            }
        }
        self.compare_plainly()
    }

    /// Where no keeper spoke on a device, the plainer model tells who must have come together.
    fn compare_plainly(&self) -> Result<(), Violation> {
        let everything: Vec<_> = self.union(0..self.seats.len()).into_values().collect();
        if has_words(&everything) {
            return Ok(());
        }
        let members = self.members();
        let entries: Vec<_> = self.union(members.iter().copied()).into_values().collect();
        let crowd = Crowd::of(&entries, self.survey);
        for s in &members {
            let known = self.seats[*s].site.crew();
            let roles: BTreeMap<_, _> = known.members().iter().map(|(d, m)| (*d, m.role)).collect();
            if roles != crowd.members || !self.accept_each_other(*s, 0) {
                return Err(format!("{s} counts other members than the plain model"));
            }
            let counting = entries.iter().filter(|e| crowd.members.contains_key(&e.envelope().device));
            let ids: BTreeSet<_> = counting.map(Entry::id).collect();
            if ids != self.seats[*s].site.counting() {
                return Err(format!("{s} does not hold the union of all"));
            }
        }
        Ok(())
    }
}

fn with_roles<'a>(
    entries: &'a [Entry],
    counting: &'a BTreeMap<EntryId, Role>,
) -> impl Iterator<Item = (&'a Entry, Role)> {
    entries.iter().filter_map(|e| Some((e, *counting.get(&e.id())?)))
}

/// Whether every log is one chain, of which one side holds the beginning of what the other holds.
fn are_plain(haves: &[Have; 2], held: &[BTreeSet<EntryId>; 2]) -> bool {
    let chains = haves.iter().flat_map(|h| &h.0).all(|log| log.extra.is_empty());
    let tops = |h: &Have| h.0.iter().map(|l| ((l.device, l.epoch), l.top_id)).collect::<BTreeMap<_, _>>();
    let (ours, theirs) = (tops(&haves[0]), tops(&haves[1]));
    let apart = |(log, top): (&(DeviceId, Epoch), &EntryId)| {
        theirs.get(log).is_some_and(|other| !held[1].contains(top) && !held[0].contains(other))
    };
    chains && !ours.iter().any(apart)
}
