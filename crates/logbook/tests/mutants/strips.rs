//! Mutated strips and frames: what unpacks is sound and bounded, and never passes for other content.

use crate::Tally;
use crate::chance::Chance;
use crate::world::leg;
use leadline_logbook::{
    CodecError, Limits, PackedStrip, StripError, pack, strip_digest, unpack, unpack_strip,
};

pub(crate) fn strips(chance: &mut Chance, tally: &mut Tally, n: usize) {
    let limits = Limits::default();
    let honest: Vec<PackedStrip> = (0..4).flat_map(|log| leg(log, 600).strips).collect();
    for _ in 0..n {
        let strip = chance.of(&honest);
        let mut bytes = strip.packed.clone();
        chance.mutate(&mut bytes);
        match chance.below(40) {
            0 => bytes = bomb(chance, &strip.packed),
            1 => bytes.resize(limits.strip_packed + chance.below(2), 0x55),
            _ => {}
        }
        let class = class_of(&bytes, strip, &limits);
        *tally.entry(class.to_owned()).or_default() += 1;
    }
}

fn class_of(bytes: &[u8], honest: &PackedStrip, limits: &Limits) -> &'static str {
    // Under the honest digest only the honest content comes out.
    match unpack_strip(bytes, &honest.digest, limits) {
        Ok(read) => {
            assert_eq!(Ok(read), unpack_strip(&honest.packed, &honest.digest, limits));
            return "strip unchanged";
        }
        Err(StripError::Digest) => {}
        Err(StripError::Columns) => return "strip: Columns",
        Err(StripError::Count { .. }) => return "strip: Count",
        Err(StripError::Version(_)) => return "strip: Version",
        Err(StripError::Codec(CodecError::TooLong { .. })) => return "strip: TooLong",
        Err(other) => panic!("no mutant should end as {other:?}"),
    }
    // Its author would sign it under its own digest: it must be as sound as any.
    let digest = strip_digest(bytes, limits).expect("only its digest was wrong");
    let (tile, soundings) = unpack_strip(bytes, &digest, limits).expect("its own digest");
    let again = PackedStrip::of(tile, &soundings, limits).expect("what is read can be packed");
    assert_eq!(again.digest, digest, "one content, one digest");
    "strip of other content"
}

/// The fullest strip in the fewest bytes: an honest head, the greatest count, constant columns or coded zeros.
fn bomb(chance: &mut Chance, honest: &[u8]) -> Vec<u8> {
    let mut bytes: Vec<u8> = honest.iter().copied().take(11).collect();
    // Varints: packing (1), column and row (3 each), window (4) make 11 bytes.
    let mut n = *chance.of(&[32_768u32, 32_769, 1 << 31, 32_767]);
    while n >= 0x80 {
        bytes.push(n as u8 | 0x80);
        n >>= 7;
    }
    bytes.push(n as u8);
    for _ in 0..12 {
        match chance.below(4) {
            0 => bytes.extend([1, 0, 1]),
            1 => bytes.extend([2, 0]),
            2 => bytes.extend([3, 2, 0, 1]),
            _ => bytes.extend([0, 2]),
        }
    }
    bytes.extend(std::iter::repeat_n(*chance.of(&[0, 0xff]), chance.below(3_000)));
    bytes
}

pub(crate) fn frames(chance: &mut Chance, tally: &mut Tally, n: usize) {
    let limit = 1 << 20;
    let honest = [
        pack(&vec![0; 1 << 20]).expect("packs"),
        pack(&vec![0; 40 << 20]).expect("packs"),
        pack(&(0..5000u32).flat_map(u32::to_le_bytes).collect::<Vec<_>>()).expect("packs"),
    ];
    for _ in 0..n {
        let mut bytes = chance.of(&honest).clone();
        if chance.below(20) > 0 {
            chance.mutate(&mut bytes);
        }
        let class = match unpack(&bytes, limit) {
            Ok(content) => {
                assert!(content.len() <= limit && content.capacity() <= 2 * limit);
                "frame within its limit"
            }
            Err(CodecError::Packing) => "frame: Packing",
            Err(other) => panic!("no mutant should end as {other:?}"),
        };
        *tally.entry(class.to_owned()).or_default() += 1;
    }
}
