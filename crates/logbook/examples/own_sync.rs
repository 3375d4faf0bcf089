//! What automerge's own sync protocol takes to carry the documents of a survey from one device to another: bytes,
//! messages, rounds, time. Strips are outside of documents and not counted. Rows of docs/performance.md, "A meeting".
//!
//! Twice: with the documents as this program makes them (every entry a change without a predecessor), and with the same
//! contents written by one actor, each entry's change after the one before, as automerge itself would make them.
//!
//! `cargo build --release --workspace --example own_sync`, then `cargo bench --workspace --bench meeting -- own`, which
//! calls it with a folder of entries and the id of the one that is lacking last.
#![allow(clippy::print_stdout, reason = "an example prints its result")]

use automerge::sync::{Message, State, SyncDoc};
use automerge::transaction::Transactable;
use automerge::{ActorId, Automerge, ROOT, ReadDoc, ScalarValue, ValueRef};
use leadline_logbook::{DocChange, DocKey, Entry, Limits, apply, changes_of, peek};
use std::collections::BTreeMap;
use std::path::Path;
use std::time::Instant;

/// The changes of one document, each with the name of its entry.
type Changes = Vec<(String, DocChange)>;

fn main() {
    let mut args = std::env::args().skip(1);
    let dir = args.next().expect("a folder of entries");
    let last = args.next().expect("the id of an entry in it");
    let mut all = changes(Path::new(&dir));
    // Written last, so that the documents without it are a beginning of those with it.
    all.values_mut().for_each(|c| c.sort_by_key(|(id, _)| *id == last));
    for (how, make) in [
        ("automerge's own protocol, each document as it is", as_it_is as fn(&Changes) -> Automerge),
        ("the same, contents in one actor's order", in_one_order),
    ] {
        let full: Vec<_> = all.values().map(make).collect();
        let without = |c: &Changes| c.iter().filter(|(id, _)| *id != last).cloned().collect();
        let most: Vec<_> = all.values().map(|c| make(&without(c))).collect();
        assert_eq!(full.iter().zip(&most).filter(|(f, m)| same(f, m)).count(), full.len() - 1);
        let none = vec![Automerge::new(); full.len()];
        for (lacking, other) in [("everything", none), ("nothing", full.clone()), ("one entry", most)] {
            row(how, lacking, full.clone(), other);
        }
    }
}

fn row(how: &str, lacking: &str, mut full: Vec<Automerge>, mut other: Vec<Automerge>) {
    let (mut bytes, mut messages, mut rounds) = (0, 0, 0);
    let began = Instant::now();
    for (a, b) in full.iter_mut().zip(&mut other) {
        let (b_, m, r) = sync(a, b);
        bytes += b_;
        messages += m;
        rounds = rounds.max(r);
        // As after a meeting: what has come is kept, in memory here.
        b.save();
        assert!(same(a, b));
    }
    let seconds = began.elapsed().as_secs_f64();
    println!("| {how} | {lacking} | {} | {bytes} | {messages} | {rounds} | {seconds:.3} |", full.len());
}

fn same(a: &Automerge, b: &Automerge) -> bool {
    a.get_heads() == b.get_heads()
}

fn changes(dir: &Path) -> BTreeMap<DocKey, Changes> {
    let limits = Limits::default();
    let mut by_doc: BTreeMap<DocKey, Changes> = BTreeMap::new();
    let mut names: Vec<_> = std::fs::read_dir(dir).expect("a folder").flatten().map(|f| f.path()).collect();
    names.sort();
    for name in names {
        let bytes = std::fs::read(&name).expect("an entry");
        let survey = peek(&bytes, &limits).expect("an envelope").survey;
        let entry = Entry::open(&bytes, &survey, |_| true, &limits).expect("sound");
        for (doc, change) in changes_of(&entry, &limits) {
            by_doc.entry(doc).or_default().push((entry.id().to_string(), change));
        }
    }
    by_doc
}

fn as_it_is(changes: &Changes) -> Automerge {
    let only: Vec<_> = changes.iter().map(|(_, c)| c.clone()).collect();
    Automerge::load(&apply(None, &only).expect("applies").saved).expect("loads")
}

/// What each change puts is read out of a document of its own.
fn in_one_order(changes: &Changes) -> Automerge {
    let mut doc = Automerge::new().with_actor(ActorId::from([1; 16]));
    for (_, change) in changes {
        let alone = as_it_is(&vec![(String::new(), change.clone())]);
        let mut tx = doc.transaction();
        for item in alone.map_range(ROOT, ..) {
            let ValueRef::Scalar(value) = item.value else { panic!("documents hold bytes") };
            tx.put(ROOT, item.key.into_owned(), ScalarValue::from(value)).expect("put");
        }
        tx.commit();
    }
    doc
}

/// Bytes, messages and rounds (messages of both at once) until neither has anything to say.
fn sync(a: &mut Automerge, b: &mut Automerge) -> (usize, usize, usize) {
    let (mut state_a, mut state_b) = (State::new(), State::new());
    let (mut bytes, mut messages, mut rounds) = (0, 0, 0);
    loop {
        let (to_b, to_a) = (a.generate_sync_message(&mut state_a), b.generate_sync_message(&mut state_b));
        if to_b.is_none() && to_a.is_none() {
            return (bytes, messages, rounds);
        }
        rounds += 1;
        let mut carry = |message: Message| {
            let encoded = message.encode();
            bytes += encoded.len();
            messages += 1;
            Message::decode(&encoded).expect("decodes")
        };
        let (to_b, to_a) = (to_b.map(&mut carry), to_a.map(&mut carry));
        if let Some(m) = to_b {
            b.receive_sync_message(&mut state_b, m).expect("taken");
        }
        if let Some(m) = to_a {
            a.receive_sync_message(&mut state_a, m).expect("taken");
        }
    }
}
