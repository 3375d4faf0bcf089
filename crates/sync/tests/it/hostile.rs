//! Peers that break the rules, time-outs, and frames at random.

use crate::model::*;
use leadline_logbook::{Have, LogHave, encode, pack};
use leadline_model::{DeviceId, EntryId, Epoch};
use leadline_sync::{Failure, Input, Meeting, Misconduct, Output, RefusalCode, Wants};

/// A meeting of device 1 that has admitted the honest device 2 and is open; what 2 sends is up to the test.
struct Victim {
    meeting: Meeting,
    store: Store,
    ended: Option<Result<(), Failure>>,
}

impl Victim {
    fn new() -> Self {
        let mut store = Store::default();
        let (entries, strips) = chain(1, 20, 100);
        entries.into_iter().for_each(|e| store.add(e));
        strips.into_iter().for_each(|s| store.add_strip(s));
        let mut v = Self {
            meeting: Meeting::new(config(1, 2, Wants::Everything), store.holdings(), 0),
            store,
            ended: None,
        };
        v.settle();
        v
    }

    fn open() -> Self {
        let mut v = Self::new();
        v.frame(hello(2, 1));
        assert_eq!(v.ended, None);
        v
    }

    fn frame(&mut self, frame: Vec<u8>) -> &mut Self {
        self.meeting.handle(Input::Frame(frame));
        self.settle();
        self
    }

    fn settle(&mut self) {
        while let Some(output) = self.meeting.poll() {
            match output {
                Output::Ask(lane, q) => {
                    let answer = self.store.answer(q);
                    self.meeting.handle(Input::Answer(lane, answer));
                }
                Output::Finished(_) => self.ended = Some(Ok(())),
                Output::Failed(f) => self.ended = Some(Err(f)),
                _ => {}
            }
        }
    }

    fn ended_by(&self, what: Misconduct) {
        assert_eq!(self.ended, Some(Err(Failure::Peer(what))));
    }
}

/// The first frame of an honest device.
fn hello(n: u8, other: u8) -> Vec<u8> {
    let mut meeting = Meeting::new(config(n, other, Wants::Everything), Store::default().holdings(), 0);
    match meeting.poll() {
        Some(Output::Send(frame)) => frame,
        other => panic!("no hello but {other:?}"),
    }
}

fn body(kind: u8, body: &[u8]) -> Vec<u8> {
    [&[kind], body].concat()
}

fn have(have: &Have) -> Vec<u8> {
    body(3, &encode(have, 1 << 24).expect("small enough"))
}

#[test]
fn frames_out_of_turn() {
    Victim::new().frame(have(&Have::default())).ended_by(Misconduct::Order);
    Victim::open().frame(hello(2, 1)).ended_by(Misconduct::Order);
    Victim::open().frame(body(8, &[0; 4])).ended_by(Misconduct::Flood);
    Victim::open().frame(body(7, &[0; 16])).ended_by(Misconduct::Order);
    Victim::open().frame(body(6, &[1, 0, 0, 0])).ended_by(Misconduct::Counts);
    Victim::open().frame(body(5, &pack(b"").expect("packs"))).ended_by(Misconduct::Order);
    Victim::open().frame(have(&Have::default())).frame(have(&Have::default())).ended_by(Misconduct::Order);
    Victim::open().frame(body(4, &[1, 0, 0, 0])).frame(body(4, &[1, 0, 0, 0])).ended_by(Misconduct::Order);
    // Done while twenty entries are under way to it.
    let done = body(9, &[0; 44]);
    Victim::open().frame(have(&Have::default())).frame(done.clone()).ended_by(Misconduct::Order);
    Victim::open()
        .frame(have(&Have::default()))
        .frame(body(6, &[1, 0, 0, 0]))
        .frame(done)
        .ended_by(Misconduct::Counts);
}

#[test]
fn more_than_agreed() {
    let entries = |n: u64| {
        let mut block = Vec::new();
        for e in chain(5, n, 10).0 {
            block.extend((e.len() as u32).to_le_bytes());
            block.extend(e);
        }
        body(5, &pack(&block).expect("packs"))
    };
    let offer = |n: u32| body(4, &n.to_le_bytes());
    Victim::open().frame(offer(2)).frame(entries(3)).ended_by(Misconduct::Flood);
    Victim::open().frame(offer(3)).frame(entries(3)).frame(entries(1)).ended_by(Misconduct::Order);
    Victim::open().frame(offer(3)).frame(body(5, &pack(b"").expect("packs"))).ended_by(Misconduct::Flood);
    // 16 unacknowledged frames are the most; the victim's store is never asked here.
    let mut v = Victim::open();
    v.frame(offer(1000));
    for _ in 0..16 {
        v.meeting.handle(Input::Frame(entries(1)));
    }
    v.meeting.handle(Input::Frame(entries(1)));
    v.settle();
    v.ended_by(Misconduct::Flood);
    // Strips nobody can have: more keys than may be open.
    let mut v = Victim::open();
    v.frame(have(&v.store.answer_have())).frame(body(7, &vec![9; 16 * 4097])).ended_by(Misconduct::Flood);
}

#[test]
fn sizes_and_bombs() {
    Victim::open().frame(vec![10; (1 << 20) + 1]).ended_by(Misconduct::Frame);
    Victim::open().frame(vec![]).ended_by(Misconduct::Frame);
    Victim::open().frame(vec![99, 1]).ended_by(Misconduct::Frame);
    let bomb = pack(&vec![0; 64 << 20]).expect("packs");
    assert!(bomb.len() < 10_000);
    Victim::open().frame(body(4, &[9, 0, 0, 0])).frame(body(5, &bomb)).ended_by(Misconduct::Frame);
    // An entry over 64 KiB, inside a frame that is not.
    let mut block = (70_000u32).to_le_bytes().to_vec();
    block.extend(vec![1; 70_000]);
    let frame = body(5, &pack(&block).expect("packs"));
    Victim::open().frame(body(4, &[9, 0, 0, 0])).frame(frame).ended_by(Misconduct::Frame);
    // A have-list that announces 2^40 logs, one with too many devices, one out of order.
    Victim::open().frame(body(3, &(1u64 << 40).to_le_bytes())).ended_by(Misconduct::Frame);
    let log = |d: u16| LogHave {
        device: DeviceId([d.to_be_bytes()[0], d.to_be_bytes()[1]].repeat(16).try_into().expect("32 bytes")),
        epoch: Epoch([0; 8]),
        top: 1,
        top_id: EntryId([1; 32]),
        extra: vec![],
    };
    Victim::open().frame(have(&Have((0..257).map(log).collect()))).ended_by(Misconduct::Have);
    Victim::open().frame(have(&Have(vec![log(2), log(1)]))).ended_by(Misconduct::Have);
}

#[test]
fn a_flood_of_forged_entries_ends_the_meeting() {
    let mut v = Victim::open();
    v.frame(body(4, &u32::MAX.to_le_bytes()));
    let mut block = Vec::new();
    (0..300).for_each(|_| block.extend([2, 0, 0, 0, 7, 7]));
    let frame = body(5, &pack(&block).expect("packs"));
    let mut now = 0;
    for _ in 0..10 {
        v.frame(frame.clone());
        now += 250;
        v.meeting.handle(Input::Tick(now));
        v.settle();
    }
    v.ended_by(Misconduct::Forged);
}

#[test]
fn the_peer_is_told_and_later_kinds_are_skipped() {
    let mut v = Victim::open();
    v.frame(vec![200, 1, 2, 3]).frame(vec![128]);
    assert_eq!(v.ended, None);
    v.meeting.handle(Input::Frame(vec![99]));
    assert_eq!(v.meeting.poll(), Some(Output::Send(vec![2, 9])));
    assert_eq!(v.meeting.poll(), Some(Output::Failed(Failure::Peer(Misconduct::Frame))));
    assert!(v.meeting.is_over());
    v.meeting.handle(Input::Frame(vec![10]));
    assert_eq!(v.meeting.poll(), None);
    let mut refused = Victim::open();
    refused.frame(vec![2, 77]);
    assert_eq!(refused.ended, Some(Err(Failure::RefusedByPeer(RefusalCode::Newer(77)))));
}

#[test]
fn silence_and_standstill() {
    let tick = |v: &mut Victim, now| {
        v.meeting.handle(Input::Tick(now));
        v.settle();
    };
    let mut v = Victim::new();
    tick(&mut v, 5_000);
    assert_eq!(v.ended, None);
    tick(&mut v, 5_001);
    assert_eq!(v.ended, Some(Err(Failure::NoHello)));

    let mut v = Victim::open();
    v.meeting.handle(Input::Tick(3_000));
    assert_eq!(v.meeting.poll(), Some(Output::Send(vec![10])), "a ping after three idle seconds");
    tick(&mut v, 10_000);
    assert_eq!(v.ended, None);
    v.meeting.handle(Input::Stirring);
    tick(&mut v, 20_000);
    assert_eq!(v.ended, None, "bytes of a large frame are a sign of life");
    tick(&mut v, 20_001);
    assert_eq!(v.ended, Some(Err(Failure::Silent)));

    let mut v = Victim::open();
    for s in 1..=120 {
        tick(&mut v, s * 1000);
        v.frame(vec![10]);
    }
    assert_eq!(v.ended, None);
    tick(&mut v, 120_001);
    assert_eq!(v.ended, Some(Err(Failure::Stalled)), "pings alone do not hold a place for ever");
}

#[test]
fn what_came_whole_is_stored_when_the_link_dies() {
    let mut v = Victim::open();
    let mut block = Vec::new();
    for e in chain(5, 3, 10).0 {
        block.extend((e.len() as u32).to_le_bytes());
        block.extend(e);
    }
    v.frame(body(4, &[9, 0, 0, 0])).frame(body(5, &pack(&block).expect("packs")));
    assert_eq!(v.store.entries.len(), 20, "not ripe yet");
    v.meeting.handle(Input::LinkLost);
    v.settle();
    assert_eq!(v.ended, Some(Err(Failure::LinkLost)));
    assert_eq!(v.store.entries.len(), 23);
}

#[test]
fn random_and_mutated_frames_never_panic() {
    let honest: Vec<Vec<u8>> = vec![
        hello(2, 1),
        have(&Have::default()),
        body(4, &[3, 0, 0, 0]),
        body(5, &pack(&[1, 0, 0, 0, 9]).expect("packs")),
        body(6, &[1, 0, 0, 0]),
        body(7, &[3; 32]),
        body(8, &[1, 0, 0, 0, 5]),
        body(9, &[0; 44]),
        vec![10],
        vec![2, 1],
    ];
    let mut failed = 0;
    for seed in 0..20_000u64 {
        let dice = noise(seed, 16);
        let mut v = if dice[0] < 128 { Victim::open() } else { Victim::new() };
        for round in 0..4u64 {
            let pick = noise(seed << 8 | round, 600);
            let mut frame = honest[usize::from(pick[0]) % honest.len()].clone();
            match pick[1] % 4 {
                0 => frame = pick[8..8 + usize::from(pick[2])].to_vec(),
                1 => frame.truncate(usize::from(pick[2]) % (frame.len() + 1)),
                2 => {
                    let at = usize::from(pick[3]) % frame.len();
                    frame[at] ^= pick[4];
                }
                _ => frame.extend(&pick[8..8 + usize::from(pick[2] % 9)]),
            }
            v.frame(frame);
        }
        failed += usize::from(matches!(v.ended, Some(Err(_))));
    }
    // Most of this must end a meeting: if it does not, the checks are not reached.
    assert!(failed > 15_000, "{failed} of 20,000");
}

impl Store {
    fn answer_have(&self) -> Have {
        match self.clone().answer(leadline_sync::Question::Have) {
            Ok(leadline_sync::Answer::Have(have)) => have,
            other => panic!("{other:?}"),
        }
    }
}
