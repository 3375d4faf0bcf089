//! Dismissal, change of role, admission again: in any order, by anybody, with forks.

use crate::replica::Replica;
use crate::world::{Pen, admit, claim, founding, key, setup, stage, survey, text};
use leadline_logbook::{Cut, Entry, Limits, Op, Role, Standing, WriteRef};
use leadline_model::{DeviceId, Digest, EntryId, Epoch};
use proptest::prelude::*;

fn cut(e: &Entry) -> Cut {
    let p = e.place();
    Cut { epoch: p.epoch, seq: p.seq, id: p.id }
}

fn word(device: u8, role: Option<Role>, cuts: &[Cut], replaces: Vec<WriteRef>) -> Op {
    Op::Standing(Standing {
        device: key(device).id(),
        role,
        cuts: cuts.to_vec(),
        why: text("sold"),
        replaces,
    })
}

fn refs(e: &Entry) -> Vec<WriteRef> {
    e.writes().map(|(n, _)| n).collect()
}

fn bytes(entries: &[&Entry]) -> Vec<Vec<u8>> {
    entries.iter().map(|e| e.bytes().to_vec()).collect()
}

/// A founder, 1, with keepers 2 and 3, and the pens of all.
struct Three {
    one: Pen,
    two: Pen,
    three: Pen,
    all: Vec<Entry>,
}

impl Three {
    fn new() -> Self {
        let (mut one, two, three) = (Pen::new(1, 1), Pen::new(2, 1), Pen::new(3, 1));
        let all = vec![
            one.entry(vec![Op::Found(founding())]),
            one.entry(vec![admit(2, Role::Keeper)]),
            one.entry(vec![admit(3, Role::Keeper)]),
        ];
        Self { one, two, three, all }
    }

    fn with(&self, more: &[&Entry]) -> Vec<Vec<u8>> {
        bytes(&self.all.iter().chain(more.iter().copied()).collect::<Vec<_>>())
    }
}

/// All that counts and is shown. What is kept besides (masked, waiting) may depend on the order.
fn shown(r: &Replica) -> impl PartialEq + std::fmt::Debug + use<> {
    let r = r.reading();
    let crew = (r.crew.members().clone(), r.crew.dismissed().clone(), r.crew.secret());
    (r.in_force, r.have, crew, r.survey, r.tiles)
}

/// One reading whichever way round, all at once or one by one.
fn same_in_any_order(all: &[Vec<u8>]) -> Replica {
    let whole = Replica::with(survey(), all);
    for turn in 0..all.len() {
        for back in [false, true] {
            let mut order = all.to_vec();
            order.rotate_left(turn);
            if back {
                order.reverse();
            }
            let mut r = Replica::new(survey());
            order.iter().for_each(|e| drop(r.offer(std::slice::from_ref(e))));
            // What came before its device's admission was kept back only by the order.
            r.offer(&order);
            assert_eq!(shown(&r), shown(&whole), "turned by {turn}, {back}");
        }
    }
    whole
}

#[test]
fn what_lies_beyond_a_cut_is_masked() {
    let mut c = Three::new();
    let (a, b) = (c.two.entry(vec![claim(0, "Heron")]), c.two.entry(vec![stage(1)]));
    let late = c.two.entry(vec![claim(1, "Heron")]);
    let gone = c.one.entry(vec![word(2, None, &[cut(&b)], vec![])]);
    let r = same_in_any_order(&c.with(&[&a, &b, &late, &gone]));
    let reading = r.reading();
    assert!(reading.in_force.contains(&b.id()) && !reading.in_force.contains(&late.id()));
    assert_eq!(reading.survey.claims.len(), 1);
    assert!(!reading.crew.members().contains_key(&key(2).id()));
    assert_eq!(reading.crew.dismissed()[&key(2).id()].why.as_str(), "sold");
    // A have-list does not name it, and nobody is offered it.
    let offered = leadline_logbook::Have::default().missing_of(&r.places());
    assert!(!offered.contains(&late.id()) && offered.contains(&b.id()));
}

#[test]
fn a_fork_below_the_cut_and_another_epoch_are_beyond_it() {
    let mut c = Three::new();
    let a = c.two.entry(vec![stage(1)]);
    let at = c.two.next_envelope();
    let b = c.two.entry(vec![stage(2)]);
    let forked = Entry::sign(&key(2), at, vec![stage(3)], &Limits::default()).expect("sound");
    let other = Pen::new(2, 9).entry(vec![stage(4)]);
    let gone = c.one.entry(vec![word(2, None, &[cut(&b)], vec![])]);
    let r = same_in_any_order(&c.with(&[&a, &b, &forked, &other, &gone]));
    let force = r.reading().in_force;
    assert!(force.contains(&a.id()) && force.contains(&b.id()));
    assert!(!force.contains(&forked.id()) && !force.contains(&other.id()));
}

#[test]
fn a_gap_behind_the_cut_keeps_what_is_below_it_out_until_it_closes() {
    let mut c = Three::new();
    let chain: Vec<Entry> = (0..4).map(|i| c.two.entry(vec![stage(i)])).collect();
    let gone = c.one.entry(vec![word(2, None, &[cut(&chain[3])], vec![])]);
    let mut r = Replica::with(survey(), &c.with(&[&chain[0], &chain[1], &chain[3], &gone]));
    assert!(!r.reading().in_force.contains(&chain[0].id()));
    r.offer(&bytes(&[&chain[2]]));
    assert!(chain.iter().all(|e| r.reading().in_force.contains(&e.id())));
}

#[test]
fn of_several_cuts_the_greater_holds() {
    let mut c = Three::new();
    let (a, b, late) =
        (c.two.entry(vec![stage(1)]), c.two.entry(vec![stage(2)]), c.two.entry(vec![stage(3)]));
    let short = c.one.entry(vec![word(2, None, &[cut(&a)], vec![])]);
    let long = c.three.entry(vec![word(2, None, &[cut(&b)], vec![])]);
    // A cut that names an entry nobody holds holds nothing.
    let vain = Cut { epoch: Epoch([1; 8]), seq: 3, id: EntryId([7; 32]) };
    let vain = c.three.entry(vec![word(2, None, &[vain], vec![])]);
    let force = same_in_any_order(&c.with(&[&a, &b, &late, &short, &long, &vain])).reading().in_force;
    assert!(force.contains(&a.id()) && force.contains(&b.id()) && !force.contains(&late.id()));
}

#[test]
fn mutual_dismissal_puts_both_out_and_nobody_else() {
    let mut c = Three::new();
    let before = c.two.entry(vec![stage(1)]);
    let last = c.all[2].clone();
    let one_says = c.one.entry(vec![word(2, None, &[cut(&before)], vec![])]);
    let two_says = c.two.entry(vec![word(1, None, &[cut(&last)], vec![])]);
    // A dismissed keeper strikes back at the one who dismissed it, not at others; nor can it bring anybody in.
    let revenge = c.two.entry(vec![word(3, None, &[], vec![])]);
    let puppet = c.two.entry(vec![admit(4, Role::Keeper)]);
    let mut four = Pen::new(4, 1);
    let by_puppet = four.entry(vec![word(3, None, &[], vec![])]);
    let r = same_in_any_order(&c.with(&[&before, &one_says, &two_says, &revenge, &puppet, &by_puppet]));
    let reading = r.reading();
    let members: Vec<DeviceId> = reading.crew.members().keys().copied().collect();
    assert_eq!(members, vec![key(3).id()]);
    // Both words are in force, so that everybody learns them; the strike at the third is not.
    assert!(reading.in_force.contains(&one_says.id()) && reading.in_force.contains(&two_says.id()));
    assert!(!reading.in_force.contains(&revenge.id()) && !reading.in_force.contains(&puppet.id()));
    // The third one takes both in again.
    let again = |c: &mut Three, who: u8, by: &Entry, up_to: &Entry| {
        c.three.entry(vec![word(who, Some(Role::Keeper), &[cut(up_to)], refs(by))])
    };
    let (x, y) = (again(&mut c, 2, &one_says, &before), again(&mut c, 1, &two_says, &last));
    let r = same_in_any_order(&c.with(&[&before, &one_says, &two_says, &x, &y]));
    assert_eq!(r.reading().crew.members().len(), 3);
}

#[test]
fn three_that_dismiss_each_other_in_a_circle_are_all_out() {
    let mut c = Three::new();
    let last = c.all[2].clone();
    let (a, b) = (c.two.entry(vec![stage(1)]), c.three.entry(vec![stage(1)]));
    let x = c.one.entry(vec![word(2, None, &[cut(&a)], vec![])]);
    let y = c.two.entry(vec![word(3, None, &[cut(&b)], vec![])]);
    let z = c.three.entry(vec![word(1, None, &[cut(&last)], vec![])]);
    let r = same_in_any_order(&c.with(&[&a, &b, &x, &y, &z]));
    assert!(r.reading().crew.members().is_empty());
    assert!(r.reading().crew.is_founded());
}

#[test]
fn the_founder_can_be_dismissed() {
    let mut c = Three::new();
    let last = c.all[2].clone();
    let gone = c.two.entry(vec![word(1, None, &[cut(&last)], vec![])]);
    let late = c.one.entry(vec![admit(4, Role::Keeper)]);
    let r = same_in_any_order(&c.with(&[&gone, &late]));
    let members: Vec<DeviceId> = r.reading().crew.members().keys().copied().collect();
    let mut expected = vec![key(2).id(), key(3).id()];
    expected.sort();
    assert_eq!(members, expected);
    assert!(r.reading().in_force.contains(&c.all[0].id()));
    // Even a cut that leaves nothing of it: whoever it admitted goes with it, but not the one who speaks.
    let none = Three::new().two.entry(vec![word(1, None, &[], vec![])]);
    let r = same_in_any_order(&c.with(&[&none]));
    assert_eq!(r.reading().crew.members().keys().copied().collect::<Vec<_>>(), vec![key(2).id()]);
    assert!(r.reading().crew.is_founded());
}

#[test]
fn an_admission_again_brings_everything_back() {
    let mut c = Three::new();
    let (a, b) = (c.two.entry(vec![stage(1)]), c.two.entry(vec![claim(1, "Heron")]));
    let gone = c.one.entry(vec![word(2, None, &[cut(&a)], vec![])]);
    let without = c.with(&[&a, &b]);
    let again = c.three.entry(vec![word(2, Some(Role::Contributor), &[cut(&a)], refs(&gone))]);
    let r = same_in_any_order(&c.with(&[&a, &b, &gone, &again]));
    assert_eq!(r.reading().tiles, Replica::with(survey(), &without).reading().tiles);
    assert_eq!(r.reading().crew.role_of(&key(2).id()), Some(Role::Contributor));
    // A plain admission does not lift a dismissal: whoever made it may not have known.
    let plain = c.three.entry(vec![admit(2, Role::Keeper)]);
    let r = same_in_any_order(&c.with(&[&a, &b, &gone, &plain]));
    assert_eq!(r.reading().crew.role_of(&key(2).id()), None);
}

#[test]
fn roles_bound_what_has_effect() {
    let mut c = Three::new();
    let before = c.two.entry(vec![setup("Coot", 300, vec![])]);
    let reader = c.one.entry(vec![word(2, Some(Role::Reader), &[cut(&before)], vec![])]);
    let named = c.two.entry(vec![Op::DeviceName { name: text("phone"), replaces: vec![] }]);
    let leg = c.two.entry(vec![claim(1, "Coot"), stage(3)]);
    let member = c.two.entry(vec![admit(4, Role::Keeper)]);
    let secret = c.two.entry(vec![Op::Secret { generation: 9, digest: Digest([1; 32]) }]);
    let r = same_in_any_order(&c.with(&[&before, &reader, &named, &leg, &member, &secret]));
    let reading = r.reading();
    assert_eq!(reading.crew.members()[&key(2).id()].name.as_str(), "phone");
    assert!(reading.survey.claims.is_empty() && reading.tiles.is_empty());
    assert!(!reading.crew.members().contains_key(&key(4).id()));
    assert_eq!(reading.crew.secret(), None);
    // What it wrote as a keeper counts; what it writes as a reader is passed on and says nothing.
    assert!(reading.survey.said.values().any(|s| matches!(s.what, Op::Setup { .. })));
    assert!(reading.in_force.contains(&leg.id()));
}

#[test]
fn the_greatest_change_of_the_secret_is_in_force() {
    let mut c = Three::new();
    let say = |g, d| Op::Secret { generation: g, digest: Digest([d; 32]) };
    let (a, b) = (c.one.entry(vec![say(1, 9)]), c.two.entry(vec![say(2, 8)]));
    let d = c.three.entry(vec![say(2, 7)]);
    let crew = same_in_any_order(&c.with(&[&a, &b, &d])).reading().crew;
    assert_eq!(crew.secret(), Some((2, Digest([7; 32]))));
    assert!(crew.announces(1, &Digest([9; 32])) && crew.announces(2, &Digest([8; 32])));
    assert!(!crew.announces(2, &Digest([9; 32])));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    /// Whatever keepers and others say of each other, in whatever order it comes, in how many pieces, and however often:
    /// one reading.
    #[test]
    fn one_reading_whatever_the_order(
        acts in proptest::collection::vec((1u8..6, 1u8..6, 0u8..7, any::<u8>()), 1..22),
        order in any::<u64>(),
    ) {
        let mut pens: Vec<Pen> = (0..7).map(|n| Pen::new(n, 1)).collect();
        let mut all = vec![
            pens[1].entry(vec![Op::Found(founding())]),
            pens[1].entry(vec![admit(2, Role::Keeper)]),
            pens[2].entry(vec![admit(3, Role::Keeper)]),
        ];
        for (by, on, act, salt) in acts {
            let cuts: Vec<Cut> = all.iter().filter(|e| e.place().device == key(on).id())
                .filter(|e| e.place().seq <= u64::from(salt % 5)).map(cut).max().into_iter().collect();
            let words: Vec<WriteRef> = all.iter().flat_map(|e| e.writes()).filter(|(_, op)| {
                matches!(op, Op::Standing(s) if s.device == key(on).id())
            }).map(|(n, _)| n).collect();
            let at = pens[usize::from(by)].next_envelope();
            let pen = &mut pens[usize::from(by)];
            let role = [Role::Reader, Role::Contributor, Role::Keeper][usize::from(salt) % 3];
            let said = match act {
                0 => pen.entry(vec![admit(on, role)]),
                1 | 2 => pen.entry(vec![word(on, None, &cuts, vec![])]),
                3 => pen.entry(vec![word(on, Some(role), &cuts, vec![])]),
                4 => pen.entry(vec![word(on, Some(role), &cuts, words)]),
                5 => {
                    let forked = Entry::sign(&key(by), at, vec![stage(i32::from(salt) + 500)], &Limits::default());
                    all.push(pen.entry(vec![stage(i32::from(salt))]));
                    forked.expect("sound")
                }
                _ => pen.entry(vec![claim(salt % 4, "Heron")]),
            };
            all.push(said);
        }
        let all: Vec<Vec<u8>> = all.iter().map(|e| e.bytes().to_vec()).collect();
        let whole = Replica::with(survey(), &all);
        let mut turned = all.clone();
        let mut state = order | 1;
        for i in (1..turned.len()).rev() {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            turned.swap(i, (state >> 33) as usize % (i + 1));
        }
        let mut r = Replica::new(survey());
        for piece in turned.chunks(1 + (order % 4) as usize) {
            r.offer(piece);
        }
        prop_assert_eq!(shown(&r), shown(&whole));
    }
}
