//! Restored backups, forks, copied nonces, and one log imported twice.

use crate::replica::Replica;
use crate::world::{Pen, admit, body, claim, claim_of, founding, key, leg, setup, signed, stage, survey};
use leadline_logbook::{Limits, Op, Refusal, Role, StripError, unpack_claimed};

fn crew() -> (Replica, Pen) {
    let mut one = Pen::new(1, 1);
    let founded = [one.write(Op::Found(founding())), one.write(admit(2, Role::Contributor))];
    (Replica::with(survey(), &founded), Pen::new(2, 1))
}

#[test]
fn a_restored_backup_goes_on_under_a_new_epoch() {
    let (mut r, mut two) = crew();
    let before = [two.write(claim(0, "Heron")), two.write(claim(1, "Heron")), two.write(stage(3))];
    r.offer(&before);
    // The backup is from before the last two; it goes on under a new epoch with its first number.
    let mut restored = Pen::new(2, 2);
    let after = [restored.write(claim(2, "Heron")), restored.write(stage(4))];
    let o = r.offer(&after);
    assert_eq!((o.accepted.len(), o.refused.len()), (2, 0));
    let mut third = Pen::new(3, 1);
    let mut one = Pen::new(1, 2);
    let o = r.offer(&[third.write(stage(9)), one.write(admit(3, Role::Contributor))]);
    assert_eq!((o.accepted.len(), o.refused.len()), (2, 0), "and keeps nobody else out");
    let logs: Vec<_> = r.reading().have.0.iter().filter(|l| l.device == key(2).id()).map(|l| l.top).collect();
    assert_eq!(logs, [3, 2]);
}

/// The worse case: the restored copy does not know, and uses the same places again.
#[test]
fn the_same_place_twice_keeps_both() {
    let (mut r, mut two) = crew();
    let place = two.next_envelope();
    let first = two.write(setup("Heron", 300, vec![]));
    let second = two.fork(place, setup("Heron", 400, vec![]));
    assert_eq!(r.offer(&[first]).accepted.len(), 1);
    assert_eq!(r.offer(&[second]).accepted.len(), 1);
    let reading = r.reading();
    let drafts: Vec<_> = reading
        .survey
        .said
        .values()
        .filter_map(|s| if let Op::Setup { setup, .. } = &s.what { setup.draft_mm } else { None })
        .collect();
    assert_eq!(drafts.len(), 2, "both show, though device, epoch, number and nonce are one: {drafts:?}");
}

#[test]
fn of_nine_contents_at_one_place_the_ninth_is_refused() {
    let (mut r, two) = crew();
    let place = two.next_envelope();
    let nine: Vec<_> = (0..9).map(|n| two.fork(place, stage(n))).collect();
    let o = r.offer(&nine);
    assert_eq!((o.accepted.len(), o.refused), (8, vec![Refusal::Fork]));
    // In a later batch too, and the next place is free.
    assert_eq!(r.offer(&[two.fork(place, stage(99))]).refused, [Refusal::Fork]);
    let mut next = place;
    next.seq = 2;
    next.prev = r.places().iter().find(|p| p.device == two.id()).expect("held").id;
    assert_eq!(r.offer(&[two.fork(next, stage(100))]).accepted.len(), 1);
}

/// A member copies the nonce of another's entry: both writes stay, under keys of their own.
#[test]
fn a_copied_nonce_hides_nothing() {
    let (mut r, mut two) = crew();
    let honest = two.next_envelope();
    r.offer(&[two.write(setup("Heron", 300, vec![]))]);
    let one = Pen::new(1, 5);
    let mut copied = one.next_envelope();
    copied.nonce = honest.nonce;
    r.offer(&[signed(&one.key, &copied, &body(&[setup("Heron", 9999, vec![])]))]);
    let said = r.reading().survey.said;
    assert_eq!(said.values().filter(|s| matches!(s.what, Op::Setup { .. })).count(), 2);
}

#[test]
fn one_log_on_two_devices_is_one_leg_with_two_claims() {
    let (mut r, mut two) = crew();
    let mut one = Pen::new(1, 3);
    r.offer(&[two.write(claim(0, "Heron")), one.write(claim(0, "the blue one"))]);
    let reading = r.reading();
    let [claims] = &reading.survey.claims.values().collect::<Vec<_>>()[..] else { panic!("one leg") };
    let by: Vec<_> = claims.iter().map(|c| (c.device, c.what.boat.as_str().to_owned())).collect();
    assert_eq!(by.len(), 2);
    assert!(
        by.contains(&(key(1).id(), "the blue one".into())) && by.contains(&(key(2).id(), "Heron".into()))
    );
    for strips in reading.tiles.values() {
        assert_eq!(strips.len(), 1);
    }
}

/// Whoever claims known strips with another count, span, tile or window makes another leg; the true one stays as it
/// is, and the false one's strips do not pass for what it says.
#[test]
fn a_false_claim_of_true_strips_is_another_leg() {
    let limits = Limits::default();
    let packed = leg(0, 60);
    let truth = claim_of(&packed, "Heron");
    assert_eq!(truth.leg(), packed.id);
    let mut lies = Vec::new();
    for spoil in 0..5 {
        let mut c = truth.clone();
        match spoil {
            0 => c.strips[0].count += 1,
            1 => c.strips[0].last_ms += 1,
            2 => c.strips[0].first_ms -= 1,
            3 => c.window.0 += 1,
            _ => c.strips[0].tile = leadline_model::TileId::new(0, 0).expect("tile"),
        }
        assert_ne!(c.leg(), truth.leg());
        let got = unpack_claimed(&packed.strips[0].packed, c.window, &c.strips[0], &limits);
        assert_eq!(got, Err(StripError::Claim), "lie {spoil}");
        lies.push(Op::Leg(c));
    }
    let honest = unpack_claimed(&packed.strips[0].packed, truth.window, &truth.strips[0], &limits);
    assert_eq!(honest.map(|s| s.len() as u32), Ok(truth.strips[0].count));
    let (mut r, mut two) = crew();
    let mut one = Pen::new(1, 3);
    let mut all: Vec<_> = lies.into_iter().map(|l| one.write(l)).collect();
    all.push(two.write(Op::Leg(truth.clone())));
    r.offer(&all);
    let tile = r.reading().tiles.remove(&truth.strips[0].tile).expect("there");
    assert_eq!(tile.get(&truth.leg()), Some(&truth.strips[0]));
}
