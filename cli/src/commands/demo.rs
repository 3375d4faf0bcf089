//! `demo`: the whole job on the invented water, with real homes, a real meeting and a real parcel.

mod report;
mod weak;

use super::chart::{self, Kind};
use crate::args::{Cli, DemoArgs};
use crate::failure::Failure;
use crate::net::meet_on_this_machine;
use crate::{talk, units};
use indicatif::ProgressBar;
use leadline_chart::{Touch, areas_geojson, cells_csv, contours_geojson};
use leadline_demo_data as water;
use leadline_model::{StageReading, UtcMillis};
use leadline_survey::{
    Home, ImportRequest, Imported, Store, add_stages, apply_levelling, field, found_survey, import_file,
    invite, join, replace_file, set_boat,
};
use std::path::{Path, PathBuf};

/// Level that the picture is drawn for: the water of the last day.
const TODAY_M: f64 = 0.35;
/// Draft of the boat whose touch area is hatched.
const DRAFT_M: f64 = 0.5;

/// One device of the demo.
struct Device {
    home: Home,
    store: Store,
}

pub(crate) fn run(cli: &Cli, a: &DemoArgs) -> Result<(), Failure> {
    let dir = prepare(&a.output)?;
    let bar = talk::bar(100, "making the logs", cli.quiet || cli.json);
    let logs = write_logs(&dir)?;
    bar.set_position(5);

    let mut heron = begin(&dir)?;
    let imported_heron = import(&mut heron, &logs, "Heron", &bar)?;
    let mut plover = joiner(&dir, "plover", "Plover's phone", &mut heron)?;
    let imported_plover = import(&mut plover, &logs, "Plover", &bar)?;
    // Each crew wrote down the gauge on its days.
    let readings = water::stage_readings();
    let (plovers, herons): (Vec<StageReading>, Vec<_>) =
        readings.iter().cloned().partition(|r| r.at.date_text() == "2025-07-19");
    add_stages(&mut heron.store, herons, units::now())?;
    add_stages(&mut plover.store, plovers, units::now())?;

    bar.set_message("the boats meet");
    let meeting = meet_on_this_machine(&heron.home, &plover.home, heron.store.survey())?;
    bar.set_position(55);
    bar.set_message("levelling boats and days");
    let (proposal, ..) = heron.store.propose_levelling()?;
    apply_levelling(&mut heron.store, proposal.levelling.clone(), units::now())?;
    bar.set_position(60);
    bar.set_message("a parcel for the laptop");
    // Heron's levelling is an entry as any other: the next meeting carries it.
    meet_on_this_machine(&heron.home, &plover.home, heron.store.survey())?;
    let laptop = joiner(&dir, "laptop", "Laptop at home", &mut plover)?;
    let parcel = dir.join("thornmere.parcel");
    leadline_survey::write_parcel(&plover.home, &plover.store, &parcel, units::now())?;
    let mut laptop_store = laptop.store;
    let read = leadline_survey::read_parcel(&mut laptop_store, &parcel)?;
    // The laptop's invite was made after the meeting: the second meeting tells Heron, and costs next to nothing.
    meet_on_this_machine(&heron.home, &plover.home, heron.store.survey())?;
    bar.set_position(70);

    bar.set_message("drawing");
    let files = charts(cli, &dir, &[&heron.store, &plover.store, &laptop_store], &bar)?;
    bar.finish_and_clear();
    let told = report::Told {
        dir: &dir,
        imported: [("Heron", imported_heron), ("Plover", imported_plover)],
        meeting,
        proposal,
        parcel: (parcel.clone(), read),
        readings,
        files,
    };
    report::print(cli, &told, &laptop_store)
}

/// A new or empty folder; nothing of anybody's is written over.
fn prepare(dir: &Path) -> Result<PathBuf, Failure> {
    std::fs::create_dir_all(dir).map_err(Failure::output(dir))?;
    let occupied = std::fs::read_dir(dir).map_err(Failure::output(dir))?.next().is_some();
    if occupied {
        return Err(Failure::Input(format!(
            "{} is not empty; name a new folder with -o, or remove that one",
            dir.display()
        )));
    }
    Ok(dir.to_owned())
}

fn write_logs(dir: &Path) -> Result<Vec<(water::DemoLog, PathBuf)>, Failure> {
    let folder = dir.join("logs");
    std::fs::create_dir_all(&folder).map_err(Failure::output(&folder))?;
    water::logs(water::SEED)
        .into_iter()
        .map(|log| {
            let path = folder.join(log.file_name);
            std::fs::write(&path, &log.bytes).map_err(Failure::output(&path))?;
            Ok((log, path))
        })
        .collect()
}

fn begin(dir: &Path) -> Result<Device, Failure> {
    let home = Home::open(Some(&dir.join("heron")))?;
    home.name_device(&field("device name", "Heron's tablet")?)?;
    let id = found_survey(
        &home,
        &field("name", water::WATER_NAME)?,
        &field("datum", water::DATUM_TEXT)?,
        units::now(),
    )?;
    let store = home.store(&id)?;
    Ok(Device { home, store })
}

fn joiner(dir: &Path, folder: &str, name: &str, host: &mut Device) -> Result<Device, Failure> {
    let made = invite(
        &host.home,
        &mut host.store,
        leadline_survey::Role::Keeper,
        leadline_survey::INVITE_MILLIS,
        Vec::new(),
        units::now(),
    )?;
    let home = Home::open(Some(&dir.join(folder)))?;
    home.name_device(&field("device name", name)?)?;
    let id = join(&home, &made.to_string().parse()?, units::now())?;
    let store = home.store(&id)?;
    Ok(Device { home, store })
}

/// The boat's setup as its crew knows it, then its logs.
fn import(
    device: &mut Device,
    logs: &[(water::DemoLog, PathBuf)],
    boat: &str,
    bar: &ProgressBar,
) -> Result<Vec<Imported>, Failure> {
    bar.set_message(format!("{boat} imports"));
    let name = field("boat name", boat)?;
    if let Some(b) = water::boats().iter().find(|b| b.name == boat) {
        let setup = leadline_model::Setup {
            boat: name.clone(),
            from: UtcMillis(946_684_800_000),
            draft_mm: Some(b.draft_mm),
            sound_speed_mm_s: Some(b.sound_speed_mm_s),
            temp_centi: None,
            lag_ms: None,
        };
        set_boat(&mut device.store, setup, units::now())?;
    }
    let mine = logs.iter().filter(|(log, _)| log.boat == boat);
    mine.map(|(log, path)| {
        let request = ImportRequest {
            boat: name.clone(),
            draft_mm: None,
            sound_speed_mm_s: None,
            temp_centi: Some(log.temp_centi),
            date: None,
            now: units::now(),
        };
        let done = import_file(&device.home, &mut device.store, path, &request, &mut |_| {})?;
        bar.inc(5);
        Ok(done)
    })
    .collect()
}

/// What was drawn, and whether every device drew the same bytes.
pub(crate) struct Files {
    pub paths: Vec<PathBuf>,
    pub same_everywhere: bool,
}

/// Every device draws; the files are kept once.
fn charts(cli: &Cli, dir: &Path, stores: &[&Store], bar: &ProgressBar) -> Result<Files, Failure> {
    let mut first: Option<Vec<(&str, Vec<u8>)>> = None;
    let mut same = true;
    for store in stores {
        let drawn = draw_all(cli, store)?;
        bar.inc(8);
        same &= first.as_ref().is_none_or(|f| *f == drawn);
        first.get_or_insert(drawn);
    }
    let mut paths = Vec::new();
    for (name, bytes) in first.unwrap_or_default() {
        let path = dir.join(name);
        replace_file(&path, &bytes)?;
        paths.push(path);
    }
    Ok(Files { paths, same_everywhere: same })
}

fn draw_all(cli: &Cli, store: &Store) -> Result<Vec<(&'static str, Vec<u8>)>, Failure> {
    let computed = store.compute()?;
    let mut info = chart::info(cli, store, &computed, Some(TODAY_M))?;
    info.touch = Some(Touch { draft_m: DRAFT_M, margin_m: chart::TOUCH_MARGIN_M });
    let cells = &computed.reduced.cells;
    let surface = chart::surface(cli, &computed);
    let levels = surface.levels(TODAY_M, info.units);
    let svg = chart::draw(&surface, &info);
    let (mut contours, mut areas, mut csv) = (Vec::new(), Vec::new(), Vec::new());
    contours_geojson(&surface, &info, &levels, &mut contours)
        .and_then(|()| areas_geojson(&surface, &info, &levels, &mut areas))
        .and_then(|()| cells_csv(cells, TODAY_M, &mut csv))
        .map_err(Failure::output(Path::new("the chart")))?;
    Ok(vec![
        ("chart.png", chart::bytes(Kind::Png, &svg)?),
        ("chart.svg", chart::bytes(Kind::Svg, &svg)?),
        ("contours.geojson", contours),
        ("areas.geojson", areas),
        ("cells.csv", csv),
    ])
}
