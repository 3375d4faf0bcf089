//! Replaces stretches of a long list in place: everything that stays is moved once, and nothing is copied aside.

/// Items `from` … `to` (excluded) give way to `n` others.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Edit {
    pub(crate) from: usize,
    pub(crate) to: usize,
    pub(crate) n: usize,
}

/// A stretch that stays.
struct Kept {
    from: usize,
    to: usize,
    len: usize,
}

/// Makes all `edits`, which are in order and do not overlap; `fresh` holds their new items one after the other.
pub(crate) fn splice<T: Copy>(list: &mut Vec<T>, edits: &[Edit], fresh: &[T]) {
    let before = list.len();
    let (kept, after) = kept(edits, before);
    if let Some(filler) = fresh.first().filter(|_| after > before) {
        if list.capacity() < after {
            // Some room, so that not every pass moves the whole list to another place.
            list.reserve_exact(after - before + before / 16);
        }
        list.resize(after, *filler);
    }
    // What moves forward has nothing before it that has still to move backward over it, and the other way round.
    for k in kept.iter().filter(|k| k.to < k.from) {
        list.copy_within(k.from..k.from + k.len, k.to);
    }
    for k in kept.iter().rev().filter(|k| k.to > k.from) {
        list.copy_within(k.from..k.from + k.len, k.to);
    }
    let (mut at, mut taken, mut read) = (0, 0, 0);
    for e in edits {
        at += e.from - read;
        read = e.to;
        if let (Some(gap), Some(items)) = (list.get_mut(at..at + e.n), fresh.get(taken..taken + e.n)) {
            gap.copy_from_slice(items);
        }
        (at, taken) = (at + e.n, taken + e.n);
    }
    list.truncate(after);
}

fn kept(edits: &[Edit], len: usize) -> (Vec<Kept>, usize) {
    let mut kept = Vec::new();
    let (mut from, mut to) = (0, 0);
    for e in edits.iter().copied().chain([Edit { from: len, to: len, n: 0 }]) {
        let len = e.from - from;
        if len > 0 {
            kept.push(Kept { from, to, len });
        }
        (from, to) = (e.to, to + len + e.n);
    }
    (kept, to)
}

/// First index from `from` on whose item is not `before`; quick where that is near. All items that are `before` come
/// first.
pub(crate) fn seek<T>(list: &[T], from: usize, before: impl Fn(&T) -> bool) -> usize {
    let rest = list.get(from..).unwrap_or_default();
    let mut reach = 1;
    while rest.get(reach - 1).is_some_and(&before) {
        reach *= 2;
    }
    let low = reach / 2;
    let window = rest.get(low..reach.min(rest.len())).unwrap_or_default();
    from + low + window.partition_point(before)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn as_if_made_one_by_one(len in 0usize..60, steps in prop::collection::vec((0usize..9, 0usize..5, 0usize..7), 0..12)) {
            let mut list: Vec<usize> = (0..len).collect();
            let mut want = Vec::new();
            let (mut edits, mut fresh, mut read) = (Vec::new(), Vec::new(), 0);
            for (keep, gone, n) in steps {
                let from = (read + keep).min(len);
                let to = (from + gone).min(len);
                want.extend(read..from);
                read = to;
                edits.push(Edit { from, to, n });
                for _ in 0..n {
                    fresh.push(1_000 + fresh.len());
                    want.extend(fresh.last());
                }
            }
            want.extend(read..len);
            splice(&mut list, &edits, &fresh);
            prop_assert_eq!(list, want);
        }

        #[test]
        fn seeks_like_a_search_from_the_start(len in 0usize..50, from in 0usize..60, limit in 0usize..60) {
            let list: Vec<usize> = (0..len).collect();
            let from = from.min(limit).min(len);
            prop_assert_eq!(seek(&list, from, |v| *v < limit), list.partition_point(|v| *v < limit));
        }
    }
}
