//! `record`: live sources into the survey.

use super::{boat, open};
use crate::args::{Cli, SetupArgs};
use crate::failure::Failure;
use crate::{talk, units};
use clap::Args;
use leadline_model::UtcMillis;
use leadline_record::{Alive, Error, Plan, Recorded, Settled, Source, Status, Told, record};
use leadline_survey::{ImportRequest, field};
use serde_json::{Value, json};
use std::io::{IsTerminal, Write};
use std::process::ExitCode;
use std::time::Duration;

/// What `record` is told.
#[derive(Debug, Args)]
pub(crate) struct RecordArgs {
    /// Where readings come from; several are laid into one log in the order of their arrival
    #[arg(long, required = true, value_name = "SOURCE")]
    pub from: Vec<Source>,
    /// The boat that measures
    #[arg(long, value_name = "NAME")]
    pub boat: String,
    #[command(flatten)]
    pub setup: SetupArgs,
    /// Day of logs that carry no date (UTC), such as 2026-05-01
    #[arg(long, value_name = "UTC")]
    pub date: Option<String>,
    /// End after so many seconds
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    pub seconds: Option<u32>,
}

pub(crate) fn run(cli: &Cli, a: &RecordArgs) -> Result<ExitCode, Failure> {
    let setup = boat::parse(field("boat name", &a.boat)?, UtcMillis(0), &a.setup)?;
    let (home, store) = open(cli)?;
    let plan = Plan {
        sources: a.from.clone(),
        request: ImportRequest {
            boat: setup.boat,
            draft_mm: setup.draft_mm,
            sound_speed_mm_s: setup.sound_speed_mm_s,
            temp_centi: setup.temp_centi,
            date: super::import::date(a.date.as_deref())?,
            now: units::now(),
        },
        lasts: a.seconds.map(|s| Duration::from_secs(u64::from(s))),
    };
    let mut teller = Teller { cli, line: !cli.quiet && std::io::stderr().is_terminal(), told: None };
    if !cli.quiet && !cli.json {
        talk::note("Recording. Ctrl-C ends it; nothing is lost by ending.");
        talk::note(leadline_model::CAUTION);
    }
    let done = record(&home, store, plan, &mut |told| teller.tell(told)).map_err(failure)?;
    teller.clear();
    teller.told.take().map_or(Ok(()), Err)?;
    ended(cli, &done)?;
    if done.imported.report.soundings == 0 {
        talk::error("no sounding was recorded; `leadline check SOURCE` says what a source lacks");
        return Ok(ExitCode::from(1));
    }
    Ok(ExitCode::SUCCESS)
}

pub(crate) fn failure(e: Error) -> Failure {
    match e {
        Error::Survey(e) => Failure::Survey(e),
        Error::Source(why) => Failure::Peer(format!("{why}; `leadline check SOURCE` looks at one")),
        Error::Journal { path, source } => Failure::Output { path, source },
        Error::Kept { .. } => Failure::Store(e.to_string()),
        Error::System(_) => Failure::Input(e.to_string()),
    }
}

fn ended(cli: &Cli, done: &Recorded) -> Result<(), Failure> {
    let r = &done.imported.report;
    if cli.json {
        return line(&json!({
            "event": "ended", "soundings": r.soundings, "legs": done.imported.legs,
            "bytes": done.bytes, "lost_bytes": done.lost,
            "problems": r.problems.iter().map(|(p, n)| (p.code().to_owned(), json!(n))).collect::<serde_json::Map<_, _>>(),
        }));
    }
    talk::say(&format!("Recorded {} soundings in {} legs.", r.soundings, done.imported.legs))?;
    for (p, n) in &r.problems {
        talk::say(&format!("  {n:>7}  {}", p.words()))?;
    }
    if done.lost > 0 {
        talk::say(&format!("  {} bytes were lost because the disk refused them.", done.lost))?;
    }
    talk::say("Next: leadline status   or   leadline chart -o map.png")
}

/// One object in one line, so that a program can read them as they come.
fn line(value: &Value) -> Result<(), Failure> {
    talk::say(&value.to_string())
}

/// Says what happens: on a terminal one line that is written over, with `--json` one line each on stdout.
struct Teller<'a> {
    cli: &'a Cli,
    line: bool,
    /// Output that could not be written; told at the end, as recording goes on without it.
    told: Option<Failure>,
}

impl Teller<'_> {
    fn tell(&mut self, told: Told) {
        if self.cli.json {
            if self.told.is_none() {
                self.told = line(&as_json(&told)).err();
            }
            return;
        }
        match told {
            Told::Status(status) => self.status(&status),
            other => {
                let Some(words) = words(&other) else { return };
                let matters = matches!(other, Told::Warning(_) | Told::Failed(..) | Told::Lost(..));
                if matters || !self.cli.quiet {
                    self.clear();
                    talk::note(&words);
                }
            }
        }
    }

    fn clear(&self) {
        if self.line {
            drop(write!(std::io::stderr().lock(), "\r\x1b[K"));
        }
    }

    fn status(&self, s: &Status) {
        if self.cli.quiet {
            return;
        }
        let text = status_line(self.cli, s);
        let mut err = std::io::stderr().lock();
        drop(if self.line { write!(err, "\r\x1b[K{text}") } else { writeln!(err, "{text}") });
    }
}

/// `14:05:09Z  depth 4.12 m  1.8 m/s  1203 soundings  2 legs`, and what is not alive.
fn status_line(cli: &Cli, s: &Status) -> String {
    let time = s.pulse.time.map_or_else(|| "no time yet".to_owned(), clock);
    let depth = s.pulse.depth.map_or_else(
        || "depth –".to_owned(),
        |(_, mm)| format!("depth {} (as measured)", cli.units.depth(f64::from(mm) / 1000.0)),
    );
    let speed =
        s.pulse.speed_mm_s.map_or_else(String::new, |v| format!("  {:.1} m/s", f64::from(v) / 1000.0));
    let mut text = format!("{time}  {depth}{speed}  {} soundings  {} legs kept", s.soundings, s.legs);
    for (vital, alive, age) in s.vitals {
        match (alive, age) {
            (Alive::Yes, _) => {}
            (_, Some(age)) => {
                text += &format!("  NO {} for {} s", vital.word().to_uppercase(), age.as_secs())
            }
            (_, None) => text += &format!("  no {} yet", vital.word()),
        }
    }
    for source in s.sources.iter().filter(|s| !s.up && !s.ended) {
        text += &format!("  {} is away", source.name);
    }
    text
}

fn clock(t: UtcMillis) -> String {
    let s = t.millis_of_day() / 1000;
    format!("{:02}:{:02}:{:02}Z", s / 3600, s / 60 % 60, s % 60)
}

fn words(told: &Told) -> Option<String> {
    Some(match told {
        Told::Settled(Settled::Closed(i)) => format!(
            "An earlier recording was not ended; it is now: {} soundings in {} legs.",
            i.report.soundings, i.legs
        ),
        Told::Settled(Settled::Left { path, why }) => {
            format!("An earlier recording stays as it is ({}): {why}.", path.display())
        }
        Told::GoesOn { soundings } => {
            format!("The recording of a moment ago goes on; it has {soundings} soundings.")
        }
        Told::Up(name, words) => format!("{name}: {words}."),
        Told::Lost(name, why, again) => {
            format!("{name} is away: {why}. Trying again in {:.1} s.", again.as_secs_f64())
        }
        Told::Ended(name) => format!("{name} has come to its end."),
        Told::Failed(name, why) => format!("{name}: {why}."),
        Told::Leg(leg) => {
            let again = if leg.known { " It was here already." } else { "" };
            format!("Leg {} closed: {} soundings.{again}", leg.window.start().minute_text(), leg.soundings)
        }
        Told::Warning(w) => format!("! {w}."),
        Told::Status(_) => return None,
    })
}

fn as_json(told: &Told) -> Value {
    match told {
        Told::Settled(Settled::Closed(i)) => {
            json!({"event": "settled", "soundings": i.report.soundings, "legs": i.legs})
        }
        Told::Settled(Settled::Left { path, why }) => json!({"event": "left", "path": path, "why": why}),
        Told::GoesOn { soundings } => json!({"event": "goes-on", "soundings": soundings}),
        Told::Up(name, words) => json!({"event": "up", "source": name, "words": words}),
        Told::Lost(name, why, again) => {
            json!({"event": "lost", "source": name, "why": why, "again_s": again.as_secs_f64()})
        }
        Told::Ended(name) => json!({"event": "source-ended", "source": name}),
        Told::Failed(name, why) => json!({"event": "failed", "source": name, "why": why}),
        Told::Leg(leg) => json!({
            "event": "leg", "from": leg.window.start().to_string(), "soundings": leg.soundings, "known": leg.known,
        }),
        Told::Warning(w) => json!({"event": "warning", "code": w.code(), "words": w.to_string()}),
        Told::Status(s) => status_json(s),
    }
}

fn status_json(s: &Status) -> Value {
    let p = &s.pulse;
    let vitals: serde_json::Map<_, _> = s
        .vitals
        .iter()
        .map(|(vital, alive, age)| {
            let alive = match alive {
                Alive::NotYet => "not-yet",
                Alive::Yes => "yes",
                Alive::Stopped => "stopped",
            };
            (vital.word().to_owned(), json!({"alive": alive, "age_s": age.map(|a| a.as_secs_f64())}))
        })
        .collect();
    json!({
        "event": "status", "time": p.time.map(|t| t.to_string()),
        "lon": p.position.map(|p| p.lon), "lat": p.position.map(|p| p.lat),
        "indicated_depth_m": p.depth.map(|(_, mm)| f64::from(mm) / 1000.0),
        "speed_m_s": p.speed_mm_s.map(|v| f64::from(v) / 1000.0),
        "vitals": vitals, "soundings": s.soundings, "legs": s.legs, "bytes": s.bytes, "free_bytes": s.free,
        "leg_closes_in_s": s.leg_closes_in().map(|d| d.as_secs()),
        "sources": s.sources.iter().map(|s| json!({
            "source": s.name, "up": s.up, "ended": s.ended, "bytes": s.bytes, "words": s.words,
        })).collect::<Vec<_>>(),
    })
}
