//! Forged, altered, cut and foreign entries change nothing and are reported, each with its reason.

use crate::replica::{Outcome, Replica};
use crate::world::{self, Pen, admit, body, claim, founding, key, resigned, setup, signed, stage, survey};
use leadline_logbook::{BODY_VERSION, CodecError, Entry, Envelope, Limits, Op, Refusal, Role};
use leadline_model::{EntryId, Epoch, Nonce, SurveyId, UtcMillis};

/// A crew of devices 1 (founder) and 2 (contributor), and 2's pen.
fn crew() -> (Replica, Pen) {
    let mut one = Pen::new(1, 1);
    let founded = [one.write(Op::Found(founding())), one.write(admit(2, Role::Contributor))];
    (Replica::with(survey(), &founded), Pen::new(2, 1))
}

fn refused(bytes: Vec<u8>, reason: Refusal) {
    let (mut r, _) = crew();
    let before = r.reading();
    let outcome = r.offer(&[bytes]);
    assert_eq!(outcome, Outcome { refused: vec![reason], ..Outcome::default() });
    assert_eq!(r.reading(), before);
}

#[test]
fn signed_by_another_key() {
    let (_, two) = crew();
    // The envelope says 2, the signature is 1's.
    refused(signed(&key(1), &two.next_envelope(), &body(&[stage(5)])), Refusal::Signature);
}

#[test]
fn every_flipped_byte_is_refused() {
    let (mut r, mut two) = crew();
    let good = two.write(claim(0, "Heron"));
    let before = r.reading();
    for at in 0..good.len() {
        for bit in [0x01, 0x80] {
            let mut bad = good.clone();
            bad[at] ^= bit;
            let o = r.offer(&[bad]);
            assert!(o.accepted.is_empty() && o.known == 0, "byte {at}");
            let expected = match at {
                0 => matches!(o.refused[..], [Refusal::Envelope(_)]),
                1..17 => matches!(o.refused[..], [Refusal::OtherSurvey(_)]),
                // Another device: not admitted, so it waits unread.
                17..49 => o.refused.is_empty() && o.waiting > 0,
                _ => o.refused == [Refusal::Signature],
            };
            assert!(expected, "byte {at}: {:?}", o.refused);
        }
    }
    let after = r.reading();
    assert_eq!((after.in_force, after.survey, after.have), (before.in_force, before.survey, before.have));
    assert_eq!(r.offer(&[good]).accepted.len(), 1, "and the good one still comes in");
}

#[test]
fn cut_and_padded() {
    let (_, mut two) = crew();
    let good = two.write(stage(5));
    for len in 0..good.len() {
        let (mut r, _) = crew();
        let before = r.reading().in_force;
        let o = r.offer(&[good[..len].to_vec()]);
        let reason = if len < 121 + 1 + 64 { Refusal::Codec(CodecError::Layout) } else { Refusal::Signature };
        assert_eq!((o.refused, r.reading().in_force), (vec![reason], before), "length {len}");
    }
    let mut long = good.clone();
    long.push(0);
    refused(long, Refusal::Signature);
    // Signed by its author, but with a byte behind the writes.
    let mut tail = body(&[stage(5)]);
    tail.push(0);
    refused(signed(&key(2), &two.next_envelope(), &tail), Refusal::Codec(CodecError::Layout));
    let longest = Limits::default().entry;
    refused(vec![1; longest + 1], Refusal::Codec(CodecError::TooLong { got: longest + 1, limit: longest }));
}

#[test]
fn of_another_survey() {
    let mut two = Pen::new(2, 1);
    two.survey = SurveyId([8; 16]);
    refused(two.write(stage(5)), Refusal::OtherSurvey(SurveyId([8; 16])));
}

#[test]
fn of_a_device_nobody_admitted() {
    let (mut r, _) = crew();
    let before = r.reading();
    let o = r.offer(&[Pen::new(7, 1).write(stage(5))]);
    assert_eq!(o, Outcome { waiting: 1, ..Outcome::default() });
    assert_eq!((r.reading().in_force, r.reading().survey), (before.in_force, before.survey));
    // Beginning the survey again under another key admits nobody: its id is made of the founder's.
    let o = r.offer(&[Pen::new(7, 2).write(Op::Found(founding()))]);
    assert_eq!((o.accepted.len(), o.waiting), (0, 2));
}

type Spoil = fn(&mut leadline_logbook::LegClaim);

#[test]
fn unsound_but_signed_by_a_member() {
    let place = |seq, prev| {
        Envelope::new(survey(), (key(2).id(), Epoch([1; 8]), seq), prev, Nonce([1; 16]), world::NOW)
    };
    let none = EntryId([0; 32]);
    let first = place(1, none);
    let good = [stage(5)];
    let at = |claimed| {
        let mut e = first;
        e.claimed = UtcMillis(claimed);
        e
    };
    for (what, envelope, ops) in [
        ("number 0", place(0, none), &good[..]),
        ("a first with one before it", place(1, EntryId([1; 32])), &good),
        ("a second with none before it", place(2, none), &good),
        ("a number no logbook reaches", place(u64::MAX, EntryId([1; 32])), &good),
        ("a time before 1970", at(i64::MIN), &good),
        ("a time past year 9999", at(i64::MAX), &good),
        ("the deepest stage there is", first, &[stage(i32::MIN)]),
        ("a draft of 60 m", first, &[setup("Coot", 60_000, vec![])]),
    ] {
        let (mut r, _) = crew();
        let o = r.offer(&[signed(&key(2), &envelope, &body(ops))]);
        assert_eq!(o.refused, [Refusal::Unsound], "{what}");
    }
    let Op::Leg(whole) = claim(0, "Heron") else { unreachable!("a claim is a leg") };
    let broken: [(&str, Spoil); 8] = [
        ("no strips", |c| c.strips.clear()),
        ("tiles out of order", |c| c.strips.reverse()),
        ("a tile twice", |c| c.strips[1].tile = c.strips[0].tile),
        ("an empty strip", |c| c.strips[0].count = 0),
        ("an overfull strip", |c| c.strips[0].count = 32_769),
        ("last before first", |c| c.strips[0].first_ms = c.strips[0].last_ms + 1),
        ("beyond ten minutes", |c| c.strips[0].last_ms = 600_000),
        ("a window before satellites", |c| c.window.0 = i64::MIN),
    ];
    for (what, spoil) in broken {
        let mut c = whole.clone();
        spoil(&mut c);
        let (mut r, _) = crew();
        let o = r.offer(&[signed(&key(2), &first, &body(&[Op::Leg(c)]))]);
        assert_eq!(o.refused, [Refusal::Unsound], "{what}");
    }
}

#[test]
fn the_writer_refuses_what_the_reader_would() {
    let limits = Limits::default();
    let two = Pen::new(2, 1);
    let sign = |ops| Entry::sign(&two.key, two.next_envelope(), ops, &limits).map(|_| ());
    assert_eq!(sign(vec![stage(i32::MIN)]), Err(Refusal::Unsound));
    assert_eq!(sign(vec![stage(1)]), Ok(()));
    assert_eq!(
        Entry::sign(&key(1), two.next_envelope(), vec![stage(1)], &limits).map(|_| ()),
        Err(Refusal::Signature)
    );
}

/// A newer body is kept and handed on byte for byte, unread, and has its place in the have-list.
#[test]
fn a_newer_body_is_kept_unread() {
    let (mut r, two) = crew();
    let newer = signed(&key(2), &two.next_envelope(), &[BODY_VERSION + 1, 0xff, 0x00, 0x17]);
    let before = r.reading();
    let o = r.offer(std::slice::from_ref(&newer));
    let [id] = o.accepted[..] else { panic!("{o:?}") };
    let entry = r.entry(&id).expect("held");
    assert_eq!((entry.bytes(), entry.ops().len()), (&newer[..], 0));
    assert!(matches!(entry.body(), leadline_logbook::Body::Newer(_)));
    assert!(r.all_bytes().contains(&newer));
    let after = r.reading();
    assert_eq!((&after.survey, &after.tiles), (&before.survey, &before.tiles));
    assert_eq!(
        after.have.0.iter().find(|l| l.device == key(2).id()).map(|l| (l.top, l.top_id)),
        Some((1, id))
    );
    // Version 0 never existed; of no body at all there is nothing to keep.
    refused(signed(&key(2), &two.next_envelope(), &[0, 1]), Refusal::Codec(CodecError::Layout));
    refused(signed(&key(2), &two.next_envelope(), &[]), Refusal::Codec(CodecError::Layout));
    // Whoever alters a newer body is found out like any other.
    let mut altered = newer;
    altered[123] ^= 1;
    refused(altered, Refusal::Signature);
    refused(resigned(&key(1), encode_head(&two)), Refusal::Signature);
}

fn encode_head(pen: &Pen) -> Vec<u8> {
    let mut head = leadline_logbook::encode(&pen.next_envelope(), 1 << 10).expect("small");
    head.push(9);
    head
}
