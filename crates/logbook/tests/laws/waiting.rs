//! Entries and admissions in any order; admissions by those who may not.

use crate::replica::Replica;
use crate::world::{Pen, admit, claim, founding, key, stage, survey};
use leadline_logbook::{Op, Role};
use proptest::prelude::*;

#[test]
fn an_admission_brings_what_waited_into_force() {
    let (mut one, mut two) = (Pen::new(1, 1), Pen::new(2, 1));
    let mut r = Replica::with(survey(), &[one.write(Op::Found(founding()))]);
    let theirs = [two.write(claim(0, "Heron")), two.write(stage(4))];
    assert_eq!((r.offer(&theirs).accepted.len(), r.reading().waiting.len()), (0, 2));
    assert!(r.reading().tiles.is_empty());
    let o = r.offer(&[one.write(admit(2, Role::Contributor))]);
    assert_eq!((o.accepted.len(), o.waiting), (3, 0));
    assert!(!r.reading().tiles.is_empty());
}

/// A full table forgets; the entry comes again and is taken then.
#[test]
fn what_was_forgotten_can_come_again() {
    let (mut one, mut two) = (Pen::new(1, 1), Pen::new(2, 1));
    let mut r = Replica::with(survey(), &[one.write(Op::Found(founding()))]);
    let theirs = two.write(stage(4));
    r.offer(std::slice::from_ref(&theirs));
    r.forget_waiting();
    assert_eq!(r.offer(&[one.write(admit(2, Role::Contributor))]).accepted.len(), 1);
    assert_eq!(r.offer(&[theirs]).accepted.len(), 1);
}

#[test]
fn only_keepers_admit() {
    let (mut one, mut two, mut seven) = (Pen::new(1, 1), Pen::new(2, 1), Pen::new(7, 1));
    let mut r =
        Replica::with(survey(), &[one.write(Op::Found(founding())), one.write(admit(2, Role::Contributor))]);
    // By a stranger, of itself; by a contributor.
    let o = r.offer(&[seven.write(admit(7, Role::Keeper)), two.write(admit(7, Role::Keeper))]);
    assert_eq!((o.accepted.len(), o.waiting), (1, 1));
    assert!(!r.reading().crew.admits(&key(7).id()));
    // Once 2 is a keeper, what it said before counts, and the stranger's entries come in.
    let o = r.offer(&[one.write(admit(2, Role::Keeper))]);
    assert_eq!((o.accepted.len(), o.waiting), (2, 0));
    assert!(r.reading().crew.is_keeper(&key(7).id()));
}

/// 1 admits 2, 2 admits 3 … each a keeper: the longest chain a batch can hold, offered from its far end.
#[test]
fn long_chains_of_admissions() {
    let mut all = vec![Pen::new(1, 1).write(Op::Found(founding()))];
    all.extend((1..=200).map(|n| Pen::new(n, 7).write(admit(n + 1, Role::Keeper))));
    all.reverse();
    let r = Replica::with(survey(), &all);
    assert_eq!(r.reading().crew.members().len(), 201);
    assert_eq!(r.reading().in_force.len(), 201);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    /// Any set of admissions among six devices, noted in any order, makes the same crew.
    #[test]
    fn crews_do_not_depend_on_order(
        said in proptest::collection::vec((1u8..7, 1u8..7, 0usize..3), 1..14), seed: u64,
    ) {
        let mut pens: Vec<Pen> = (0..8).map(|n| Pen::new(n, 1)).collect();
        let mut all = vec![pens[1].write(Op::Found(founding()))];
        let roles = [Role::Reader, Role::Contributor, Role::Keeper];
        all.extend(said.iter().map(|(by, whom, role)| pens[usize::from(*by)].write(admit(*whom, roles[*role]))));
        let one = Replica::with(survey(), &all).reading();
        let mut turned = all.clone();
        turned.rotate_left(seed as usize % all.len());
        if seed & 1 << 40 != 0 { turned.reverse(); }
        let mut r = Replica::new(survey());
        turned.iter().for_each(|b| drop(r.offer(std::slice::from_ref(b))));
        prop_assert_eq!(r.reading(), one);
    }
}
