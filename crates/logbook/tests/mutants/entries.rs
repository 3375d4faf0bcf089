//! Mutated entries: altered without a key, altered and signed, and invented from the worst values there are.

use crate::Tally;
use crate::chance::Chance;
use crate::replica::Replica;
use crate::world::{self, NOW, Pen, body, claim, key, resigned, season, signed, stage, survey, text};
use leadline_logbook::{
    CodecError, Cut, Invite, LegClaim, Member, Op, Refusal, Role, Standing, StripRef, WriteRef,
};
use leadline_model::{
    CellId, DayLevel, Decision, DeviceId, Digest, EntryId, Epoch, Gauge, GridPos, Layer, LegWindow, Mark,
    MarkKind, Nonce, Scope, Setup, Shoreline, SpeedLimits, StageReading, StripDigest, SurveyId, Text, TileId,
    UtcMillis, Verdict, WaterCast,
};

/// Entries in one replica before its documents are proven and the next one begins.
const LIFE: usize = 2_000;
const GROUP: usize = 250;

pub(crate) fn by_strangers(chance: &mut Chance, tally: &mut Tally, n: usize) {
    let all = season();
    let mut r = Replica::with(survey(), &all);
    let before = r.reading();
    for _ in 0..n {
        let mut bytes = chance.of(&all).clone();
        chance.mutate(&mut bytes);
        if chance.below(200) == 0 {
            bytes.resize(70_000, 0);
        }
        let o = r.offer(&[bytes.clone()]);
        // A mutation may undo itself; else nothing of it comes into force.
        assert!(o.accepted.is_empty() && (o.known == 0 || all.contains(&bytes)));
        count(tally, &r, &o);
        r.forget_waiting();
    }
    let after = r.reading();
    assert_eq!((after.in_force, after.survey, after.tiles), (before.in_force, before.survey, before.tiles));
}

/// Offers what a member signed, in groups, and proves now and then that the documents live.
pub(crate) fn by_members(
    chance: &mut Chance,
    tally: &mut Tally,
    n: usize,
    make: fn(&mut Chance, &[Vec<u8>]) -> Vec<u8>,
) {
    let all = season();
    let mut left = n;
    while left > 0 {
        let mut r = Replica::with(survey(), &all);
        for _ in 0..LIFE.min(left).div_ceil(GROUP) {
            let group: Vec<_> = (0..GROUP.min(left)).map(|_| make(chance, &all)).collect();
            left -= group.len();
            let o = r.offer(&group);
            count(tally, &r, &o);
            r.forget_waiting();
        }
        still_writes(r);
    }
}

/// Every document reads, and two more writes come into force and can be read back.
fn still_writes(mut r: Replica) {
    let before = r.reading();
    let (mut one, mut two) = (Pen::new(1, 200), Pen::new(2, 200));
    let o = r.offer(&[one.write(stage(12_345)), two.write(claim(3, "Coot"))]);
    assert_eq!((o.accepted.len(), o.refused), (2, vec![]));
    let o = r.offer(&[one.write(claim(4, "Heron")), two.write(stage(12_346))]);
    assert_eq!((o.accepted.len(), o.refused), (2, vec![]));
    let after = r.reading();
    assert_eq!(after.survey.said.len(), before.survey.said.len() + 2);
    let claims = |r: &crate::replica::Reading| r.survey.claims.values().map(Vec::len).sum::<usize>();
    assert_eq!(claims(&after), claims(&before) + 2);
    assert!(before.survey.said.iter().all(|(n, said)| after.survey.said.get(n) == Some(said)));
    let _ = after.have.missing_of(&r.places());
}

/// A member's own entry, altered in any place and signed again.
pub(crate) fn altered(chance: &mut Chance, all: &[Vec<u8>]) -> Vec<u8> {
    let base = chance.of(all);
    let mut bytes = base[..base.len() - 64].to_vec();
    let by = base[17..49].to_vec();
    // Half of them keep their envelope, so that the writes are reached.
    if chance.below(2) == 0 {
        let mut writes = bytes.split_off(122.min(bytes.len()));
        chance.mutate(&mut writes);
        bytes.extend(writes);
    } else {
        chance.mutate(&mut bytes);
    }
    match (1..6).map(key).find(|k| k.id().0[..] == by[..]) {
        Some(k) => resigned(&k, bytes),
        None => bytes,
    }
}

/// Sound in form and signed by a member, of the worst values there are.
pub(crate) fn invented(chance: &mut Chance, _: &[Vec<u8>]) -> Vec<u8> {
    let mut pen = Pen::new(*chance.of(&[1, 2, 3, 4]), 77);
    let n = *chance.of(&[1, 1, 1, 2, 3, 40]);
    let ops: Vec<Op> = (0..n).map(|_| op(chance)).collect();
    pen.epoch = Epoch([chance.below(200) as u8; 8]);
    let mut envelope = pen.next_envelope();
    envelope.nonce = Nonce([chance.below(3) as u8; 16]);
    if chance.below(3) == 0 {
        (envelope.seq, envelope.prev) = (chance.number() as u64, EntryId([chance.below(2) as u8; 32]));
        envelope.claimed = UtcMillis(*chance.of(&[NOW.0, 0, -1, i64::MAX, i64::MIN]));
    }
    signed(&pen.key, &envelope, &body(&ops))
}

fn op(chance: &mut Chance) -> Op {
    let replaces: Vec<WriteRef> =
        (0..*chance.of(&[0, 0, 1, 1, 30])).map(|n| WriteRef { nonce: Nonce([n as u8; 16]), n }).collect();
    let small = |chance: &mut Chance| chance.number() as i32;
    match chance.below(16) {
        0 => Op::Found(world::founding()),
        1 => Op::Member(Member {
            device: key(*chance.of(&[0, 1, 2, 3, 4])).id(),
            name: name(chance),
            role: *chance.of(&[Role::Reader, Role::Contributor, Role::Keeper]),
            invite: Some([chance.below(2) as u8; 32]),
        }),
        2 => {
            Op::Invite(Invite { key: [chance.below(2) as u8; 32], expires: time(chance), role: Role::Keeper })
        }
        3 | 4 => Op::Leg(leg_claim(chance)),
        5 | 6 => Op::Setup {
            setup: Setup {
                boat: name(chance),
                from: time(chance),
                draft_mm: Some(small(chance)).filter(|v| *v != 1),
                sound_speed_mm_s: Some(*chance.of(&[1_480_000, 1_480_000, 0, i32::MAX])),
                temp_centi: Some(small(chance) as i16).filter(|v| *v != 1),
                lag_ms: Some(small(chance)).filter(|v| *v != 1),
            },
            replaces,
        },
        7 => Op::Stage {
            reading: StageReading { gauge: name(chance), at: time(chance), level_mm: small(chance) },
            replaces,
        },
        _ => second(chance, replaces),
    }
}

/// A write of body version 2 or 3.
fn second(chance: &mut Chance, replaces: Vec<WriteRef>) -> Op {
    let small = |chance: &mut Chance| chance.number() as i32;
    match chance.below(13) {
        0 => Op::Verdict {
            verdict: Verdict {
                scope: scope(chance),
                decision: *chance.of(&[Decision::LeaveOut, Decision::Keep, Decision::NotCopies]),
                until: time(chance),
                shoaler_than_mm: Some(small(chance)).filter(|v| *v != 1),
                deeper_than_mm: None,
                why: name(chance),
            },
            replaces,
        },
        1 => Op::Water {
            cast: WaterCast {
                at: time(chance),
                salinity_centi: chance.number() as u16,
                layers: (0..*chance.of(&[0, 1, 3, 200, 201]))
                    .map(|i| Layer { depth_mm: i * 100, temp_centi: 900 + small(chance) as i16 % 900 })
                    .collect(),
            },
            replaces,
        },
        2 => {
            let place = Some(place(chance)).filter(|p| p.x() % 3 > 0);
            Op::Gauge { gauge: Gauge { name: name(chance), zero_mm: small(chance), place }, replaces }
        }
        3 => {
            let n = *chance.of(&[0, 1, 2, 40, 2_001]);
            Op::River { line: (0..n).map(|_| place(chance)).collect(), replaces }
        }
        4 => Op::Rename { boat: name(chance), to: name(chance), replaces },
        5 => Op::Series {
            gauge: name(chance),
            from: name(chance),
            first: time(chance),
            readings: (0..*chance.of(&[0u32, 1, 2, 30, 4_001]))
                .map(|i| (i.min(1) * 60, small(chance)))
                .collect(),
            replaces,
        },
        6 => {
            let mut levelling = world::levelling(*chance.of(&[0, 1, 3, 40]));
            if let (Some(day), true) = (levelling.days.last_mut(), chance.below(2) == 0) {
                *day = DayLevel { offset_mm: small(chance), cluster: small(chance) as u16 % 2, ..*day };
            }
            Op::Level { levelling, replaces }
        }
        7 => Op::Speeds {
            limits: SpeedLimits { fair_mm_s: chance.number() as u32, void_mm_s: 8_940 },
            replaces,
        },
        8 => {
            let (rings, corners) = *chance.of(&[(0, 3), (1, 2), (1, 3), (2, 40), (501, 3), (1, 6_001)]);
            let ring = |chance: &mut Chance| (0..corners).map(|_| place(chance)).collect();
            let rings = (0..rings).map(|_| ring(chance)).collect();
            Op::Shore { shore: Shoreline { stage_mm: small(chance), rings }, replaces }
        }
        9 => Op::Mark {
            mark: Some(Mark {
                kind: *chance.of(&[MarkKind::Hazard, MarkKind::Waypoint]),
                place: place(chance),
                depth_mm: Some(small(chance)),
                name: name(chance),
                note: name(chance),
            }),
            replaces,
        },
        10 => {
            let mut cut = |_| Cut {
                epoch: Epoch(chance.number().to_le_bytes()),
                seq: chance.number() as u64,
                id: EntryId([chance.number() as u8; 32]),
            };
            let cuts = (0..3).map(&mut cut).collect();
            Op::Standing(Standing {
                device: DeviceId([chance.number() as u8; 32]),
                role: None,
                cuts,
                why: name(chance),
                replaces,
            })
        }
        11 => Op::Adopt { survey: SurveyId([7; 16]), name: name(chance), replaces },
        _ => Op::Unlevel { replaces },
    }
}

fn scope(chance: &mut Chance) -> Scope {
    match chance.below(3) {
        0 => Scope::Stretch { boat: name(chance), from: time(chance), to: time(chance) },
        1 => Scope::Area((0..*chance.of(&[0, 3, 30, 1_001])).map(|_| place(chance)).collect()),
        _ => Scope::Cell(CellId { x: chance.number() as u32, y: chance.number() as u32 % (1 << 23) }),
    }
}

fn place(chance: &mut Chance) -> GridPos {
    let n = chance.number() as u32;
    GridPos::new(n, n / 2).unwrap_or_else(|| world::line(0, 1)[0].at)
}

fn leg_claim(chance: &mut Chance) -> LegClaim {
    if chance.below(3) == 0 {
        let Op::Leg(mut honest) = claim(chance.below(3) as u8, "Coot") else {
            unreachable!("a claim is a leg")
        };
        let at = chance.below(honest.strips.len());
        honest.strips[at].count = chance.number() as u32;
        return honest;
    }
    let n = *chance.of(&[0, 1, 1, 2, 3, 60]);
    let (x, honest) = (chance.below(30_000) as u32, chance.below(3) > 0);
    let boat = name(chance);
    let strips = (0..n).map(|i| {
        let (first, last) = (chance.number() as u32, chance.number() as u32);
        let lies = !honest && chance.below(4) == 0;
        StripRef {
            // A few tiles only, so that their documents grow.
            tile: TileId::new((x % 3) + i, x % 2).expect("tile"),
            digest: StripDigest([chance.below(5) as u8; 32]),
            count: if lies { chance.number() as u32 } else { 1 },
            first_ms: if lies { first } else { 0 },
            last_ms: if lies { last } else { first % 600_000 },
        }
    });
    LegClaim {
        boat,
        instrument: text("?"),
        source: Digest([1; 32]),
        window: LegWindow(NOW.leg_window().0 + i64::from(x % 7)),
        counts: (0..x % 70).map(|c| (text("no-fix"), c)).collect(),
        strips: strips.collect(),
    }
}

fn time(chance: &mut Chance) -> UtcMillis {
    UtcMillis(*chance.of(&[NOW.0, NOW.0, NOW.0, 315_532_800_000, 0, i64::MAX, i64::MIN]))
}

fn name(chance: &mut Chance) -> Text {
    let names = [
        "Coot",
        "a/b/c",
        "leg/../x",
        "\u{0}",
        "\u{202e}tooC",
        "€€€€€€€€€€€€€€€€€€€",
        "x",
        "strip/00",
        "\u{1b}[2J",
        "ÀÀÀÀÀÀÀÀÀÀÀÀÀÀÀÀ/",
    ];
    let long = "é".repeat(128);
    if chance.below(12) == 0 { text(&long) } else { text(chance.of::<&str>(&names)) }
}

fn count(tally: &mut Tally, r: &Replica, o: &crate::replica::Outcome) {
    let mut add = |class: &str, n: usize| {
        if n > 0 {
            *tally.entry(class.to_owned()).or_default() += n;
        }
    };
    let unread = |id| r.entry(id).is_some_and(|e| matches!(e.body(), leadline_logbook::Body::Newer(_)));
    let n_unread = o.accepted.iter().filter(|id| unread(id)).count();
    add("entry accepted", o.accepted.len() - n_unread);
    add("entry accepted unread", n_unread);
    add("entry known", o.known);
    add("entry waits", o.waiting);
    for reason in &o.refused {
        let class = match reason {
            Refusal::Codec(CodecError::TooLong { .. }) => "entry: TooLong",
            Refusal::Codec(CodecError::Layout) => "entry: Layout",
            Refusal::Envelope(_) => "entry: envelope",
            Refusal::OtherSurvey(_) => "entry: other survey",
            Refusal::Signature => "entry: signature",
            Refusal::Unsound => "entry: unsound",
            Refusal::Fork => "entry: fork",
            other => panic!("no mutant should end as {other:?}"),
        };
        add(class, 1);
    }
}
