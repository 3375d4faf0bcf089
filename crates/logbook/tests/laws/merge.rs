//! Order, grouping, duplication, loss and retry change nothing; merging is commutative, associative, idempotent.

use crate::replica::Replica;
use crate::world::{season, survey};
use leadline_logbook::Role;
use proptest::prelude::*;
use std::sync::OnceLock;

fn all() -> &'static [Vec<u8>] {
    static ALL: OnceLock<Vec<Vec<u8>>> = OnceLock::new();
    ALL.get_or_init(season)
}

fn whole() -> &'static Replica {
    static WHOLE: OnceLock<Replica> = OnceLock::new();
    WHOLE.get_or_init(|| Replica::with(survey(), all()))
}

fn picked(mask: u32) -> Vec<Vec<u8>> {
    all().iter().enumerate().filter(|(i, _)| mask >> i & 1 == 1).map(|(_, b)| b.clone()).collect()
}

/// Numbers of entries in any order, some twice or more, never all of them needed.
fn offers() -> impl Strategy<Value = Vec<usize>> {
    proptest::collection::vec(0..all().len(), 0..40)
}

fn shuffled() -> impl Strategy<Value = Vec<usize>> {
    Just((0..all().len()).collect::<Vec<_>>()).prop_shuffle()
}

#[test]
fn the_season_is_what_the_laws_need() {
    let reading = whole().reading();
    assert_eq!(reading.in_force.len(), all().len() - 2, "all but the outsider's two");
    assert_eq!(reading.waiting.len(), 2);
    let roles: Vec<_> = reading.crew.members().values().map(|m| m.role).collect();
    assert_eq!(roles.iter().filter(|r| **r == Role::Keeper).count(), 2);
    assert_eq!(roles.len(), 4, "{roles:?}");
    assert!(reading.tiles.len() >= 3, "legs cross tiles");
    // Two devices imported log 0, one device log 2 under two epochs: three legs, two claims for two of them.
    let mut claims: Vec<_> = reading.survey.claims.values().map(Vec::len).collect();
    claims.sort_unstable();
    assert_eq!(claims, [1, 2, 2]);
    let fork = reading.have.0.iter().find(|l| !l.extra.is_empty()).expect("the fork shows");
    assert_eq!((fork.top, fork.extra.len()), (5, 1));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, ..ProptestConfig::default() })]

    #[test]
    fn any_order_and_grouping_reads_the_same(order in shuffled(), sizes in proptest::collection::vec(1usize..7, 24)) {
        let mut r = Replica::new(survey());
        let mut rest = &order[..];
        for size in sizes {
            let (group, later) = rest.split_at(size.min(rest.len()));
            r.offer(&group.iter().map(|i| all()[*i].clone()).collect::<Vec<_>>());
            rest = later;
        }
        r.offer(&rest.iter().map(|i| all()[*i].clone()).collect::<Vec<_>>());
        prop_assert_eq!(r.reading(), whole().reading());
    }

    #[test]
    fn loss_and_retry_read_the_same(first in offers(), order in shuffled(), again in offers()) {
        let mut r = Replica::new(survey());
        let bytes = |n: &[usize]| n.iter().map(|i| all()[*i].clone()).collect::<Vec<_>>();
        r.offer(&bytes(&first));
        r.offer(&bytes(&order));
        let outcome = r.offer(&bytes(&again));
        prop_assert!(outcome.accepted.is_empty() && outcome.refused.is_empty());
        prop_assert_eq!(r.reading(), whole().reading());
    }

    #[test]
    fn merging_is_commutative_associative_idempotent(a: u32, b: u32, c: u32) {
        let [a, b, c] = [a, b, c].map(|mask| Replica::with(survey(), &picked(mask)));
        prop_assert_eq!(a.merged(&b).reading(), b.merged(&a).reading());
        prop_assert_eq!(a.merged(&b).merged(&c).reading(), a.merged(&b.merged(&c)).reading());
        prop_assert_eq!(a.merged(&a).reading(), a.reading());
        prop_assert_eq!(a.merged(&b).merged(&b).reading(), a.merged(&b).reading());
    }

    /// What the have-lists say is missing is enough: after three exchanges both hold the same, and the next
    /// exchange is empty.
    #[test]
    fn have_lists_close_the_gap(a: u32, b: u32) {
        let (mut a, mut b) = (Replica::with(survey(), &picked(a | 7)), Replica::with(survey(), &picked(b | 7)));
        for _ in 0..3 {
            let (ha, hb) = (a.reading().have, b.reading().have);
            let give = |from: &Replica, theirs: &leadline_logbook::Have| -> Vec<Vec<u8>> {
                let ids = theirs.missing_of(&from.places());
                ids.iter().filter_map(|id| from.entry(id)).map(|e| e.bytes().to_vec()).collect()
            };
            let (to_b, to_a) = (give(&a, &hb), give(&b, &ha));
            a.offer(&to_a);
            b.offer(&to_b);
        }
        prop_assert_eq!(&a.reading().in_force, &b.reading().in_force);
        prop_assert!(a.reading().have.missing_of(&b.places()).is_empty());
        prop_assert_eq!(a.reading().survey, b.reading().survey);
    }
}
