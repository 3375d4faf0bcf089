//! Cuts: which entries of a logbook still count after a keeper's word on its device.

use crate::{Cut, Place};
use leadline_model::{DeviceId, EntryId};
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};

/// Whoever can tell what lies behind a cut.
pub trait Cuts {
    /// Whether the entry at `place` is the one that `cut` names, or one before it in its unbroken chain.
    fn reaches(&self, cut: &Cut, place: &Place) -> bool;
}

/// Cuts held against entries that can be looked up one by one. Each chain is walked once.
pub struct Chains<F> {
    find: F,
    walked: RefCell<BTreeMap<(DeviceId, EntryId), BTreeSet<EntryId>>>,
}

impl<F: Fn(&EntryId) -> Option<Place>> Chains<F> {
    /// `find` gives the place of an entry that is held, whether in force or not.
    pub fn new(find: F) -> Self {
        Self { find, walked: RefCell::new(BTreeMap::new()) }
    }

    fn walk(&self, device: &DeviceId, cut: &Cut) -> BTreeSet<EntryId> {
        let mut chain = BTreeSet::new();
        let (mut next, mut seq) = (cut.id, cut.seq);
        while seq >= 1
            && let Some(p) = (self.find)(&next)
            && (p.device, p.epoch, p.seq) == (*device, cut.epoch, seq)
        {
            chain.insert(next);
            next = p.prev;
            seq -= 1;
        }
        chain
    }
}

impl<F: Fn(&EntryId) -> Option<Place>> Cuts for Chains<F> {
    fn reaches(&self, cut: &Cut, place: &Place) -> bool {
        if cut.epoch != place.epoch || place.seq > cut.seq {
            return false;
        }
        let mut walked = self.walked.borrow_mut();
        let chain = walked.entry((place.device, cut.id)).or_insert_with(|| self.walk(&place.device, cut));
        chain.contains(&place.id)
    }
}
