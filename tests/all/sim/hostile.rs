//! Peers that lie: in what they answer, and in the frames they send.

use super::dice::Dice;
use leadline_logbook::{Have, LogHave};
use leadline_model::{DeviceId, Digest, EntryId, Epoch, StripDigest};
use leadline_sync::{Answer, Holdings, Question};

/// Spoils an answer of a desk that belongs to a liar.
pub(super) fn lie(question: &Question, answer: Answer, dice: &mut Dice) -> Answer {
    if dice.chance(40) {
        return answer;
    }
    match answer {
        Answer::Have(have) => Answer::Have(false_have(have, dice)),
        Answer::Missing(mut ids) => {
            match dice.below(3) {
                0 => ids.extend((0..dice.below(40)).map(|_| EntryId(dice.bytes()))),
                1 => ids.extend(ids.clone()),
                _ => ids.reverse(),
            }
            Answer::Missing(ids)
        }
        Answer::Items(items) => {
            let others: Vec<Vec<u8>> = items.iter().flatten().cloned().collect();
            Answer::Items(items.into_iter().map(|i| spoil(i, &others, dice)).collect())
        }
        Answer::Wanted(mut digests) => {
            digests.extend((0..dice.below(30)).map(|_| StripDigest(dice.bytes())));
            digests.sort();
            if let Question::WantedStrips { max, .. } = question {
                digests.truncate(*max);
            }
            Answer::Wanted(digests)
        }
        Answer::Holdings(h) => Answer::Holdings(Holdings {
            digest: Digest(dice.bytes()),
            missing_strips: dice.next() as u32,
            ..h
        }),
        other => other,
    }
}

fn spoil(item: Option<Vec<u8>>, others: &[Vec<u8>], dice: &mut Dice) -> Option<Vec<u8>> {
    let mut bytes = item?;
    match dice.below(6) {
        0 => return None,
        1 => bytes = dice.noise(300),
        2 => bytes = others[dice.below(others.len())].clone(),
        3 => bytes.truncate(dice.below(bytes.len())),
        _ => {
            let at = dice.below(bytes.len().max(1));
            if let Some(b) = bytes.get_mut(at) {
                *b ^= 1 << dice.below(8);
            }
        }
    }
    Some(bytes)
}

fn false_have(mut have: Have, dice: &mut Dice) -> Have {
    for log in &mut have.0 {
        match dice.below(4) {
            0 => log.top += 1 + dice.below(5) as u64,
            1 => log.top_id = EntryId(dice.bytes()),
            2 => log.extra = (0..dice.below(50)).map(|_| EntryId(dice.bytes())).collect(),
            _ => (log.top, log.top_id) = (0, EntryId([0; 32])),
        }
    }
    let endless = if dice.chance(20) { 300 } else { 3 };
    have.0.extend((0..dice.below(endless)).map(|_| LogHave {
        device: DeviceId(dice.bytes()),
        epoch: Epoch(dice.bytes()),
        top: dice.next(),
        top_id: EntryId(dice.bytes()),
        extra: Vec::new(),
    }));
    have.0.sort_by_key(|l| (l.device, l.epoch));
    have
}

/// What goes out instead of one honest frame.
pub(super) fn mangle(frame: Vec<u8>, dice: &mut Dice) -> Vec<Vec<u8>> {
    match dice.below(24) {
        0 => vec![],
        1 => vec![frame.clone(), frame],
        2 => {
            let mut frame = frame;
            let at = dice.below(frame.len());
            frame[at] ^= 1 << dice.below(8);
            vec![frame]
        }
        3 => vec![frame[..dice.below(frame.len())].to_vec()],
        4 => vec![frame, junk(dice)],
        5 => (0..60).map(|_| vec![10]).chain([frame]).collect(),
        6 => (0..1 + dice.below(30)).map(|_| junk(dice)).collect(),
        _ => vec![frame],
    }
}

/// A frame that nobody asked for.
fn junk(dice: &mut Dice) -> Vec<u8> {
    let body = |kind: u8, body: &[u8]| [&[kind][..], body].concat();
    match dice.below(9) {
        0 => {
            let len = 16 * (1 + dice.below(1500));
            body(7, &dice.noise(len))
        }
        1 => body(6, &(dice.next() as u32 % 40).to_le_bytes()),
        2 => body(4, &u32::MAX.to_le_bytes()),
        3 => body(9, &dice.noise(44)),
        4 => {
            let len = dice.below(900);
            body(128 + dice.below(128) as u8, &dice.noise(len))
        }
        5 => body(3, &dice.noise(100)),
        6 => body(8, &[4, 0, 0, 0, 1, 2, 3, 4]),
        7 => {
            let len = dice.below(300);
            body(5, &dice.noise(len))
        }
        _ => {
            let len = 1 + dice.below(64);
            dice.noise(len)
        }
    }
}
