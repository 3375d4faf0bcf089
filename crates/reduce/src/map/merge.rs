//! Old and new passes in one order.

use leadline_model::Pass;
use std::iter::Peekable;

/// Where passes come to stand.
pub(super) struct Merged {
    /// New numbers of the old passes; `None` where one is no more.
    pub(super) numbers: Vec<Option<u32>>,
    /// Numbers of the fresh ones.
    fresh: Vec<u32>,
}

impl Merged {
    /// `old` passes but those that are `gone`, and `fresh` ones, each in order: by first sounding, then boat.
    pub(super) fn of(old: &[Pass], gone: &[bool], fresh: &[Pass]) -> Self {
        let mut merged =
            Self { numbers: Vec::with_capacity(old.len()), fresh: Vec::with_capacity(fresh.len()) };
        let mut fresh = fresh.iter().peekable();
        let mut next = 0u32;
        for (pass, gone) in old.iter().zip(gone) {
            if *gone {
                merged.numbers.push(None);
                continue;
            }
            while fresh.next_if(|f| (f.first, &f.boat) < (pass.first, &pass.boat)).is_some() {
                merged.fresh.push(next);
                next += 1;
            }
            merged.numbers.push(Some(next));
            next += 1;
        }
        merged.fresh.extend((next..).zip(fresh).map(|(n, _)| n));
        merged
    }

    /// Number of the fresh pass that was number `n` among these.
    pub(super) fn fresh_number(&self, n: u32) -> u32 {
        self.fresh.get(n as usize).copied().unwrap_or(u32::MAX)
    }

    /// Merges what is told of each pass.
    pub(super) fn merge<T>(&self, old: &mut Vec<T>, fresh: Vec<T>) {
        let kept = std::mem::take(old).into_iter().zip(&self.numbers).filter_map(|(t, n)| Some(((*n)?, t)));
        let mut kept = kept.peekable();
        for (n, t) in self.fresh.iter().zip(fresh) {
            old.extend(below(&mut kept, *n));
            old.push(t);
        }
        old.extend(kept.map(|k| k.1));
    }
}

fn below<T>(kept: &mut Peekable<impl Iterator<Item = (u32, T)>>, n: u32) -> Vec<T> {
    std::iter::from_fn(|| kept.next_if(|k| k.0 < n)).map(|k| k.1).collect()
}
