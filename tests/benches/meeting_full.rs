//! A full meeting of at least 30 MB over real sockets on the loopback network, beside `rsync` of the same items as files.

use crate::common::{NOW, text};
use crate::legs::{filled, joined};
use leadline_logbook::Op;
use leadline_model::{StageReading, SurveyId, UtcMillis};
use leadline_net::{Event, Plan, Summary, Who, parse_addr, run};
use leadline_survey::{Home, Store, SurveyDesk, found_survey};
use leadline_sync::{Answer, Binding, Config, Desk, DeskError, Holdings, Question};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Arc, mpsc};
use std::time::{Duration, Instant};

const RUNS: usize = 3;

/// A desk of which it is told what it took.
struct Timed(SurveyDesk);

impl Desk for Timed {
    fn open(&self, binding: Binding) -> Result<(Config, Holdings), DeskError> {
        self.0.open(binding)
    }

    fn answer(&self, question: Question) -> Result<Answer, DeskError> {
        super::timed(&self.0, question)
    }

    fn version(&self) -> Result<u64, DeskError> {
        self.0.version()
    }

    fn close(&self, meeting: u64) {
        self.0.close(meeting);
    }
}

/// The meeting of two devices in this process over 127.0.0.1; seconds from the open stream to the end on both sides.
pub(crate) fn meet_on_loopback(a: &Home, b: &Home, id: SurveyId) -> (Summary, f64) {
    let secret = a.secret(&id).expect("a secret");
    let plan = |listen: &[&str], with: &[&str]| Plan {
        secrets: Arc::new(move || vec![secret]),
        who: Who::default(),
        listen: listen.iter().map(|s| parse_addr(s).expect("an address")).collect(),
        with: with.iter().map(|s| parse_addr(s).expect("an address")).collect(),
        find: false,
        once: true,
        patience: Some(Duration::from_secs(60)),
    };
    let (desk_a, desk_b) = (SurveyDesk::new(a, id).expect("a desk"), SurveyDesk::new(b, id).expect("a desk"));
    let (tell, told) = mpsc::channel();
    let listening = plan(&["127.0.0.1:0"], &[]);
    let there = std::thread::spawn(move || {
        run(listening, Arc::new(Timed(desk_a)), |e| {
            if let Event::Listening(addr) = e {
                drop(tell.send(addr.to_string()));
            }
        })
    });
    let addr = told.recv().expect("it listens");
    let mut began = Instant::now();
    let mut met = run(plan(&[], &[&addr]), Arc::new(Timed(desk_b)), |e| {
        if let Event::Began(_) = e {
            began = Instant::now();
        }
    })
    .expect("met");
    there.join().expect("ends").expect("met");
    (met.pop().expect("one meeting"), began.elapsed().as_secs_f64())
}

/// All that a full meeting moves, as files: entries and strips, each by its id.
pub(crate) fn as_files(store: &Store, to: &Path) -> u64 {
    let mut bytes = 0;
    for kind in ["entries", "strips"] {
        std::fs::create_dir_all(to.join(kind)).expect("a folder");
    }
    for e in store.entries_in_force().expect("read") {
        std::fs::write(to.join("entries").join(e.id().to_string()), e.bytes()).expect("written");
        bytes += e.bytes().len() as u64;
    }
    for d in store.strip_digests().expect("read") {
        let packed = store.packed_strip(&d).expect("read").expect("held");
        std::fs::write(to.join("strips").join(d.to_string()), &packed).expect("written");
        bytes += packed.len() as u64;
    }
    bytes
}

/// Seconds that `rsync` takes to copy a folder to a new one, every file forced to the disk; `None` if there is none.
fn rsync(from: &Path, to: &Path) -> Option<f64> {
    let source = format!("{}/", from.display());
    let began = Instant::now();
    let status = Command::new("rsync").args(["-a", "--fsync", &source]).arg(to).status().ok()?;
    status.success().then(|| began.elapsed().as_secs_f64())
}

/// Meeting and copying by turns; medians.
pub(crate) fn full(dir: &Path, legs: u64) {
    let (a, id) = filled(&dir.join("full-a"), legs);
    let store = a.store(&id).expect("a store");
    let files = dir.join("files");
    let bytes = as_files(&store, &files);
    let (mut meetings, mut copies): (Vec<f64>, Vec<f64>) = (Vec::new(), Vec::new());
    for n in 0..RUNS {
        let b = joined(&dir.join(format!("full-{n}")), &a, &id);
        let (s, seconds) = meet_on_loopback(&a, &b, id);
        assert!(s.same_entries && s.refused.is_empty(), "{s:?}");
        assert_eq!(u64::from(s.strips_new), store.counts().expect("counted").strips);
        meetings.push(seconds);
        super::print_took();
        copies.extend(rsync(&files, &dir.join(format!("copy-{n}"))));
    }
    let counts = store.counts().expect("counted");
    println!("\n| | items | MB | s, median of {RUNS} | MB/s | ratio |\n|---|---|---|---|---|---|");
    let row = |what: &str, s: f64, of: f64| {
        let mb = bytes as f64 / 1e6;
        println!(
            "| {what} | {} | {mb:.1} | {s:.2} | {:.1} | {:.2} |",
            counts.entries + counts.strips,
            mb / s,
            s / of
        );
    };
    let meeting = median(&mut meetings);
    match copies.len() {
        RUNS => {
            let copy = median(&mut copies);
            row("a full meeting over libp2p on loopback", meeting, copy);
            row("rsync -a --fsync of the same items as files", copy, copy);
        }
        _ => {
            row("a full meeting over libp2p on loopback", meeting, meeting);
            println!("rsync is not installed: no comparison");
        }
    }
}

fn median(times: &mut [f64]) -> f64 {
    times.sort_by(f64::total_cmp);
    times[times.len() / 2]
}

/// Writes what a survey of so many legs moves into a folder, for other programs to carry.
pub(crate) fn keep(dir: &Path, legs: u64, to: &Path) {
    let (a, id) = filled(&dir.join("keep"), legs);
    let bytes = as_files(&a.store(&id).expect("a store"), &PathBuf::from(to));
    println!("{bytes} bytes in {}", to.display());
}

/// One entry that the other lacks, among so many.
pub(crate) fn one_missing(dir: &Path, entries: u64) {
    let a = Home::open(Some(&dir.join("many-a"))).expect("a home");
    let id = found_survey(&a, &text("Bench"), &text("datum"), NOW).expect("founded");
    let b = joined(&dir.join("many-b"), &a, &id);
    let mut store = a.store(&id).expect("a store");
    let reading = |n: u64| {
        let at = UtcMillis(NOW.0 + 60_000 * n as i64);
        let reading = StageReading { gauge: text("weir"), at, level_mm: (n % 900) as i32 };
        vec![Op::Stage { reading, replaces: Vec::new() }]
    };
    store.append((1..entries).map(reading).collect(), &[], NOW).expect("written");
    let (first, all) = meet_on_loopback(&a, &b, id);
    let last = store.append(vec![reading(0)], &[], NOW).expect("written").entries[0];
    let entry = store.entry(&last).expect("read").expect("held").len() as u64;
    let (s, seconds) = meet_on_loopback(&a, &b, id);
    assert!(first.same_entries && s.same_entries && s.entries_new == 1, "{s:?}");
    let (again, _) = meet_on_loopback(&a, &b, id);
    println!(
        "\n| entries held by both | first meeting s | one more: B beside the entry | round trips | s | nothing new: B |"
    );
    println!("|---|---|---|---|---|---|");
    println!(
        "| {} | {all:.2} | {} | {} | {seconds:.2} | {} |",
        store.counts().expect("counted").entries - 1,
        s.bytes_sent + s.bytes_received - entry,
        s.round_trips,
        again.bytes_sent + again.bytes_received
    );
}
