//! Mutations that know numbers, lengths and borders, from a seed.

use crate::sim::Dice;
use std::ops::Range;

fn range(len: usize, dice: &mut Dice) -> Range<usize> {
    let from = dice.below(len + 1);
    from..(from + dice.below(48)).min(len)
}

/// Counts and lengths that have broken decoders before, little-endian as the codec writes them.
const COUNTS: [u64; 9] = [0, 1, 0x7f, 0xff, 0xffff, 0x7fff_ffff, 0xffff_ffff, 1 << 40, u64::MAX];

pub(super) fn mutate(bytes: &mut Vec<u8>, other: &[u8], dice: &mut Dice) {
    let at = dice.below(bytes.len().max(1));
    match dice.below(8) {
        0 if !bytes.is_empty() => bytes[at] ^= 1 << dice.below(8),
        1 if !bytes.is_empty() => bytes[at] = dice.below(256) as u8,
        2 => drop(bytes.drain(range(bytes.len(), dice))),
        3 => {
            let part = bytes[range(bytes.len(), dice)].to_vec();
            drop(bytes.splice(at..at, part));
        }
        4 => {
            let part = other[range(other.len(), dice)].to_vec();
            drop(bytes.splice(at..at, part));
        }
        5 => write_count(bytes, at, dice),
        6 if dice.below(10) == 0 => bytes.truncate(at),
        _ => {
            let part = other.get(at..(at + 64).min(other.len())).unwrap_or_default().to_vec();
            for (to, from) in bytes.iter_mut().skip(at).zip(part) {
                *to = from;
            }
        }
    }
}

fn write_count(bytes: &mut [u8], at: usize, dice: &mut Dice) {
    let width = [1, 2, 4, 8][dice.below(4)];
    let count = COUNTS[dice.below(COUNTS.len())].to_le_bytes();
    for (to, from) in bytes.iter_mut().skip(at).zip(&count[..width]) {
        *to = *from;
    }
}
