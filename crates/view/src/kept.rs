//! Answers kept in memory, bounded in bytes: the one not asked for longest goes first.

use axum::body::Bytes;
use std::collections::BTreeMap;
use std::sync::Mutex;

/// What an answer costs beside its bytes, about.
const OVERHEAD: usize = 200;

/// Answers by their address.
#[derive(Debug)]
pub(crate) struct Kept {
    inside: Mutex<Inside>,
    most: usize,
}

#[derive(Debug, Default)]
struct Inside {
    by_key: BTreeMap<String, (u64, Option<Bytes>)>,
    by_age: BTreeMap<u64, String>,
    clock: u64,
    bytes: usize,
}

impl Kept {
    pub(crate) fn new(most: usize) -> Self {
        Self { inside: Mutex::new(Inside::default()), most }
    }

    /// The answer, if it is kept; `Some(None)` = it is known that there is nothing.
    pub(crate) fn get(&self, key: &str) -> Option<Option<Bytes>> {
        let mut i = self.lock();
        i.clock += 1;
        let now = i.clock;
        let (age, found) = i.by_key.get_mut(key).map(|(age, b)| (std::mem::replace(age, now), b.clone()))?;
        i.by_age.remove(&age);
        i.by_age.insert(now, key.to_owned());
        Some(found)
    }

    pub(crate) fn put(&self, key: String, bytes: Option<Bytes>) {
        let size = |b: &Option<Bytes>| b.as_ref().map_or(0, Bytes::len) + OVERHEAD;
        let new = size(&bytes);
        if new > self.most / 4 {
            return;
        }
        let mut i = self.lock();
        i.clock += 1;
        let now = i.clock;
        if let Some((age, old)) = i.by_key.insert(key.clone(), (now, bytes)) {
            i.by_age.remove(&age);
            i.bytes -= size(&old);
        }
        i.by_age.insert(now, key);
        i.bytes += new;
        while i.bytes > self.most {
            let Some((_, oldest)) = i.by_age.pop_first() else { break };
            if let Some((_, old)) = i.by_key.remove(&oldest) {
                i.bytes -= size(&old);
            }
        }
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Inside> {
        self.inside.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_longest_unasked_goes_first() {
        let kept = Kept::new(10_000);
        for i in 0..20 {
            kept.put(format!("{i}"), Some(Bytes::from(vec![0; 1_000])));
            assert!(kept.get("0").is_some(), "asked for each time");
        }
        assert!(kept.get("1").is_none() && kept.get("19").is_some());
        {
            let inside = kept.lock();
            assert!(inside.bytes <= 10_000);
            assert_eq!(inside.by_key.len(), inside.by_age.len());
        }
        kept.put("big".into(), Some(Bytes::from(vec![0; 9_000])));
        assert!(kept.get("big").is_none(), "one answer may not push out all others");
        kept.put("0".into(), None);
        assert_eq!(kept.get("0"), Some(None));
    }
}
