//! Two devices whose have-lists name fifty devices meet, and nothing is new: every byte, over real sockets.

use crate::common::{NOW, text};
use crate::legs::joined;
use crate::meeting_full::meet_on_loopback;
use leadline_model::{StageReading, UtcMillis};
use leadline_survey::{Home, SurveyDesk, add_stage, found_survey};
use leadline_sync::HELLO_NAME_BYTES;
use std::path::Path;

pub(crate) fn nothing_new(dir: &Path, devices: usize) {
    let named = |n: usize| {
        let home = Home::open(Some(&dir.join(format!("device-{n}")))).expect("a home");
        // As long as a name in a hello can be: the worst case.
        let name = format!("{n:0width$}", width = HELLO_NAME_BYTES);
        home.name_device(&text(&name)).expect("named");
        home
    };
    let first = named(0);
    let id = found_survey(&first, &text("Bench"), &text("datum"), NOW).expect("founded");
    let hub = SurveyDesk::new(&first, id).expect("a desk");
    let mut homes = Vec::new();
    for n in 1..devices {
        drop(named(n));
        let home = joined(&dir.join(format!("device-{n}")), &first, &id);
        let desk = SurveyDesk::new(&home, id).expect("a desk");
        // Admitted by the first meeting, heard of by all after the second.
        super::meet(&desk, &hub);
        let at = UtcMillis(NOW.0 + n as i64 * 60_000);
        let reading = StageReading { gauge: text("weir"), at, level_mm: n as i32 };
        add_stage(&mut home.store(&id).expect("a store"), reading, NOW).expect("written");
        super::meet(&desk, &hub);
        homes.push(home);
    }
    let (one, other) = (&homes[0], homes.last().expect("some"));
    let (a, b) = (SurveyDesk::new(one, id).expect("a desk"), SurveyDesk::new(other, id).expect("a desk"));
    let (before, _) = super::meet(&a, &b);
    let logs = |home: &Home| home.store(&id).expect("a store").have().expect("read").0.len();
    let lists = (logs(one), logs(other));
    assert!(before.same_entries && lists == (devices, devices), "{before:?} {lists:?}");
    let (s, seconds) = meet_on_loopback(one, other, id);
    assert!(s.was_equal, "{s:?}");
    println!("| devices in both have-lists | B sent | B received | together | round trips | s |");
    println!("|---|---|---|---|---|---|");
    let together = s.bytes_sent + s.bytes_received;
    println!(
        "| {devices} | {} | {} | {together} | {} | {seconds:.3} |",
        s.bytes_sent, s.bytes_received, s.round_trips
    );
    println!(
        "\nCounted: all frames of the meeting's stream in both directions, each with its length (4 bytes). Not counted: TCP, the Noise handshake, yamux, and the choice of the stream protocol. Names of {HELLO_NAME_BYTES} bytes, the longest a hello carries."
    );
}
