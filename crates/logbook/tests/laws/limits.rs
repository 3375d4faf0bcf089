//! Each limit is crossed by one.

use crate::replica::Replica;
use crate::world::{Pen, admit, body, founding, key, line, setup, signed, survey, text};
use leadline_logbook::{
    BODY_VERSION, CodecError, Have, LegClaim, Limits, LogHave, Op, PackedStrip, Refusal, Role, StripError,
    StripRef, WriteRef, canonical, changes_of, decode, encode, pack, strip_digest, unpack,
};
use leadline_model::{DeviceId, Digest, EntryId, Epoch, Nonce, StripDigest, TileId};

fn offer(bytes: Vec<u8>) -> Vec<Refusal> {
    let mut one = Pen::new(1, 1);
    let mut r =
        Replica::with(survey(), &[one.write(Op::Found(founding())), one.write(admit(2, Role::Reader))]);
    r.offer(&[bytes]).refused
}

fn wide_claim(strips: u32) -> Op {
    let strips = (0..strips).map(|x| StripRef {
        tile: TileId::new(x, 7).expect("tile"),
        digest: StripDigest([x as u8; 32]),
        count: 1,
        first_ms: 0,
        last_ms: 1,
    });
    Op::Leg(LegClaim {
        boat: text("Coot"),
        instrument: text("sounder 1"),
        source: Digest([5; 32]),
        window: crate::world::NOW.leg_window(),
        counts: Vec::new(),
        strips: strips.collect(),
    })
}

#[test]
fn writes_of_an_entry() {
    let two = Pen::new(2, 1);
    let with = |ops: &[Op]| offer(signed(&two.key, &two.next_envelope(), &body(ops)));
    let small = |n: usize| vec![admit(3, Role::Reader); n];
    assert_eq!(with(&small(500)), []);
    // A leg counts as one write and one for each of its strips.
    assert_eq!(with(&[wide_claim(1023)]), []);
    assert_eq!(with(&[wide_claim(1024)]), [Refusal::Unsound]);
    assert_eq!(with(&[wide_claim(512), wide_claim(510)]), []);
    assert_eq!(with(&[wide_claim(512), wide_claim(511)]), [Refusal::Unsound]);
}

#[test]
fn bytes_of_an_entry() {
    let two = Pen::new(2, 1);
    let limit = Limits::default().entry;
    // A newer body may have any length: here what fills the entry to its limit.
    let with =
        |len: usize| offer(signed(&two.key, &two.next_envelope(), &vec![BODY_VERSION + 1; len - 121 - 64]));
    assert_eq!(with(limit), []);
    assert_eq!(with(limit + 1), [Refusal::Codec(CodecError::TooLong { got: limit + 1, limit })]);
}

#[test]
fn document_keys() {
    let limits = Limits::default();
    // 256 bytes in characters of three: no place 32 bytes in where a name could be cut.
    for name in ["€".repeat(85), "x".repeat(256), "é".repeat(128)] {
        let mut two = Pen::new(2, 1);
        let stated = two.entry(vec![setup(&name, 100, vec![])]);
        let shown = format!("{:?}", changes_of(&stated, &limits));
        let key = shown.split('"').find(|part| part.starts_with("setup/")).expect("a key").to_owned();
        assert!(key.len() <= limits.key.min(6 + 32 + 1 + 36), "{key}");
    }
}

#[test]
fn soundings_and_bytes_of_a_strip() {
    let limits = Limits::default();
    let tile = line(0, 1)[0].at.tile();
    let soundings: Vec<_> = line(0, 400).into_iter().filter(|s| s.at.tile() == tile).collect();
    let n = soundings.len();
    let strip = PackedStrip::of(tile, &soundings, &limits).expect("packs");
    let with = |l: Limits| {
        (PackedStrip::of(tile, &soundings, &l).map(|_| ()), strip_digest(&strip.packed, &l).map(|_| ()))
    };
    let count = StripError::Count { got: n as u64, limit: n - 1 };
    assert_eq!(with(Limits { strip_soundings: n, ..limits }), (Ok(()), Ok(())));
    assert_eq!(with(Limits { strip_soundings: n - 1, ..limits }), (Err(count), Err(count)));
    let len = strip.packed.len();
    assert_eq!(with(Limits { strip_packed: len, ..limits }), (Ok(()), Ok(())));
    assert_eq!(
        with(Limits { strip_packed: len - 1, ..limits }),
        (
            Err(CodecError::Oversize(len - 1).into()),
            Err(CodecError::TooLong { got: len, limit: len - 1 }.into())
        )
    );
    assert_eq!(with(Limits { strip_inflated: 96 * n, ..limits }).1, Ok(()));
    assert!(with(Limits { strip_inflated: 96 * n - 1, ..limits }).1.is_err());
    // The defaults fit together: the fullest strip stays within the inflated limit.
    assert!(96 * limits.strip_soundings <= limits.strip_inflated);
    assert!(canonical(tile, &soundings).len() < 96 * n);
}

#[test]
fn frames_and_what_they_inflate_to() {
    let content = vec![7u8; 1000];
    let packed = pack(&content).expect("packs");
    assert_eq!(unpack(&packed, 1000), Ok(content));
    assert_eq!(unpack(&packed, 999), Err(CodecError::Packing));
    // Frames that lie about their size, or do not state it, or are two.
    assert_eq!(unpack(&[packed.clone(), packed.clone()].concat(), 4000), Err(CodecError::Packing));
    for at in 4..packed.len() {
        let mut bad = packed.clone();
        bad[at] = bad[at].wrapping_add(1);
        assert!(unpack(&bad, 4000).is_ok_and(|b| b.len() <= 4000) || unpack(&bad, 4000).is_err());
    }
}

#[test]
fn have_lists() {
    let limits = Limits::default();
    let log = |n: u32, extra: usize| {
        let mut device = [0; 32];
        device[..4].copy_from_slice(&n.to_be_bytes());
        LogHave {
            device: DeviceId(device),
            epoch: Epoch([0; 8]),
            top: 1,
            top_id: EntryId([1; 32]),
            extra: vec![EntryId([2; 32]); extra],
        }
    };
    let devices = |n: u32| Have((0..n).map(|i| log(i, 0)).collect());
    assert!(devices(256).is_bounded(&limits) && !devices(257).is_bounded(&limits));
    assert!(
        Have(vec![log(0, 32_767)]).is_bounded(&limits) && !Have(vec![log(0, 32_768)]).is_bounded(&limits)
    );
    assert!(!Have(vec![log(1, 0), log(0, 0)]).is_bounded(&limits), "out of order");
    assert!(!Have(vec![log(1, 0), log(1, 0)]).is_bounded(&limits), "twice");
}

#[test]
fn lengths_that_lie_are_not_believed() {
    // A list of writes that says it holds 2^60, and texts that say so: refused before anything is allocated.
    for length in [1u64 << 60, u64::MAX, 1 << 32, 70_000] {
        let mut b = vec![1];
        b.extend(length.to_le_bytes());
        b.extend([0; 40]);
        let two = Pen::new(2, 1);
        assert_eq!(offer(signed(&two.key, &two.next_envelope(), &b)), [Refusal::Codec(CodecError::Layout)]);
        assert_eq!(decode::<Vec<WriteRef>>(&b[1..], 1 << 20), Err(CodecError::Layout));
    }
    let refs = vec![WriteRef { nonce: Nonce([1; 16]), n: 2 }; 3];
    assert_eq!(decode::<Vec<WriteRef>>(&encode(&refs, 1 << 20).expect("small"), 1 << 20), Ok(refs));
    assert_eq!(key(2).id(), Pen::new(2, 1).id());
}
