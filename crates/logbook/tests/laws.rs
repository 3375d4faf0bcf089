//! The laws of the logbook: whatever order entries come in, however often, through whomever, devices that hold the
//! same entries read the same; what is not a member's, or not whole, changes nothing.

use leadline_logbook::{
    Crew, DeviceKey, DocChange, DocKey, Entry, Envelope, Founding, Have, Held, LegClaim, Limits, Member, Op,
    PackedLeg, Place, Refusal, Role, StripRef, SurveyWrites, apply, changes_of, read_survey, read_tile,
    take_in,
};
use leadline_model::{
    DepthFrom, Digest, EntryId, Epoch, FixClass, Flags, GridPos, LegId, LonLat, Nonce, Sounding,
    StageReading, SurveyId, Text, UtcMillis,
};
use proptest::prelude::*;
use std::collections::BTreeMap;

fn text(s: &str) -> Text {
    Text::new(s).expect("short")
}

fn key(n: u8) -> DeviceKey {
    DeviceKey::from_seed(&[n; 32])
}

/// Writes entries of one device, chained, as its store would.
struct Pen {
    key: DeviceKey,
    survey: SurveyId,
    epoch: Epoch,
    seq: u64,
    prev: EntryId,
}

impl Pen {
    fn new(n: u8, survey: SurveyId, epoch: u8) -> Self {
        Self { key: key(n), survey, epoch: Epoch([epoch; 8]), seq: 0, prev: EntryId([0; 32]) }
    }

    fn write(&mut self, op: Op) -> Vec<u8> {
        self.write_with(op, self.seq as u8)
    }

    fn write_with(&mut self, op: Op, salt: u8) -> Vec<u8> {
        self.seq += 1;
        let mut nonce = [salt; 16];
        nonce[..8].copy_from_slice(&self.seq.to_le_bytes());
        nonce[8] = self.key.id().0[0];
        nonce[9] = self.epoch.0[0];
        let at = (self.key.id(), self.epoch, self.seq);
        let envelope = Envelope::new(self.survey, at, self.prev, Nonce(nonce), UtcMillis(1_800_000_000_000));
        let entry = Entry::sign(&self.key, envelope, vec![op], &Limits::default()).expect("signs");
        self.prev = entry.id();
        entry.bytes().to_vec()
    }
}

fn founding() -> Founding {
    Founding { nonce: Nonce([3; 16]), name: text("Testmere"), datum: text("zero"), device_name: text("one") }
}

fn survey() -> SurveyId {
    founding().survey_id(&key(1).id())
}

fn stage(mm: i32) -> Op {
    let reading = StageReading { gauge: text("landing"), at: UtcMillis(1_800_000_000_000), level_mm: mm };
    Op::Stage { reading, replaces: Vec::new() }
}

fn leg(minute: i64) -> (Op, LegId) {
    let start = 1_800_000_000_000 + minute * 600_000;
    let soundings = (0..40)
        .map(|i| Sounding {
            time: UtcMillis(start + i * 1000),
            at: GridPos::from_lonlat(LonLat { lon: 70.0 + i as f64 * 4e-4, lat: 45.0 }).expect("on the grid"),
            depth_mm: 3000 + 10 * i as i32,
            from: DepthFrom::Transducer,
            offset_mm: None,
            speed_mm_s: Some(2000),
            hdop_centi: Some(90),
            fix: FixClass::Autonomous,
            sats: Some(9),
            temp_centi: None,
            flags: Flags(0),
        })
        .collect();
    let window = UtcMillis(start).leg_window();
    let packed = PackedLeg::of(window, soundings, &Limits::default()).expect("packs").remove(0);
    let since = |t: UtcMillis| (t.0 - window.start().0) as u32;
    let strips = packed.strips.iter().map(|s| StripRef {
        tile: s.tile,
        digest: s.digest,
        count: s.count,
        first_ms: since(s.first),
        last_ms: since(s.last),
    });
    let claim = LegClaim {
        boat: text("Heron"),
        instrument: text("NMEA 0183"),
        source: Digest([7; 32]),
        window,
        counts: Vec::new(),
        strips: strips.collect(),
    };
    (Op::Leg(claim), packed.id)
}

/// A device that keeps entries in memory as the store keeps them on disk.
struct Replica {
    crew: Crew,
    entries: BTreeMap<EntryId, Entry>,
    waiting: Vec<Vec<u8>>,
    docs: BTreeMap<DocKey, Vec<u8>>,
    refused: Vec<Refusal>,
}

struct In<'a>(&'a BTreeMap<EntryId, Entry>);

impl Held for In<'_> {
    fn holds(&self, id: &EntryId) -> bool {
        self.0.contains_key(id)
    }
    fn siblings(&self, p: &Place) -> usize {
        self.0
            .values()
            .map(Entry::place)
            .filter(|q| (q.device, q.epoch, q.seq) == (p.device, p.epoch, p.seq))
            .count()
    }
}

impl Replica {
    fn new() -> Self {
        let crew = Crew::new(survey(), key(99).id());
        Self {
            crew,
            entries: BTreeMap::new(),
            waiting: Vec::new(),
            docs: BTreeMap::new(),
            refused: Vec::new(),
        }
    }

    fn take(&mut self, batch: Vec<Vec<u8>>) {
        let limits = Limits::default();
        let offered = batch.into_iter().chain(std::mem::take(&mut self.waiting)).collect();
        let taken = take_in(offered, &survey(), &mut self.crew, &In(&self.entries), &limits);
        let mut by_doc: BTreeMap<DocKey, Vec<DocChange>> = BTreeMap::new();
        for e in &taken.accepted {
            for (doc, change) in changes_of(e, &limits) {
                by_doc.entry(doc).or_default().push(change);
            }
        }
        for (doc, changes) in by_doc {
            let applied = apply(self.docs.get(&doc).map(Vec::as_slice), &changes).expect("applies");
            assert!(applied.failed.is_empty());
            self.docs.insert(doc, applied.saved);
        }
        self.entries.extend(taken.accepted.into_iter().map(|e| (e.id(), e)));
        self.waiting = taken.waiting.into_iter().map(|(_, b)| b).collect();
        self.refused.extend(taken.refused.into_iter().map(|(_, r, _)| r));
    }

    /// Everything a reader sees, and the have-list.
    fn reading(&self) -> (SurveyWrites, Vec<(String, usize)>, Have, Vec<EntryId>) {
        let limits = Limits::default();
        let mut writes = self
            .docs
            .get(&DocKey::Survey)
            .map(|d| read_survey(d, &limits).expect("reads"))
            .unwrap_or_default();
        writes.claims.values_mut().for_each(|c| c.sort_by_key(|s| s.device));
        let tiles = self.docs.iter().filter(|(k, _)| **k != DocKey::Survey);
        let tiles =
            tiles.map(|(k, d)| (k.to_string(), read_tile(d, &limits).expect("reads").len())).collect();
        let places: Vec<_> = self.entries.values().map(Entry::place).collect();
        (writes, tiles, Have::of(&places), self.entries.keys().copied().collect())
    }
}

/// A crew of two with stages and legs, one leg claimed by both, a fork and a second epoch.
fn history() -> Vec<Vec<u8>> {
    let (mut one, mut two) = (Pen::new(1, survey(), 1), Pen::new(2, survey(), 1));
    let member =
        Op::Member(Member { device: key(2).id(), name: text("two"), role: Role::Contributor, invite: None });
    let mut all =
        vec![one.write(Op::Found(founding())), one.write(member), one.write(stage(100)), one.write(leg(0).0)];
    all.extend([two.write(leg(0).0), two.write(leg(1).0)]);
    let mut restored = Pen { key: key(2), epoch: two.epoch, ..Pen::new(2, survey(), 1) };
    (restored.seq, restored.prev) = (two.seq, two.prev);
    all.push(two.write(stage(200)));
    // The restored copy writes another third entry (a fork), then goes on under a new epoch.
    all.push(restored.write_with(stage(300), 77));
    let mut fresh = Pen::new(2, survey(), 9);
    all.extend([fresh.write(stage(400)), fresh.write(leg(2).0)]);
    all
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn any_order_grouping_and_repetition_reads_the_same(order in Just((0..10usize).collect::<Vec<_>>()).prop_shuffle(),
                                                        sizes in proptest::collection::vec(1usize..4, 12), again in 0usize..10) {
        let all = history();
        let mut straight = Replica::new();
        straight.take(all.clone());
        prop_assert_eq!(straight.entries.len(), all.len());
        let mut shuffled = Replica::new();
        let mut left: Vec<_> = order.iter().map(|i| all[*i].clone()).collect();
        left.push(all[again].clone());
        for n in sizes {
            let n = n.min(left.len());
            shuffled.take(left.drain(..n).collect());
        }
        shuffled.take(left);
        shuffled.take(all);
        prop_assert_eq!(shuffled.reading(), straight.reading());
        prop_assert!(shuffled.waiting.is_empty() && shuffled.refused.is_empty());
    }

    #[test]
    fn altered_or_cut_entries_change_nothing(which in 0usize..10, at in 0usize..4096, bit in 0u8..8, cut: bool) {
        let all = history();
        let mut r = Replica::new();
        r.take(all.iter().enumerate().filter(|(i, _)| *i != which).map(|(_, b)| b.clone()).collect());
        let before = r.reading();
        let mut bytes = all[which].clone();
        let at = at % bytes.len();
        if cut { bytes.truncate(at) } else { bytes[at] ^= 1 << bit }
        let waited = r.waiting.len();
        r.take(vec![bytes]);
        prop_assert_eq!(r.reading(), before);
        prop_assert!(r.refused.len() + r.waiting.len() > waited || r.refused.len() == 1);
        // The honest entry still gets in.
        r.take(all);
        prop_assert_eq!(r.entries.len(), 10);
    }
}

#[test]
fn two_importers_make_one_leg_with_two_claims() {
    let mut r = Replica::new();
    r.take(history());
    let (writes, ..) = r.reading();
    assert_eq!(writes.claims[&leg(0).1].len(), 2);
    assert_eq!(writes.claims.len(), 3);
}

#[test]
fn a_stranger_waits_and_a_foreign_or_forged_entry_is_refused() {
    let mut r = Replica::new();
    r.take(history());
    let before = r.reading();
    r.take(vec![Pen::new(5, survey(), 1).write(stage(1))]);
    assert_eq!((r.reading() == before, r.waiting.len()), (true, 1));
    r.take(vec![Pen::new(1, SurveyId([8; 16]), 1).write(stage(1))]);
    assert_eq!(r.refused, vec![Refusal::OtherSurvey(SurveyId([8; 16]))]);
    // Signed by a stranger in a member's name: the device in the envelope did not sign it.
    let mut forged = Pen::new(5, survey(), 1).write(stage(1));
    forged[17..49].copy_from_slice(&key(1).id().0);
    r.take(vec![forged]);
    assert_eq!(r.refused.last(), Some(&Refusal::Signature));
    assert_eq!(r.reading(), before);
    // Admission by a non-member does nothing; by the founder it lets the waiting entry in.
    let admit = |by: u8, epoch| {
        let m = Member { device: key(5).id(), name: text("five"), role: Role::Contributor, invite: None };
        Pen::new(by, survey(), epoch).write(Op::Member(m))
    };
    r.take(vec![admit(6, 1)]);
    assert!(!r.crew.admits(&key(5).id()));
    r.take(vec![admit(1, 4)]);
    assert!(r.crew.admits(&key(5).id()));
    assert_eq!(r.entries.len(), 12);
}

#[test]
fn forks_are_kept_up_to_the_limit() {
    let mut r = Replica::new();
    r.take(history());
    let siblings =
        (0..9).map(|i| Pen::new(1, survey(), 6).write_with(stage(i32::from(i)), 100 + i)).collect();
    r.take(siblings);
    assert_eq!((r.entries.len(), r.refused.as_slice()), (10 + 8, &[Refusal::Fork][..]));
}
