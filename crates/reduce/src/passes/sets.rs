//! Device sets by number, so that a sounding needs two bytes for the devices that claim it.

use crate::DeviceSet;
use std::collections::BTreeMap;

/// Device sets by number, growing with the unions that copies need.
#[derive(Debug, Default)]
pub(crate) struct SetTable {
    sets: Vec<DeviceSet>,
    numbers: BTreeMap<DeviceSet, u16>,
}

impl SetTable {
    /// Of different sets; at most 65,535: with more, the surplus counts as the first.
    pub(crate) fn new(mut sets: Vec<DeviceSet>) -> Self {
        sets.sort_unstable();
        sets.dedup();
        sets.truncate(usize::from(u16::MAX));
        let numbers = sets.iter().enumerate().map(|(i, s)| (*s, i as u16)).collect();
        Self { sets, numbers }
    }

    pub(crate) fn of(&self, number: u16) -> DeviceSet {
        self.sets.get(usize::from(number)).copied().unwrap_or_default()
    }

    pub(crate) fn number(&self, set: &DeviceSet) -> u16 {
        self.numbers.get(set).copied().unwrap_or_default()
    }

    /// Gives `set` a number if it has none and one is left.
    pub(crate) fn learn(&mut self, set: DeviceSet) {
        if self.numbers.contains_key(&set) {
            return;
        }
        if let Ok(n) = u16::try_from(self.sets.len()) {
            self.sets.push(set);
            self.numbers.insert(set, n);
        }
    }

    /// The number of the set that holds both; new if need be.
    pub(crate) fn union(&mut self, a: u16, b: u16) -> u16 {
        let both = self.of(a).union(self.of(b));
        self.learn(both);
        // A full table keeps the first set: devices are then counted too low, never soundings.
        self.numbers.get(&both).copied().unwrap_or(a)
    }

    /// Whether sets may have got no number of their own, so that results hang on who came first.
    pub(crate) fn is_full(&self) -> bool {
        self.sets.len() >= usize::from(u16::MAX)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_full_table_says_so_and_counts_no_new_set() {
        let pairs = (0..=255u8).flat_map(|a| (0..=255u8).map(move |b| DeviceSet::one(a).with(b)));
        let triples = (0..=255u8).flat_map(|a| (0..a).map(move |b| DeviceSet::one(a).with(b).with(b / 2)));
        let mut sets = SetTable::new(pairs.chain(triples).collect());
        assert!(!sets.is_full());
        let three = DeviceSet::one(1).with(2).with(3);
        sets.learn(three);
        assert_eq!(sets.of(sets.number(&three)), three);
        for d in 0..=255u8 {
            for e in 0..=255u8 {
                sets.learn(three.with(d).with(e));
            }
        }
        assert!(sets.is_full());
        let last = DeviceSet::one(250).with(251).with(252).with(253).with(254);
        let (a, b) = (sets.number(&DeviceSet::one(250)), sets.number(&DeviceSet::one(251).with(252)));
        let n = sets.union(a, b);
        assert!(sets.of(n).len() < 4 && sets.number(&last) == 0);
    }
}
