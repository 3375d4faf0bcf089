//! How many lines of each kind a log has, and what they were good for: so that nothing is dropped silently.

use std::collections::BTreeMap;

/// Kinds counted by name; the rest goes into one number.
const NAMED: usize = 96;
/// Longest name, bytes.
const NAME_BYTES: usize = 64;

/// What lines of one kind were good for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Good {
    /// Looked at for depths, fixes, times or evidence.
    Used,
    /// Known, but a depth survey needs nothing of it.
    NotNeeded,
    /// In no list.
    NotKnown,
}

/// Lines (or values, where one line holds many) of one kind.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Kind {
    /// A sentence's address (`SDDPT`), a message's number (`PGN 128267`) or a path; escaped.
    pub name: String,
    /// What it was good for.
    pub good: Good,
    /// How many.
    pub count: u64,
}

/// Counts kinds.
#[derive(Default)]
pub(crate) struct Kinds {
    /// Names of up to eight bytes, in the order they were first met: logs repeat the same few, so a walk is quick.
    short: Vec<(u64, Good, u64)>,
    long: BTreeMap<(Box<str>, Good), u64>,
    others: u64,
}

impl Kinds {
    /// Counts a name of up to eight bytes; a longer one is cut.
    pub(crate) fn short(&mut self, name: &[u8], good: Good) {
        let mut bytes = [0; 8];
        for (to, from) in bytes.iter_mut().zip(name) {
            *to = *from;
        }
        let key = u64::from_be_bytes(bytes);
        let room = self.short.len() < NAMED;
        match self.short.iter_mut().find(|(k, g, _)| *k == key && *g == good) {
            Some((_, _, n)) => *n += 1,
            None if room => self.short.push((key, good, 1)),
            None => self.others += 1,
        }
    }

    /// Counts a message of the bus.
    pub(crate) fn number(&mut self, pgn: u32, good: Good) {
        // A message's number has at most six digits.
        self.short(pgn.to_string().as_bytes(), good);
    }

    /// Counts a path.
    pub(crate) fn path(&mut self, path: &str, good: Good) {
        let end = path.char_indices().map(|(i, _)| i).take_while(|i| *i <= NAME_BYTES).last().unwrap_or(0);
        let name = if path.len() <= NAME_BYTES { path } else { &path[..end] };
        let key = (Box::from(name), good);
        let room = self.long.len() < NAMED;
        match self.long.get_mut(&key) {
            Some(n) => *n += 1,
            None if room => drop(self.long.insert(key, 1)),
            None => self.others += 1,
        }
    }

    /// Most frequent first; names prefixed by `prefix`.
    pub(crate) fn list(&self, prefix: &str) -> Vec<Kind> {
        let word = |key: u64| {
            let bytes = key.to_be_bytes();
            let end = bytes.iter().position(|b| *b == 0).unwrap_or(8);
            leadline_model::escaped(&String::from_utf8_lossy(&bytes[..end]))
        };
        let short = self.short.iter().map(|(key, good, n)| (format!("{prefix}{}", word(*key)), *good, *n));
        let long = self.long.iter().map(|((p, good), n)| (leadline_model::escaped(p), *good, *n));
        let mut all: Vec<Kind> =
            short.chain(long).map(|(name, good, count)| Kind { name, good, count }).collect();
        all.sort_by(|a, b| b.count.cmp(&a.count).then_with(|| (a.good, &a.name).cmp(&(b.good, &b.name))));
        if self.others > 0 {
            all.push(Kind { name: "others".to_owned(), good: Good::NotKnown, count: self.others });
        }
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn kinds_are_bounded_and_add_up() {
        let mut k = Kinds::default();
        for i in 0..1_000u32 {
            k.number(i, Good::NotNeeded);
            k.path(&format!("{}é{i}", "x".repeat(63)), Good::NotKnown);
        }
        let all = k.list("PGN ");
        assert!(all.len() <= 2 * NAMED + 1, "{}", all.len());
        assert_eq!(all.iter().map(|k| k.count).sum::<u64>(), 2_000);
        assert!(all.iter().any(|k| k.name == "PGN 95"));
    }
}
