//! Meetings that stay on.

use crate::model::*;
use leadline_sync::{Deframer, Failure, Input, Misconduct, PROVISIONAL_BYTES, SILENCE_MS, STALL_MS};

fn full(device: u8, n: u64) -> Store {
    let mut store = Store::default();
    let (entries, strips) = chain(device, n, 200);
    entries.into_iter().for_each(|e| store.add(e));
    strips.into_iter().for_each(|s| store.add_strip(s));
    store
}

/// Entry and strip number `n` of a device's chain.
fn made(device: u8, n: u64) -> (Vec<u8>, Vec<u8>) {
    let (mut entries, mut strips) = chain(device, n, 200);
    (entries.pop().expect("n entries"), strips.pop().expect("n strips"))
}

fn make(end: &mut End, device: u8, n: u64) {
    let (entry, strip) = made(device, n);
    end.store.add(entry);
    end.store.add_strip(strip);
    end.meeting.handle(Input::Stirred);
}

/// How many frames of a kind are among these bytes.
fn frames_of(kind: u8, bytes: &[u8]) -> usize {
    let mut deframer = Deframer::new(1 << 20);
    deframer.push(bytes);
    let mut n = 0;
    while let Some(frame) = deframer.frame().expect("within the limit") {
        n += usize::from(frame[0] == kind);
    }
    n
}

#[test]
fn what_is_made_goes_over_with_its_strips_and_no_new_have_list() {
    for (a, b) in [(full(1, 20), full(2, 30)), (full(1, 20), full(1, 20)), (full(1, 20), Store::default())] {
        let mut pair = Pair::staying(a, b);
        pair.run_for(2000);
        let before = pair.a.in_step.clone().expect("in step");
        assert!(before.same_entries && pair.b.in_step.is_some());
        let have_lists = frames_of(3, &pair.a.sent);
        for n in 1..=3 {
            make(&mut pair.a, 7, n);
            make(&mut pair.b, 8, n);
            pair.run_for(500);
        }
        assert_eq!((pair.a.pushed, pair.a.taken), ((3, 3), (3, 3)));
        assert_eq!((pair.b.pushed, pair.b.taken), ((3, 3), (3, 3)));
        assert_eq!(content(&pair.a.store), content(&pair.b.store));
        assert_eq!(frames_of(3, &pair.a.sent), have_lists, "no further have-list");
        assert_eq!(pair.a.store.entries_twice + pair.b.store.entries_twice, 0, "nothing came back");
        assert_eq!(pair.a.store.strips_twice + pair.b.store.strips_twice, 0);
        pair.run_for(3000);
        assert_eq!(pair.a.meeting.summary().digest, Some(pair.b.store.holdings().digest));
        assert!(pair.a.meeting.summary().same_entries && pair.b.meeting.summary().same_entries);
    }
}

#[test]
fn many_entries_at_once_go_over_in_pages() {
    let mut pair = Pair::staying(full(1, 5), full(1, 5));
    pair.run_for(1000);
    let (entries, strips) = chain(4, 3000, 50);
    entries.into_iter().for_each(|e| pair.a.store.add(e));
    strips.into_iter().for_each(|s| pair.a.store.add_strip(s));
    pair.a.meeting.handle(Input::Stirred);
    pair.run_for(5000);
    assert_eq!(pair.b.taken, (3000, 3000));
    assert_eq!(content(&pair.a.store), content(&pair.b.store));
}

#[test]
fn a_strip_that_comes_later_is_announced_and_fetched() {
    let mut pair = Pair::staying(full(1, 5), full(1, 5));
    pair.run_for(1000);
    // Heard from a third device: the entry first, its strip a while after.
    let (entry, strip) = made(9, 1);
    pair.a.store.add(entry);
    pair.a.meeting.handle(Input::Stirred);
    pair.run_for(1000);
    assert_eq!(pair.b.taken, (1, 0));
    assert_eq!(pair.b.meeting.summary().strips_absent, 1);
    pair.a.store.add_strip(strip);
    pair.a.meeting.handle(Input::Stirred);
    pair.run_for(1000);
    assert_eq!(pair.b.taken, (1, 1));
    assert_eq!(content(&pair.a.store), content(&pair.b.store));
}

#[test]
fn either_leaves_at_any_time_in_order() {
    for at in 0..40 {
        for both in [false, true] {
            let mut pair = Pair::staying(full(1, 20), full(2, 30));
            pair.run_for(100 * (at / 20));
            make(&mut pair.a, 7, 1);
            make(&mut pair.b, 8, 1);
            (0..at % 20).for_each(|_| pair.step());
            pair.a.meeting.handle(Input::Leave);
            if both {
                pair.b.meeting.handle(Input::Leave);
            }
            pair.run();
            let (a, b) = pair.summaries();
            assert!(
                a.entries_new >= 30 && b.entries_new >= 20,
                "{at}: it ends after all that was due: {a:?}"
            );
            let mut again = Pair::new(pair.a.store, pair.b.store);
            again.run();
            assert_eq!(content(&again.a.store), content(&again.b.store));
        }
    }
}

#[test]
fn a_cut_while_staying_on_loses_no_more_than_is_under_way() {
    let (a, b) = (full(1, 20), full(2, 30));
    let mut whole = Pair::staying(a.clone(), b.clone());
    whole.run_for(1000);
    let first = whole.frames;
    for cut in first..first + 12 {
        let mut pair = Pair::staying(a.clone(), b.clone());
        pair.cut_after = Some(cut);
        pair.run_for(1000);
        assert!(pair.a.in_step.is_some());
        make(&mut pair.a, 7, 1);
        pair.run_for(1000);
        make(&mut pair.b, 8, 1);
        pair.run_for(60_000);
        assert!(matches!(pair.a.ended, Some(Err(_))) || matches!(pair.b.ended, Some(Err(_))), "cut {cut}");
        let mut again = Pair::staying(pair.a.store, pair.b.store);
        again.run_for(2000);
        assert_eq!(content(&again.a.store), content(&again.b.store), "cut {cut}");
        assert_eq!((again.a.store.entries.len(), again.a.store.strips.len()), (52, 52));
    }
}

#[test]
fn a_quiet_meeting_stays_and_a_silent_one_is_noticed() {
    let mut pair = Pair::staying(full(1, 5), full(1, 5));
    pair.run_for(3 * STALL_MS);
    assert!(pair.a.ended.is_none() && pair.b.ended.is_none());
    let beats = frames_of(10, &pair.a.sent);
    assert!((100..=130).contains(&beats), "{beats} pings in six minutes");
    // The other end says nothing any more, and closes nothing.
    let now = 3 * STALL_MS;
    for ms in (0..=SILENCE_MS + 200).step_by(100) {
        assert!(pair.a.ended.is_none() || ms > SILENCE_MS - 3100);
        pair.a.tick(now + ms);
    }
    assert_eq!(pair.a.ended, Some(Err(Failure::Silent)));
}

#[test]
fn digests_that_part_without_news_end_the_meeting_so_that_the_next_can_tell_why() {
    let mut pair = Pair::staying(full(1, 5), full(1, 5));
    pair.run_for(1000);
    // In force without being news: a verdict on another device has given it back.
    let (entry, _) = made(9, 1);
    pair.a.store.entries.insert(id_of(&entry), entry);
    make(&mut pair.b, 8, 1);
    pair.run_for(60_000);
    assert!(pair.a.ended.as_ref().is_some_and(Result::is_ok), "{:?}", pair.a.ended);
    let mut again = Pair::staying(pair.a.store, pair.b.store);
    again.run_for(1000);
    assert_eq!(content(&again.a.store).0, content(&again.b.store).0);
}

#[test]
fn entries_that_are_refused_are_no_reason_to_part_again_and_again() {
    let mut a = full(1, 5);
    a.add(entry(9, 1, NO_ENTRY, &[], b"forbidden"));
    let b = Store { refuse: Some(b"forbidden".to_vec()), ..full(1, 5) };
    let mut pair = Pair::staying(a, b);
    pair.run_for(60_000);
    assert!(pair.a.ended.is_none() && pair.a.in_step.is_some());
    make(&mut pair.a, 7, 1);
    pair.run_for(60_000);
    assert!(pair.a.ended.is_none());
    assert_eq!(pair.b.taken, (1, 1));
}

#[test]
fn a_provisional_leg_is_shown_and_kept_by_nobody() {
    let mut pair = Pair::staying(full(1, 5), full(1, 5));
    pair.a.meeting.handle(Input::Provisional(vec![1; 10]));
    pair.run_for(1000);
    assert!(pair.b.shown.is_empty(), "not before both stay on");
    let before = content(&pair.b.store);
    pair.a.meeting.handle(Input::Provisional(vec![2; 10]));
    pair.a.meeting.handle(Input::Provisional(vec![3; PROVISIONAL_BYTES + 1]));
    pair.run_for(1000);
    assert_eq!(pair.b.shown, vec![vec![2; 10]]);
    assert_eq!(content(&pair.b.store), before);
}

#[test]
fn frames_of_staying_on_have_no_place_before() {
    for frame in [vec![12], [&[11][..], &[0; 16]].concat(), [&[13][..], &[0; 32]].concat()] {
        let mut pair = Pair::new(full(1, 5), full(2, 5));
        pair.step();
        pair.step();
        pair.step();
        pair.a.meeting.handle(Input::Frame(frame));
        pair.run_for(100);
        assert_eq!(pair.a.ended, Some(Err(Failure::Peer(Misconduct::Order))));
    }
    // One side that stays on makes no meeting that does.
    let mut pair = Pair::staying(full(1, 5), full(2, 5));
    pair.b = Pair::new(Store::default(), full(2, 5)).b;
    pair.run();
    assert!(pair.a.in_step.is_none() && pair.summaries().0.same_entries);
}

#[test]
fn a_flood_while_staying_on_is_refused() {
    let offers = |n: u32| [&[4][..], &n.to_le_bytes()].concat();
    for frames in [vec![offers(0)], vec![offers(3), offers(3)], vec![vec![9; 45]], vec![vec![12], vec![12]]] {
        let mut pair = Pair::staying(full(1, 5), full(1, 5));
        pair.run_for(1000);
        for frame in frames {
            pair.a.meeting.handle(Input::Frame(frame));
        }
        pair.run_for(5000);
        assert!(pair.a.ended.is_some(), "it ends");
    }
}
