//! What a source says, before anything is recorded: kinds of sentences, rates, talkers, what the depths are measured
//! from, and what is missing.

use crate::stream::{self, Arrival, Brought};
use crate::{Error, Source};
use leadline_ingest::nmea::DepthKind;
use leadline_ingest::{Good, Importer, Options, Pulse, Report};
use leadline_model::DepthFrom;
use std::io::Read;
use std::path::Path;
use std::time::{Duration, Instant};
use tokio::sync::mpsc;

const QUEUE: usize = 1_024;
const CHUNK: usize = 1 << 18;

/// What to look at.
pub struct CheckPlan {
    /// Each is looked at for itself.
    pub sources: Vec<Source>,
    /// For so long.
    pub lasts: Duration,
}

/// What was found.
#[derive(Debug)]
pub struct Checked {
    /// The source as typed, or the file.
    pub name: String,
    /// What was last said of the source: how it is open, or why it is not.
    pub words: String,
    /// Whether it was there.
    pub up: bool,
    /// Lines by kind, problems, examples.
    pub report: Report,
    /// Depth, fix and time.
    pub pulse: Pulse,
    /// How long it was listened to, or how long the log lasts, seconds; 0 if that is not known.
    pub seconds: f64,
    /// How long before the end of the look depth, fix and time last came, seconds; of a file nothing.
    pub ages: [Option<f64>; 3],
}

impl Checked {
    /// Who speaks: the first two letters of sentences.
    pub fn talkers(&self) -> Vec<String> {
        let is_sentence = |n: &&str| n.len() == 5 && n.bytes().all(|b| b.is_ascii_alphanumeric());
        let names = self.report.kinds.iter().map(|k| k.name.as_str()).filter(is_sentence);
        let mut talkers: Vec<String> = names.map(|n| n[..2].to_owned()).collect();
        talkers.sort();
        talkers.dedup();
        talkers
    }

    /// How often something that came `count` times comes a second, if that is known.
    pub fn rate(&self, count: u64) -> Option<f64> {
        (self.seconds >= 1.0).then(|| count as f64 / self.seconds)
    }

    /// What the depths are measured from, in words; one for each way they come.
    pub fn references(&self) -> Vec<String> {
        let came = DepthKind::ALL.into_iter().filter(|k| self.pulse.depths[*k as usize] > 0);
        came.map(|k| format!("{}: {}", k.formatter(), self.reference(k))).collect()
    }

    fn reference(&self, kind: DepthKind) -> String {
        let metres = |mm: i16| f64::from(mm.unsigned_abs()) / 1000.0;
        match (kind.from(), self.pulse.offset_mm) {
            (DepthFrom::Transducer, Some(mm)) if mm > 0 => format!(
                "below the transducer; the instrument says that the transducer is {:.2} m under water (a typed --draft wins over it)",
                metres(mm)
            ),
            (DepthFrom::Transducer, Some(mm)) => format!(
                "below the transducer; the instrument says that the keel is {:.2} m lower. The transducer's depth under water is not known: measure it and say it with --draft",
                metres(mm)
            ),
            (DepthFrom::Transducer, None) => {
                "below the transducer. Its depth under water is not known: measure it and say it with --draft"
                    .to_owned()
            }
            (DepthFrom::Surface, _) => "below the water, as set in the instrument".to_owned(),
            _ => "below the keel, as set in the instrument".to_owned(),
        }
    }

    /// What is missing for a map, in words.
    pub fn lacks(&self) -> Vec<&'static str> {
        let p = &self.pulse;
        let mut lacks = Vec::new();
        if self.report.lines == 0 {
            lacks.push("nothing came: check the plug, the speed of the port, and that the instrument sends");
            return lacks;
        }
        if self.report.kinds.is_empty() {
            return lacks;
        }
        if p.all_depths() == 0 {
            lacks.push("no depth: the sounder's output does not come here; give it as a second source");
        }
        if p.fixes == 0 && p.void_fixes > 0 {
            lacks.push("the receiver has no fix: wait under the open sky");
        } else if p.fixes == 0 {
            lacks.push("no position: the receiver's output does not come here; give it as a second source");
        } else if p.dated == 0 {
            lacks.push("no date: switch RMC or ZDA on in the receiver");
        }
        let bad: u64 =
            self.report.problems.iter().filter(|(p, _)| p.code() == "bad-checksum").map(|(_, n)| n).sum();
        if bad * 20 > self.report.lines {
            lacks.push("many lines are damaged on the way: check the wiring and the speed of the port");
        }
        lacks
    }

    /// Kinds that are in no list.
    pub fn unknown(&self) -> u64 {
        self.report.kinds.iter().filter(|k| k.good == Good::NotKnown).map(|k| k.count).sum()
    }
}

/// Looks at the logs of a file: one, packed or not, or all in a ZIP archive.
pub fn check_file(path: &Path) -> Result<Vec<Checked>, Error> {
    let mut all = Vec::new();
    leadline_survey::look_into(path, &mut |name, log| {
        all.push(check_log(name, log)?);
        Ok(())
    })?;
    Ok(all)
}

fn check_log(path: &Path, file: &mut dyn Read) -> std::io::Result<Checked> {
    let mut importer = Importer::new(Options::default());
    let (mut legs, mut chunk) = (Vec::new(), vec![0; CHUNK]);
    loop {
        let n = match file.read(&mut chunk) {
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => continue,
            other => other?,
        };
        if n == 0 {
            break;
        }
        importer.push(&chunk[..n], &mut legs);
        legs.clear();
    }
    let name = leadline_model::escaped(&path.display().to_string());
    let pulse = importer.pulse();
    let seconds = pulse.first.zip(pulse.time).map_or(0.0, |(a, b)| (b.0 - a.0).max(0) as f64 / 1000.0);
    let report = importer.finish(&mut legs);
    Ok(Checked { name, words: "a file".to_owned(), up: true, report, pulse, seconds, ages: [None; 3] })
}

/// Listens to live sources.
pub fn check_sources(plan: &CheckPlan) -> Result<Vec<Checked>, Error> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .map_err(Error::System)?;
    let mut looks: Vec<Look> = plan.sources.iter().map(Look::new).collect();
    runtime.block_on(listen(plan, &mut looks));
    runtime.shutdown_background();
    Ok(looks.into_iter().map(Look::end).collect())
}

async fn listen(plan: &CheckPlan, looks: &mut [Look]) {
    let (to, mut arrivals) = mpsc::channel(QUEUE);
    for (number, source) in plan.sources.iter().enumerate() {
        stream::start(source, number, to.clone());
    }
    drop(to);
    let over = tokio::time::sleep(plan.lasts);
    tokio::pin!(over);
    loop {
        tokio::select! {
            biased;
            () = &mut over => return,
            _ = tokio::signal::ctrl_c() => return,
            arrival = arrivals.recv() => match arrival {
                Some(arrival) => looks[arrival.source].take(arrival),
                None => return,
            },
        }
    }
}

struct Look {
    name: String,
    words: String,
    up: bool,
    importer: Importer,
    pulse: Pulse,
    begun: Instant,
    first: Option<Instant>,
    last: [Option<Instant>; 3],
}

impl Look {
    fn new(source: &Source) -> Self {
        Self {
            name: source.to_string(),
            words: "it was not opened in time".to_owned(),
            up: false,
            importer: Importer::new(Options::default()),
            pulse: Pulse::default(),
            begun: Instant::now(),
            first: None,
            last: [None; 3],
        }
    }

    fn take(&mut self, arrival: Arrival) {
        match arrival.what {
            Brought::Lines(lines) => self.lines(&lines),
            Brought::Up(words) => (self.up, self.words) = (true, words),
            Brought::Lost(why, _) => self.words = why,
            Brought::Failed(why) => self.words = why,
            Brought::Dropped(_) | Brought::Ended => {}
        }
    }

    fn lines(&mut self, lines: &[u8]) {
        let now = Instant::now();
        self.first = self.first.or(Some(now));
        self.importer.push(lines, &mut Vec::new());
        let pulse = self.importer.pulse();
        let moved = [
            pulse.all_depths() > self.pulse.all_depths(),
            pulse.fixes > self.pulse.fixes,
            pulse.dated > self.pulse.dated,
        ];
        for (last, _) in self.last.iter_mut().zip(moved).filter(|(_, moved)| *moved) {
            *last = Some(now);
        }
        self.pulse = pulse;
    }

    fn end(self) -> Checked {
        let end = Instant::now();
        let seconds = (end - self.first.unwrap_or(self.begun)).as_secs_f64();
        let ages = self.last.map(|l| l.map(|t| (end - t).as_secs_f64()));
        let pulse = self.importer.pulse();
        let report = self.importer.finish(&mut Vec::new());
        Checked { name: self.name, words: self.words, up: self.up, report, pulse, seconds, ages }
    }
}
