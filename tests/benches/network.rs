//! The network: a full meeting through a link of 100 Mbit/s and 20 ms against what the link allows; and how long two
//! devices on a bridge need to find each other. Desks in memory for the first, so that it is the meeting and its
//! carrier that are measured; the program itself in network namespaces for the second (root; a named skip elsewhere).
//!
//! `cargo bench --profile dev -p leadline-tests -p leadline -p leadline-chart --bench network`
#![allow(clippy::print_stdout, reason = "a bench prints its table")]

#[path = "network/bridge.rs"]
mod bridge;
#[path = "network/relay.rs"]
mod relay;
#[path = "network/shelf.rs"]
mod shelf;

use leadline_net::{Event, Node, Settings, Summary, Who, parse_addr};
use relay::Link;
use shelf::Shelf;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::mpsc::{Receiver, channel};

const RATE: f64 = 100e6 / 8.0;
const ROUND_TRIP: Duration = Duration::from_millis(20);
const RUNS: usize = 5;

fn main() {
    println!("| strips | missing MB | s | MB/s | the link alone and 3 round trips, s | ratio |");
    println!("|---|---|---|---|---|---|");
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build();
    let runtime = runtime.expect("a runtime");
    let mut ratios: Vec<f64> = (0..RUNS).map(|_| runtime.block_on(through_a_link(600, 60_000))).collect();
    ratios.sort_by(f64::total_cmp);
    println!(
        "\nMedian ratio of {RUNS} runs: {:.3}, worst {:.3} (goal 1.15)\n",
        ratios[RUNS / 2],
        ratios[RUNS - 1]
    );
    drop(runtime);
    bridge::discovery(20);
}

/// One device lacks all that the other has.
async fn through_a_link(strips: u32, size: usize) -> f64 {
    let (full, empty) = Shelf::full_and_empty(strips, size);
    let (full, empty) = (Arc::new(full), Arc::new(empty));
    let (_giver, mut told) = node(&full, true);
    let at = next(&mut told, |e| if let Event::Listening(a) = e { Some(a) } else { None }).await;
    let port = Link { rate: RATE, one_way: ROUND_TRIP / 2 }.before(&at.to_string());
    let (taker, mut heard) = node(&empty, false);
    taker.dial(parse_addr(&format!("127.0.0.1:{port}")).expect("an address")).await;
    next(&mut heard, |e| matches!(e, Event::Began(_)).then_some(())).await;
    let began = Instant::now();
    let met: Summary = next(&mut heard, |e| match e {
        Event::Met { summary, .. } => Some(summary),
        Event::Failed { why, .. } => panic!("{why}"),
        _ => None,
    })
    .await;
    let s = began.elapsed().as_secs_f64();
    assert_eq!(met.strips_new, strips);
    let missing = f64::from(strips) * size as f64;
    let alone = missing / RATE + 3.0 * ROUND_TRIP.as_secs_f64();
    println!(
        "| {strips} | {:.1} | {s:.2} | {:.1} | {alone:.2} | {:.3} |",
        missing / 1e6,
        missing / 1e6 / s,
        s / alone
    );
    s / alone
}

fn node(desk: &Arc<Shelf>, listen: bool) -> (Node, Receiver<Event>) {
    let (events, came) = channel(256);
    let listen = listen.then(|| parse_addr("127.0.0.1:0").expect("an address")).into_iter().collect();
    let who = Who::default();
    let settings = Settings { secret: [3; 32], listen, find: false, again: None, shy: false, who };
    (Node::start(settings, desk.clone(), events).expect("starts"), came)
}

async fn next<T>(events: &mut Receiver<Event>, mut pick: impl FnMut(Event) -> Option<T>) -> T {
    loop {
        if let Some(t) = pick(events.recv().await.expect("the node runs")) {
            return t;
        }
    }
}
