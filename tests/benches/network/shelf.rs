//! The least of a store, in memory: strips, and a list of those it wants.

use leadline_model::{Digest, StripDigest, SurveyId, Text};
use leadline_sync::{
    Admission, Answer, Binding, Config, Desk, DeskError, DeviceKey, Have, Holdings, Question, Stored,
};
use std::collections::BTreeMap;
use std::sync::Mutex;

pub(crate) struct Shelf {
    key: DeviceKey,
    strips: Mutex<BTreeMap<StripDigest, Vec<u8>>>,
    wanted: Mutex<Vec<StripDigest>>,
}

impl Shelf {
    /// One that has `count` strips of `size` bytes that do not pack, and one that wants them.
    pub(crate) fn full_and_empty(count: u32, size: usize) -> (Self, Self) {
        let (mut strips, mut rng) = (BTreeMap::new(), 1u32);
        for i in 0..count {
            let mut digest = [0; 32];
            digest[..4].copy_from_slice(&i.to_be_bytes());
            let mut chance = || {
                rng = rng.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (rng >> 24) as u8
            };
            strips.insert(StripDigest(digest), (0..size).map(|_| chance()).collect());
        }
        let wanted = strips.keys().copied().collect();
        let shelf = |seed: u8, strips, wanted| Self {
            key: DeviceKey::from_seed(&[seed; 32]),
            strips: Mutex::new(strips),
            wanted: Mutex::new(wanted),
        };
        (shelf(1, strips, Vec::new()), shelf(2, BTreeMap::new(), wanted))
    }

    fn holdings(&self) -> Holdings {
        let missing = self.wanted.lock().expect("whole").len() as u32;
        Holdings { digest: Digest([7; 32]), missing_strips: missing, entries: 0 }
    }
}

impl Desk for Shelf {
    fn open(&self, binding: Binding) -> Result<(Config, Holdings), DeskError> {
        let name = Text::new("a shelf").map_err(DeskError::new)?;
        Ok((Config::new(SurveyId([5; 16]), &self.key, name, binding), self.holdings()))
    }

    fn answer(&self, question: Question) -> Result<Answer, DeskError> {
        Ok(match question {
            Question::Admit { .. } => Answer::Admitted(Admission::Member),
            Question::Have => Answer::Have(Have::default()),
            Question::Missing(_) => Answer::Missing(Vec::new()),
            Question::Strips { keys, max_bytes } => {
                let strips = self.strips.lock().expect("whole");
                let (mut items, mut bytes) = (Vec::new(), 0);
                for key in keys {
                    let (from, to) = key.range();
                    let strip = strips.range(from..=to).next().map(|(_, s)| s.clone());
                    bytes += strip.as_ref().map_or(0, Vec::len);
                    if bytes > max_bytes && !items.is_empty() {
                        break;
                    }
                    items.push(strip);
                }
                Answer::Items(items)
            }
            Question::Store { strips, .. } => {
                let stored = Stored { strips: strips.len() as u32, ..Stored::default() };
                self.wanted.lock().expect("whole").retain(|w| strips.iter().all(|(d, _)| d != w));
                self.strips.lock().expect("whole").extend(strips);
                Answer::Stored(stored)
            }
            Question::WantedStrips { after, max, .. } => {
                let wanted = self.wanted.lock().expect("whole");
                let later = wanted.iter().filter(|d| after.is_none_or(|a| **d > a));
                Answer::Wanted(later.take(max).copied().collect())
            }
            Question::Holdings => Answer::Holdings(self.holdings()),
            other => return Err(DeskError::new(format!("unexpected {other:?}"))),
        })
    }
}
