//! Invented devices and what they write: a founder, a second keeper, a contributor, an outsider, and logs that
//! some of them share.

use leadline_logbook::{
    Cut, DeviceKey, Entry, Envelope, Founding, LegClaim, Limits, Member, Op, PackedLeg, Role, Signs,
    Standing, StripRef, WriteRef, encode,
};
use leadline_model::{
    BoatLevel, ClusterLevel, DayLevel, Decision, DepthFrom, DeviceId, Digest, EntryId, Epoch, FixClass,
    Flags, Gauge, GridPos, Layer, LegWindow, Levelling, LonLat, Mark, MarkKind, Nonce, Scope, Setup,
    Shoreline, Sounding, SpeedLimits, StageReading, SurveyId, Text, UtcMillis, Verdict, WaterCast,
};

pub(crate) const NOW: UtcMillis = UtcMillis(1_788_000_000_000);

pub(crate) fn key(n: u8) -> DeviceKey {
    DeviceKey::from_seed(&[n; 32])
}

pub(crate) fn text(t: &str) -> Text {
    Text::new(t).expect("short")
}

pub(crate) fn founding() -> Founding {
    Founding {
        nonce: Nonce([3; 16]),
        name: text("Long Water"),
        datum: text("sill of the weir"),
        device_name: text("barge"),
    }
}

/// The survey that device 1 founds.
pub(crate) fn survey() -> SurveyId {
    founding().survey_id(&key(1).id())
}

/// One device with one run of its store: signs entry after entry.
pub(crate) struct Pen {
    pub(crate) key: DeviceKey,
    pub(crate) survey: SurveyId,
    pub(crate) epoch: Epoch,
    pub(crate) seq: u64,
    pub(crate) prev: EntryId,
    salt: u8,
}

impl Pen {
    pub(crate) fn new(device: u8, epoch: u8) -> Self {
        Self {
            key: key(device),
            survey: survey(),
            epoch: Epoch([epoch; 8]),
            seq: 0,
            prev: EntryId([0; 32]),
            salt: device ^ epoch.wrapping_mul(31),
        }
    }

    pub(crate) fn id(&self) -> DeviceId {
        self.key.id()
    }

    pub(crate) fn next_envelope(&self) -> Envelope {
        let mut nonce = [self.salt; 16];
        nonce[..8].copy_from_slice(&(self.seq + 1).to_le_bytes());
        Envelope::new(self.survey, (self.id(), self.epoch, self.seq + 1), self.prev, Nonce(nonce), NOW)
    }

    pub(crate) fn entry(&mut self, ops: Vec<Op>) -> Entry {
        let e = Entry::sign(&self.key, self.next_envelope(), ops, &Limits::default()).expect("sound");
        self.seq += 1;
        self.prev = e.id();
        e
    }

    pub(crate) fn write(&mut self, op: Op) -> Vec<u8> {
        self.entry(vec![op]).bytes().to_vec()
    }

    /// A second content for the place of the last entry.
    pub(crate) fn fork(&self, envelope: Envelope, op: Op) -> Vec<u8> {
        Entry::sign(&self.key, envelope, vec![op], &Limits::default()).expect("sound").bytes().to_vec()
    }
}

/// Signs anything, sound or not: what a member with a program of its own could send.
pub(crate) fn signed(key: &DeviceKey, envelope: &Envelope, body: &[u8]) -> Vec<u8> {
    let mut bytes = encode(envelope, 1 << 10).expect("small");
    bytes.extend_from_slice(body);
    resigned(key, bytes)
}

pub(crate) fn resigned(key: &DeviceKey, mut signed: Vec<u8>) -> Vec<u8> {
    let signature = key.sign(Signs::Entry, &[&signed]);
    signed.extend_from_slice(&signature);
    signed
}

/// The body of any writes, under the lowest version that holds them.
pub(crate) fn body(ops: &[Op]) -> Vec<u8> {
    let first = |op: &Op| {
        matches!(op, Op::Found(_) | Op::Member(_) | Op::Invite(_) | Op::Leg(_))
            || matches!(op, Op::Setup { .. } | Op::Stage { .. })
    };
    body_of(if ops.iter().all(first) { 1 } else { 2 }, ops)
}

/// The same under any version.
pub(crate) fn body_of(version: u8, ops: &[Op]) -> Vec<u8> {
    let mut b = vec![version];
    b.extend(encode(&ops, 1 << 24).expect("small"));
    b
}

fn place(n: u32) -> GridPos {
    GridPos::new(1_118_481_067 + n * 3_000, 753_000_000 + n % 3 * 2_000).expect("on the grid")
}

/// One of each write of body version 2, in the order of its variants; `replaces` goes into the first and the last.
pub(crate) fn second(replaces: Vec<WriteRef>) -> Vec<Op> {
    let verdict = |scope, decision| Verdict {
        scope,
        decision,
        until: NOW,
        shoaler_than_mm: None,
        deeper_than_mm: Some(2_500),
        why: text("weed"),
    };
    let none = Vec::new;
    vec![
        Op::Verdict {
            verdict: verdict(
                Scope::Stretch { boat: text("Coot"), from: NOW, to: UtcMillis(NOW.0 + 60_000) },
                Decision::LeaveOut,
            ),
            replaces: replaces.clone(),
        },
        Op::Verdict {
            verdict: verdict(Scope::Area((0..3).map(place).collect()), Decision::Keep),
            replaces: none(),
        },
        Op::Verdict { verdict: verdict(Scope::Cell(place(7).cell()), Decision::NotCopies), replaces: none() },
        Op::Water {
            cast: WaterCast {
                at: NOW,
                salinity_centi: 350,
                layers: [(0, 1_850), (2_000, 1_400), (9_000, 620)]
                    .map(|(depth_mm, temp_centi)| Layer { depth_mm, temp_centi })
                    .into(),
            },
            replaces: none(),
        },
        Op::Gauge {
            gauge: Gauge { name: text("jetty"), zero_mm: -120, place: Some(place(1)) },
            replaces: none(),
        },
        Op::River { line: (0..5).map(place).collect(), replaces: none() },
        Op::Rename { boat: text("Coot"), to: text("Moorhen"), replaces: none() },
        Op::Series {
            gauge: text("jetty"),
            from: text("jetty.csv"),
            first: NOW,
            readings: vec![(0, 100), (900, 104), (900, 103)],
            replaces: none(),
        },
        Op::Level { levelling: levelling(3), replaces: none() },
        Op::Speeds { limits: SpeedLimits { fair_mm_s: 4_470, void_mm_s: 8_940 }, replaces: none() },
        Op::Unlevel { replaces },
    ]
}

/// One of each write of body version 3.
pub(crate) fn third(replaces: Vec<WriteRef>) -> Vec<Op> {
    let ring = |from: u32| (from..from + 4).map(place).collect();
    vec![Op::Shore { shore: Shoreline { stage_mm: 350, rings: vec![ring(0), ring(9)] }, replaces }]
}

/// One of each write of body version 4.
pub(crate) fn fourth(replaces: Vec<WriteRef>) -> Vec<Op> {
    let cut = |n: u8| Cut { epoch: Epoch([n; 8]), seq: u64::from(n), id: EntryId([n; 32]) };
    let standing = |role| {
        Op::Standing(Standing {
            device: DeviceId([8; 32]),
            role,
            cuts: vec![cut(1), cut(2)],
            why: text("sold"),
            replaces: replaces.clone(),
        })
    };
    let mark = Mark {
        kind: MarkKind::Stump,
        place: place(3),
        depth_mm: Some(-120),
        name: text("old willow"),
        note: text("seen at low water"),
    };
    vec![
        standing(None),
        standing(Some(Role::Reader)),
        Op::Secret { generation: 2, digest: Digest([6; 32]) },
        Op::DeviceName { name: text("phone"), replaces: replaces.clone() },
        Op::Adopt { survey: SurveyId([4; 16]), name: text("Thornmere, north"), replaces: replaces.clone() },
        Op::Unadopt { replaces: replaces.clone() },
        Op::Mark { mark: Some(mark), replaces: replaces.clone() },
        Op::Mark { mark: None, replaces },
    ]
}

/// A levelling of `n` boats with a day each.
pub(crate) fn levelling(n: u16) -> Levelling {
    let boat = |i: u16| BoatLevel {
        boat: text(&format!("b{i:05}")),
        lag_ms: None,
        lag95_ms: 0,
        scale_ppm: Some(-1_200),
        scale95_ppm: 900,
        noise_percent: 100,
        place_percent: 100,
    };
    let day = |i: u16| DayLevel {
        boat: i,
        day: 20_000,
        cluster: 0,
        offset_mm: -40,
        own95_mm: 35,
        pivot_mm: 4_000,
        speed_mm_s: 2_000,
    };
    Levelling {
        inputs: Digest([6; 32]),
        boats: (0..n).map(boat).collect(),
        days: (0..n).map(day).collect(),
        clusters: vec![ClusterLevel { common95_mm: 50, floating: false }],
    }
}

pub(crate) fn admit(device: u8, role: Role) -> Op {
    Op::Member(Member { device: key(device).id(), name: text(&format!("boat {device}")), role, invite: None })
}

pub(crate) fn setup(boat: &str, draft_mm: i32, replaces: Vec<WriteRef>) -> Op {
    let setup = Setup {
        boat: text(boat),
        from: NOW,
        draft_mm: Some(draft_mm),
        sound_speed_mm_s: None,
        temp_centi: None,
        lag_ms: None,
    };
    Op::Setup { setup, replaces }
}

pub(crate) fn stage(level_mm: i32) -> Op {
    Op::Stage { reading: StageReading { gauge: text("jetty"), at: NOW, level_mm }, replaces: Vec::new() }
}

/// Soundings of ten minutes on a line that crosses into a second and third tile.
pub(crate) fn line(log: u8, n: usize) -> Vec<Sounding> {
    let start = NOW.leg_window().start().0 + i64::from(log) * 600_000;
    (0..n as i64)
        .map(|i| Sounding {
            time: UtcMillis(start + i * 1000 + 333),
            at: GridPos::from_lonlat(LonLat {
                lon: 12.0 + i as f64 * 5e-4,
                lat: 45.0 + f64::from(log) * 1e-3,
            })
            .expect("on the grid"),
            depth_mm: 4000 + (i as i32 * 7919 % 23) * 100,
            from: DepthFrom::Transducer,
            offset_mm: log.is_multiple_of(2).then_some(300),
            speed_mm_s: Some(2500 + (i as u32 * 31 % 5) * 51),
            hdop_centi: Some(90),
            fix: FixClass::Differential,
            sats: Some(9),
            temp_centi: None,
            flags: Flags(0),
        })
        .collect()
}

pub(crate) fn leg(log: u8, n: usize) -> PackedLeg {
    let window = LegWindow(NOW.leg_window().0 + i64::from(log));
    PackedLeg::of(window, line(log, n), &Limits::default()).expect("packs").remove(0)
}

pub(crate) fn claim_of(leg: &PackedLeg, boat: &str) -> LegClaim {
    LegClaim {
        boat: text(boat),
        instrument: text("sounder 1"),
        source: Digest([5; 32]),
        window: leg.window,
        counts: vec![(text("no-fix"), 3)],
        strips: leg.strips.iter().map(|s| StripRef::of(leg.window, s).expect("inside")).collect(),
    }
}

pub(crate) fn claim(log: u8, boat: &str) -> Op {
    Op::Leg(claim_of(&leg(log, 60), boat))
}

/// All entries of a season: 1 founds and admits 2 twice (first as contributor, then as keeper), 2 admits 3 (before it
/// is a keeper) and 4; everybody writes; 5 is never admitted; 3 goes on under a second epoch and forks once.
pub(crate) fn season() -> Vec<Vec<u8>> {
    let (mut one, mut two, mut three) = (Pen::new(1, 1), Pen::new(2, 1), Pen::new(3, 1));
    let (mut again, mut four, mut five) = (Pen::new(3, 9), Pen::new(4, 1), Pen::new(5, 1));
    let mut all = vec![
        one.write(Op::Found(founding())),
        one.write(admit(2, Role::Contributor)),
        two.write(admit(3, Role::Contributor)),
        two.write(claim(0, "Heron")),
        one.write(claim(0, "Grebe")),
        one.write(admit(2, Role::Keeper)),
        two.write(admit(4, Role::Reader)),
        three.write(claim(1, "Coot")),
    ];
    let stated = three.entry(vec![setup("Coot", 300, vec![]), stage(120)]);
    let old = stated.writes().map(|(n, _)| n).next().expect("has writes");
    all.push(stated.bytes().to_vec());
    let place = three.next_envelope();
    all.push(three.write(setup("Coot", 320, vec![old])));
    all.push(three.fork(place, setup("Coot", 330, vec![old])));
    all.push(three.entry(second(vec![old])).bytes().to_vec());
    all.extend([three.write(claim(2, "Coot")), again.write(claim(2, "Coot")), again.write(stage(90))]);
    all.extend([four.write(stage(70)), four.write(admit(5, Role::Keeper))]);
    all.extend([five.write(stage(1)), five.write(admit(4, Role::Keeper))]);
    all
}
