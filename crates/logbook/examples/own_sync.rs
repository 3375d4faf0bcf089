//! What automerge's own sync protocol takes to carry the documents of a survey from one device to an empty one: bytes,
//! messages, time. Strips are outside of documents and not counted. For docs/performance.md, section "A meeting".
//!
//! `cargo bench --bench meeting -- keep DIR`, then
//! `cargo run --release --workspace --example own_sync DIR/entries`
#![allow(clippy::print_stdout, reason = "an example prints its result")]

use automerge::Automerge;
use automerge::sync::{State, SyncDoc};
use leadline_logbook::{DocChange, DocKey, Entry, Limits, apply, changes_of, peek};
use std::collections::BTreeMap;
use std::time::Instant;

fn main() {
    let dir = std::env::args().nth(1).expect("a folder of entries");
    let docs = documents(std::path::Path::new(&dir));
    let (mut bytes, mut messages, mut most, mut seconds) = (0, 0, 0, 0.0);
    for saved in &docs {
        let mut full = Automerge::load(saved).expect("loads");
        let mut empty = Automerge::new();
        let began = Instant::now();
        let (b, m) = sync(&mut full, &mut empty);
        // As after a meeting: what has come is kept.
        assert_eq!(Automerge::load(&empty.save()).expect("loads").get_heads(), full.get_heads());
        seconds += began.elapsed().as_secs_f64();
        bytes += b;
        messages += m;
        most = most.max(m);
    }
    println!(
        "{} documents: {bytes} B in {messages} messages (at most {most} a document), {seconds:.2} s",
        docs.len()
    );
}

/// The saved documents that these entries make.
fn documents(dir: &std::path::Path) -> Vec<Vec<u8>> {
    let limits = Limits::default();
    let mut by_doc: BTreeMap<DocKey, Vec<DocChange>> = BTreeMap::new();
    let mut names: Vec<_> = std::fs::read_dir(dir).expect("a folder").flatten().map(|f| f.path()).collect();
    names.sort();
    for name in names {
        let bytes = std::fs::read(name).expect("an entry");
        let survey = peek(&bytes, &limits).expect("an envelope").survey;
        let entry = Entry::open(&bytes, &survey, |_| true, &limits).expect("sound");
        for (doc, change) in changes_of(&entry, &limits) {
            by_doc.entry(doc).or_default().push(change);
        }
    }
    by_doc.values().map(|changes| apply(None, changes).expect("applies").saved).collect()
}

/// Bytes and messages until neither has anything to say.
fn sync(a: &mut Automerge, b: &mut Automerge) -> (usize, usize) {
    let (mut state_a, mut state_b) = (State::new(), State::new());
    let (mut bytes, mut messages) = (0, 0);
    loop {
        let (to_b, to_a) = (a.generate_sync_message(&mut state_a), b.generate_sync_message(&mut state_b));
        if to_b.is_none() && to_a.is_none() {
            return (bytes, messages);
        }
        let mut carry = |message: automerge::sync::Message| {
            let encoded = message.encode();
            bytes += encoded.len();
            messages += 1;
            automerge::sync::Message::decode(&encoded).expect("decodes")
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
