//! One file a command.

pub(crate) mod adopt;
pub(crate) mod backup;
pub(crate) mod boat;
mod chart;
pub(crate) mod check;
pub(crate) mod compare;
pub(crate) mod coverage;
pub(crate) mod crew;
mod demo;
mod depth;
pub(crate) mod door;
mod export;
mod gauge;
mod import;
mod leave_out;
mod level;
pub(crate) mod mark;
mod parcel;
mod passes;
mod pixels;
pub(crate) mod plan;
pub(crate) mod prune;
mod quality;
pub(crate) mod record;
pub(crate) mod restore;
mod stage;
mod status;
pub(crate) mod structure;
mod survey;
mod sync;
pub(crate) mod trim;
pub(crate) mod verify;
pub(crate) mod view;
mod volume;
pub(crate) mod wants;
mod water;

pub(crate) use chart::ChartArgs;
pub(crate) use export::ExportCommand;
pub(crate) use parcel::ParcelCommand;

use crate::args::{Cli, Command};
use crate::failure::Failure;
use leadline_survey::{Home, Store};
use std::process::ExitCode;

/// Runs the command that was typed.
pub(crate) fn run(cli: &Cli) -> Result<ExitCode, Failure> {
    let done = |r: Result<(), Failure>| r.map(|()| ExitCode::SUCCESS);
    match &cli.command {
        Command::Demo(a) => done(demo::run(cli, a)),
        Command::Survey(c) => done(survey::run(cli, c)),
        Command::Boat(c) => done(boat::run(cli, c)),
        Command::Import(a) => import::run(cli, a),
        Command::Check(a) => check::run(cli, a),
        Command::Record(a) => record::run(cli, a),
        Command::Passes => done(passes::run(cli)),
        Command::LeaveOut(a) => done(leave_out::run(cli, a)),
        Command::TakeBack(a) => done(leave_out::take_back(cli, a)),
        Command::Stage(c) => done(stage::run(cli, c)),
        Command::Gauge(c) => done(gauge::run(cli, c)),
        Command::Water(c) => done(water::run(cli, c)),
        Command::Level(a) => done(level::run(cli, a)),
        Command::Quality => done(quality::run(cli)),
        Command::Status => done(status::run(cli)),
        Command::Depth(a) => done(depth::run(cli, a)),
        Command::Chart(a) => done(chart::run(cli, a)),
        Command::Compare(a) => done(compare::run(cli, a)),
        Command::Structure(a) => done(structure::run(cli, a)),
        Command::Volume(a) => done(volume::run(cli, a)),
        Command::Coverage(a) => done(coverage::run(cli, a)),
        Command::Plan(a) => done(plan::run(cli, a)),
        Command::Export(c) => done(export::run(cli, c)),
        Command::Sync(a) => done(sync::run(cli, a)),
        Command::Crew(c) => done(crew::run(cli, c)),
        Command::Parcel(c) => parcel::run(cli, c),
        Command::Mark(c) => done(mark::run(cli, c)),
        Command::Trim(a) => done(trim::run(cli, a)),
        Command::Verify(a) => verify::run(cli, a),
        Command::Backup(a) => backup::run(cli, a),
        Command::Prune(a) => prune::run(cli, a),
        Command::Restore(a) => restore::run(cli, a),
        Command::View(a) => done(view::run(cli, a)),
        Command::Completions { shell } => done(completions(*shell)),
        Command::Man => done(man()),
    }
}

fn home(cli: &Cli) -> Result<Home, Failure> {
    Ok(Home::open(cli.home.as_deref())?)
}

/// The home and the store of the survey that the command means.
fn open(cli: &Cli) -> Result<(Home, Store), Failure> {
    let home = home(cli)?;
    let id = home.pick(cli.survey.as_deref())?;
    let store = home.store(&id)?;
    Ok((home, store))
}

fn completions(shell: clap_complete::Shell) -> Result<(), Failure> {
    let mut text = Vec::new();
    clap_complete::generate(shell, &mut <Cli as clap::CommandFactory>::command(), "leadline", &mut text);
    crate::talk::say(&String::from_utf8_lossy(&text))
}

fn man() -> Result<(), Failure> {
    let mut text = Vec::new();
    clap_mangen::Man::new(<Cli as clap::CommandFactory>::command())
        .render(&mut text)
        .map_err(Failure::output(std::path::Path::new("standard output")))?;
    crate::talk::say(&String::from_utf8_lossy(&text))
}
