//! Which meeting is fetching which strip: none is fetched by two at once.

use leadline_model::StripDigest;
use std::collections::{BTreeMap, BTreeSet};

/// The strips under way to this device, by meeting.
#[derive(Debug, Default)]
pub(crate) struct Fetching {
    meetings: u64,
    /// Who fetches it.
    by: BTreeMap<StripDigest, u64>,
    /// What has been fetched from a peer, or was absent there: not to be asked of it again in that meeting.
    tried: BTreeSet<(u64, StripDigest)>,
    /// Times that strips became free again.
    freed: u64,
}

impl Fetching {
    /// The number of a new meeting.
    pub(crate) fn begin(&mut self) -> u64 {
        self.meetings += 1;
        self.meetings
    }

    /// Whether `meeting` may fetch it.
    pub(crate) fn is_free(&self, digest: &StripDigest, meeting: u64) -> bool {
        self.by.get(digest).is_none_or(|m| *m == meeting) && !self.tried.contains(&(meeting, *digest))
    }

    /// From now on these are `meeting`'s to fetch.
    pub(crate) fn reserve(&mut self, digests: &[StripDigest], meeting: u64) {
        self.by.extend(digests.iter().map(|d| (*d, meeting)));
    }

    /// It has come, or was absent: if it is lacking still, another meeting may fetch it.
    pub(crate) fn tried(&mut self, digests: impl Iterator<Item = StripDigest>, meeting: u64) {
        for digest in digests {
            if self.by.get(&digest) == Some(&meeting) {
                self.by.remove(&digest);
            }
            self.tried.insert((meeting, digest));
        }
    }

    /// The peer of `meeting` has these now.
    pub(crate) fn again(&mut self, digests: &[StripDigest], meeting: u64) {
        for digest in digests {
            self.tried.remove(&(meeting, *digest));
        }
    }

    /// What was absent at one peer is looked for at the others.
    pub(crate) fn free(&mut self) {
        self.freed += 1;
    }

    /// The meeting is over: what it did not fetch, others may.
    pub(crate) fn end(&mut self, meeting: u64) {
        let before = self.by.len();
        self.by.retain(|_, m| *m != meeting);
        self.tried.retain(|(m, _)| *m != meeting);
        if self.by.len() < before {
            self.free();
        }
    }

    pub(crate) fn freed(&self) -> u64 {
        self.freed
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_strip_is_fetched_by_one_meeting_until_it_is_there_or_that_one_is_over() {
        let mut f = Fetching::default();
        let (a, b, d) = (f.begin(), f.begin(), StripDigest([1; 32]));
        f.reserve(&[d], a);
        assert!(f.is_free(&d, a) && !f.is_free(&d, b));
        f.tried([d].into_iter(), b);
        assert!(!f.is_free(&d, b), "b never had it to give back");
        f.tried([d].into_iter(), a);
        assert!(!f.is_free(&d, a), "absent there");
        f.again(&[d], b);
        f.reserve(&[d], b);
        assert_eq!(f.freed(), 0);
        f.end(b);
        assert_eq!(f.freed(), 1);
        f.end(a);
        assert!(f.is_free(&d, f.meetings + 1) && f.tried.is_empty());
    }
}
