//! The crew in real stores: what moves between them are the entries themselves.

use crate::{
    Accepted, Error, Home, InviteText, Role, Store, add_stage, found_survey, invite, join, rotate_secret,
};
use leadline_logbook::{DeviceKey, Op};
use leadline_model::{StageReading, Text, UtcMillis};
use leadline_sync::Admission;
use proptest::prelude::*;
use tempfile::TempDir;

pub(super) const NOW: UtcMillis = UtcMillis(1_788_000_000_000);

pub(super) fn text(s: &str) -> Text {
    Text::new(s).expect("short")
}

pub(super) struct Boat {
    _dir: TempDir,
    pub(super) home: Home,
    pub(super) store: Store,
}

pub(super) fn founder() -> Boat {
    let dir = tempfile::tempdir().expect("a folder");
    let home = Home::open(Some(dir.path())).expect("opens");
    let id = found_survey(&home, &text("Testmere"), &text("zero"), NOW).expect("founds");
    let store = home.store(&id).expect("opens");
    Boat { _dir: dir, home, store }
}

/// A new home joins by an invite of `by`, which admits it as at a meeting.
pub(super) fn joined(by: &mut Boat, role: Role, name: &str) -> Boat {
    let made = invite(&by.home, &mut by.store, role, 1_000_000, vec![], NOW).expect("invites");
    let boat = knocking(&made);
    let key = DeviceKey::from_seed(&made.one_time).id().0;
    let done = by.store.admit(boat.store.device(), text(name), Some(key), NOW).expect("admits");
    assert_eq!(done, Admission::Joined);
    boat
}

fn knocking(made: &InviteText) -> Boat {
    let dir = tempfile::tempdir().expect("a folder");
    let home = Home::open(Some(dir.path())).expect("opens");
    let id = join(&home, made, NOW).expect("joins");
    let store = home.store(&id).expect("opens");
    Boat { _dir: dir, home, store }
}

/// Gives everything in force at `from` to `to`.
fn give(from: &Boat, to: &mut Boat) -> Accepted {
    let held = from.store.entries_in_force().expect("reads");
    let entries = held.iter().map(|e| e.bytes().to_vec()).collect();
    to.store.accept_from(Some(from.store.device()), entries, vec![]).expect("accepts")
}

fn meet(a: &mut Boat, b: &mut Boat) {
    for _ in 0..3 {
        give(a, b);
        give(b, a);
    }
}

pub(super) fn stage(boat: &mut Boat, mm: i32) -> Result<bool, Error> {
    let at = UtcMillis(NOW.0 + i64::from(mm) * 1000);
    add_stage(&mut boat.store, StageReading { gauge: text("jetty"), at, level_mm: mm }, NOW)
}

fn stages_of(reader: &Boat, writer: &Boat) -> usize {
    let said = reader.store.survey_writes().expect("reads").said;
    let device = writer.store.device();
    said.values().filter(|s| s.device == device && matches!(s.what, Op::Stage { .. })).count()
}

fn same(boats: &[&Boat]) {
    let of = |b: &Boat| {
        let digest = b.store.holdings_digest().expect("reads");
        (digest, b.store.survey_writes().expect("reads"), b.store.have().expect("reads"))
    };
    boats.windows(2).for_each(|w| assert_eq!(of(w[0]), of(w[1])));
}

pub(super) fn masked(b: &Boat) -> u64 {
    b.store.counts().expect("counts").masked
}

#[test]
fn a_dismissal_reaches_a_third_device_and_what_comes_later_is_masked() {
    let mut one = founder();
    let mut two = joined(&mut one, Role::Keeper, "two");
    let mut three = joined(&mut one, Role::Contributor, "three");
    meet(&mut one, &mut two);
    meet(&mut one, &mut three);
    stage(&mut two, 1).expect("writes");
    meet(&mut one, &mut two);
    let id = two.store.device();
    one.store.dismiss(&id, text("lost"), NOW).expect("dismisses");
    // It does not know yet, and writes on; the third one takes that before it learns of the dismissal.
    stage(&mut two, 2).expect("writes");
    give(&two, &mut three);
    assert_eq!(stages_of(&three, &two), 2);
    meet(&mut one, &mut three);
    same(&[&one, &three]);
    assert_eq!((masked(&three), stages_of(&three, &two)), (1, 1));
    assert_eq!(three.store.admit(id, text("two"), None, NOW).expect("answers"), Admission::Dismissed);
    // Sent again it is nothing new, so no meeting goes on for it.
    let again = give(&two, &mut three);
    assert_eq!((again.entries, again.masked), (0, 0));
    let first = give(&two, &mut one);
    assert_eq!((first.entries, first.masked), (0, 1));
    // The device itself learns it, says so, and writes nothing more.
    give(&one, &mut two);
    let refused = stage(&mut two, 3).expect_err("is refused").to_string();
    assert!(refused.contains("dismissed") && refused.contains("lost"), "{refused}");
    same(&[&one, &two, &three]);
    // Taken in again, all of it counts.
    assert!(one.store.change_role(&id, Role::Contributor, NOW).expect("admits"));
    meet(&mut one, &mut three);
    meet(&mut one, &mut two);
    meet(&mut two, &mut three);
    same(&[&one, &two, &three]);
    assert_eq!((masked(&one), stages_of(&one, &two)), (0, 2));
    stage(&mut two, 4).expect("writes");
    for b in [&mut one, &mut two, &mut three] {
        assert_eq!(b.store.check().expect("checks").faults, Vec::<String>::new());
    }
}

#[test]
fn roles_bound_what_a_device_writes() {
    let mut one = founder();
    let mut reader = joined(&mut one, Role::Reader, "reader");
    let mut writer = joined(&mut one, Role::Contributor, "writer");
    // Before it has met anybody it does not know that it is one; what it writes then says nothing.
    stage(&mut reader, 1).expect("writes");
    meet(&mut one, &mut reader);
    meet(&mut one, &mut writer);
    meet(&mut one, &mut reader);
    same(&[&one, &reader]);
    assert_eq!(stages_of(&one, &reader), 0);
    assert!(matches!(stage(&mut reader, 2), Err(Error::Reader)));
    assert!(matches!(reader.store.may_measure(), Err(Error::Reader)));
    assert!(reader.store.name_this_device(&text("tablet"), NOW).expect("names"));
    meet(&mut one, &mut reader);
    assert_eq!(one.store.device_named("tablet").expect("finds"), reader.store.device());
    stage(&mut writer, 3).expect("writes");
    let made = invite(&writer.home, &mut writer.store, Role::Reader, 1000, vec![], NOW);
    assert!(matches!(made, Err(Error::NotKeeper)));
    let me = one.store.device();
    assert!(matches!(writer.store.dismiss(&me, text("no"), NOW), Err(Error::NotKeeper)));
    assert!(one.store.change_role(&me, Role::Reader, NOW).is_err(), "the only keeper stays");
    // From reader to contributor: only what comes from then on.
    let id = reader.store.device();
    assert!(one.store.change_role(&id, Role::Contributor, NOW).expect("changes"));
    assert!(!one.store.change_role(&id, Role::Contributor, NOW).expect("changes nothing"));
    meet(&mut one, &mut reader);
    stage(&mut reader, 5).expect("writes");
    meet(&mut one, &mut reader);
    meet(&mut one, &mut writer);
    meet(&mut one, &mut reader);
    same(&[&one, &reader, &writer]);
    assert_eq!(stages_of(&one, &reader), 1);
}

#[test]
fn a_dismissed_keepers_invites_are_worth_nothing() {
    let mut one = founder();
    let mut two = joined(&mut one, Role::Keeper, "two");
    meet(&mut one, &mut two);
    let made = invite(&two.home, &mut two.store, Role::Keeper, 1_000_000, vec![], NOW).expect("invites");
    meet(&mut one, &mut two);
    one.store.dismiss(&two.store.device(), text("lost"), NOW).expect("dismisses");
    let key = DeviceKey::from_seed(&made.one_time).id().0;
    let stranger = knocking(&made).store.device();
    let answer = one.store.admit(stranger, text("x"), Some(key), NOW).expect("answers");
    assert_eq!(answer, Admission::InviteUnknown);
    // A new invite by a keeper takes the dismissed one in again; shown once more it does not.
    let again = invite(&one.home, &mut one.store, Role::Reader, 1_000_000, vec![], NOW).expect("invites");
    let key = DeviceKey::from_seed(&again.one_time).id().0;
    let id = two.store.device();
    assert_eq!(one.store.admit(id, text("two"), Some(key), NOW).expect("admits"), Admission::Joined);
    assert_eq!(one.store.crew().expect("reads").role_of(&id), Some(Role::Reader));
    one.store.dismiss(&id, text("lost again"), NOW).expect("dismisses");
    assert_eq!(one.store.admit(id, text("two"), Some(key), NOW).expect("answers"), Admission::Dismissed);
}

#[test]
fn secrets_are_kept_newest_first_and_out_of_sight() {
    let mut one = founder();
    let id = one.store.survey();
    let first = one.home.secret(&id).expect("reads");
    for generation in 1..=5 {
        assert_eq!(rotate_secret(&one.home, &mut one.store, NOW).expect("changes"), generation);
    }
    let all = one.home.secret_ring(&id).all().expect("reads");
    assert_eq!(all.iter().map(|s| s.generation).collect::<Vec<_>>(), [5, 4, 3, 2]);
    assert_eq!(one.home.secret(&id).expect("reads"), all[0].secret);
    assert!(!one.home.secrets(&id).expect("reads").contains(&first));
    let shown = format!("{all:?}");
    let digits = leadline_model::Digest(all[0].secret).to_string();
    assert!(!shown.contains(&digits[..8]) && shown.contains("generation: 5"), "{shown}");
    let crew = one.store.crew().expect("reads");
    assert_eq!(crew.secret(), Some((5, super::secret_digest(&all[0].secret))));
    // The secret stands in no entry.
    for e in one.store.entries_in_force().expect("reads") {
        assert!(all.iter().all(|s| !e.bytes().windows(32).any(|w| w == s.secret)));
    }
    #[cfg(unix)]
    for file in std::fs::read_dir(one.home.root().join("keys")).expect("lists") {
        use std::os::unix::fs::PermissionsExt;
        let mode = file.expect("a file").metadata().expect("is there").permissions().mode();
        assert_eq!(mode & 0o077, 0);
    }
}

#[test]
fn the_ledger_says_who_lacks_what() {
    let mut one = founder();
    let mut two = joined(&mut one, Role::Keeper, "two");
    meet(&mut one, &mut two);
    let id = two.store.device();
    let digest = one.store.entries_digest().expect("reads");
    one.store.note_peer(&id, &text("two"), NOW, Some(digest), Some(-7_400)).expect("notes");
    stage(&mut one, 1).expect("writes");
    let row = |b: &Boat| {
        let rows = b.store.ledger().expect("reads").rows;
        rows.into_iter().find(|r| r.device == id.to_string()).expect("is in it")
    };
    let r = row(&one);
    assert_eq!((r.lacks, r.ahead, r.clock_s, r.role), (Some(1), 0, Some(-7), Some(Role::Keeper)));
    // A meeting after which this device wrote before it could note it: what stood before still stands.
    one.store.note_peer(&id, &text("two"), NOW, Some(digest), None).expect("notes");
    assert_eq!(row(&one).lacks, Some(1));
    one.store.dismiss(&id, text("sold"), NOW).expect("dismisses");
    let r = row(&one);
    assert_eq!((r.role, r.why.map(|w| w.to_string())), (None, Some("sold".to_owned())));
}

#[test]
fn a_copied_folder_shows_as_a_fork() {
    let mut one = founder();
    let mut two = joined(&mut one, Role::Keeper, "two");
    meet(&mut one, &mut two);
    // The same folder once more, and both write on.
    let copy = tempfile::tempdir().expect("a folder");
    for sub in ["keys", "surveys"] {
        std::fs::create_dir(copy.path().join(sub)).expect("makes");
        for file in std::fs::read_dir(two.home.root().join(sub)).expect("lists") {
            let file = file.expect("a file").path();
            std::fs::copy(&file, copy.path().join(sub).join(file.file_name().expect("named")))
                .expect("copies");
        }
    }
    let home = Home::open(Some(copy.path())).expect("opens");
    let store = home.store(&one.store.survey()).expect("opens");
    let mut clone = Boat { _dir: copy, home, store };
    stage(&mut two, 1).expect("writes");
    stage(&mut clone, 2).expect("writes");
    meet(&mut one, &mut two);
    meet(&mut one, &mut clone);
    let id = two.store.device().to_string();
    let rows = one.store.ledger().expect("reads").rows;
    let forks: Vec<u64> = rows.iter().filter(|r| r.device == id).map(|r| r.forks).collect();
    assert_eq!((forks, stages_of(&one, &two)), (vec![1], 2));
}

#[test]
fn the_crew_takes_256_devices() {
    let mut one = founder();
    let made = invite(&one.home, &mut one.store, Role::Reader, 1_000_000, vec![], NOW).expect("invites");
    let member = |n: u32| {
        let mut device = [7; 32];
        device[..4].copy_from_slice(&n.to_le_bytes());
        let device = leadline_model::DeviceId(device);
        Op::Member(leadline_logbook::Member { device, name: text("buoy"), role: Role::Reader, invite: None })
    };
    one.store.append(vec![(0..255).map(member).collect()], &[], NOW).expect("admits");
    let refused =
        invite(&one.home, &mut one.store, Role::Reader, 1_000_000, vec![], NOW).expect_err("is full");
    assert!(refused.to_string().contains("256"), "{refused}");
    let key = DeviceKey::from_seed(&made.one_time).id().0;
    let answer = one.store.admit(knocking(&made).store.device(), text("x"), Some(key), NOW);
    assert_eq!(answer.expect("answers"), Admission::Full);
    assert!(one.store.have().expect("reads").is_bounded(one.store.limits()));
}

#[test]
fn waiting_is_bounded_for_each_peer() {
    let mut one = founder();
    let stranger = founder();
    let first = stranger.store.entries_in_force().expect("reads")[0].bytes().to_vec();
    // Entries that claim to be of this survey and of devices nobody knows, 60 KB each.
    let junk = |n: u32| {
        let mut e = first.clone();
        e[1..17].copy_from_slice(&one.store.survey().0);
        e[17..21].copy_from_slice(&n.to_le_bytes());
        e.splice(121..121, n.to_le_bytes().into_iter().chain([7; 60_000]));
        e
    };
    let (flood, few) = ((0..400).map(junk).collect::<Vec<_>>(), vec![junk(500), junk(501)]);
    let bound = one.store.limits().waiting;
    assert!(flood.iter().map(Vec::len).sum::<usize>() > bound);
    let done = one.store.accept_from(Some(stranger.store.device()), flood, vec![]).expect("accepts");
    assert!(done.waiting * 60_000 <= bound && done.waiting > 200, "{}", done.waiting);
    // Another peer is not kept out by what the first one sent.
    let done = one.store.accept_from(Some(one.store.device()), few, vec![]).expect("accepts");
    assert_eq!(done.waiting, 2);
}

/// The id does not cover the signature, and nobody's signature is looked at before it is admitted: so a copy that
/// somebody has spoiled waits beside the genuine entry, whichever came first.
#[test]
fn a_spoiled_copy_waits_beside_the_genuine_entry() {
    let mut one = founder();
    let mut two = joined(&mut one, Role::Keeper, "two");
    meet(&mut one, &mut two);
    let mut three = joined(&mut two, Role::Contributor, "three");
    give(&two, &mut three);
    stage(&mut three, 1).expect("writes");
    let of_three = |b: &Boat| -> Vec<Vec<u8>> {
        let all = b.store.entries_in_force().expect("reads");
        all.iter()
            .filter(|e| e.envelope().device == three.store.device())
            .map(|e| e.bytes().to_vec())
            .collect()
    };
    let genuine = of_three(&three);
    let mut spoiled = genuine.clone();
    spoiled.iter_mut().for_each(|e| *e.last_mut().expect("has a signature") ^= 1);
    assert_eq!(
        leadline_logbook::entry_id(&spoiled[0]).expect("an id"),
        leadline_logbook::entry_id(&genuine[0]).expect("an id")
    );
    let from = Some(two.store.device());
    let first = one.store.accept_from(from, spoiled, vec![]).expect("accepts");
    let second = one.store.accept_from(from, genuine.clone(), vec![]).expect("accepts");
    let again = one.store.accept_from(from, genuine.clone(), vec![]).expect("accepts");
    assert_eq!((first.waiting, second.waiting, again.waiting), (genuine.len(), genuine.len(), 0));
    // The admission alone: what waited is judged now.
    give(&two, &mut one);
    assert_eq!(stages_of(&one, &three), 1);
    assert_eq!(one.store.counts().expect("reads").waiting, 0);
    assert_eq!(one.store.counts().expect("reads").quarantined, genuine.len() as u64);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, ..ProptestConfig::default() })]

    /// Four real stores act and meet in any order; when all have met, they hold the same, whoever is out.
    #[test]
    fn stores_that_have_met_hold_the_same(
        acts in proptest::collection::vec((0usize..4, 0usize..4, 0u8..8), 4..24),
    ) {
        let mut boats = vec![founder()];
        for name in ["two", "three", "four"] {
            let new = joined(&mut boats[0], Role::Keeper, name);
            boats.push(new);
        }
        for i in 1..4 {
            let (a, b) = boats.split_at_mut(i);
            meet(&mut a[0], &mut b[0]);
        }
        for (k, (by, on, act)) in acts.into_iter().enumerate() {
            let id = boats[on].store.device();
            let boat = &mut boats[by];
            // Refusals are right for those that know of their dismissal.
            match act {
                0 => drop(boat.store.dismiss(&id, text("x"), NOW)),
                1 => drop(boat.store.change_role(&id, Role::Reader, NOW)),
                2 => drop(boat.store.change_role(&id, Role::Keeper, NOW)),
                3 | 4 => drop(stage(boat, k as i32)),
                _ if by < on => {
                    let (a, b) = boats.split_at_mut(on);
                    meet(&mut a[by], &mut b[0]);
                }
                _ => {}
            }
        }
        for _ in 0..3 {
            for i in 0..4 {
                for j in i + 1..4 {
                    let (a, b) = boats.split_at_mut(j);
                    meet(&mut a[i], &mut b[0]);
                }
            }
        }
        same(&boats.iter().collect::<Vec<_>>());
        for b in &mut boats {
            prop_assert_eq!(b.store.check().expect("checks").faults, Vec::<String>::new());
        }
    }
}
