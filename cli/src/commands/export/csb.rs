//! `export csb`: soundings given away to the public archive of crowd-sourced bathymetry.

use crate::args::Cli;
use crate::commands::open;
use crate::failure::Failure;
use crate::{files, talk, units};
use leadline_chart::{CsbInfo, CsbSounding, csb_geojson, csb_reference};
use leadline_model::{GridPos, LocalFrame, Sounding, Text};
use leadline_survey::{Computed, Only};
use serde_json::json;
use std::path::PathBuf;

/// Most places whose surroundings stay at home.
const MOST_SKIPPED: usize = 20;
/// Farthest that "near" reaches, metres.
const FARTHEST_M: f64 = 20_000.0;

/// `export csb`
#[derive(Debug, clap::Args)]
pub(crate) struct CsbArgs {
    /// The file (.json or .geojson)
    #[arg(short, long = "output", value_name = "FILE")]
    pub output: PathBuf,
    /// The boat that measured
    #[arg(long)]
    pub boat: String,
    /// The organisation that hands the soundings on to the archive
    #[arg(long, value_name = "TEXT")]
    pub provider: String,
    /// Its address for questions
    #[arg(long, value_name = "ADDR")]
    pub email: String,
    /// Its letters, which lead the boat's id; without it the letters of --provider
    #[arg(long, value_name = "LETTERS")]
    pub node: Option<String>,
    /// Put the boat's name into the file
    #[arg(long)]
    pub name_vessel: bool,
    /// You own these soundings and give them to everybody under CC0 1.0; that cannot be taken back
    #[arg(long)]
    pub i_own_these_and_agree_to_cc0: bool,
    /// Keep back what lies within so many metres of a place, such as a home mooring; may be repeated
    #[arg(long, value_name = "LON,LAT,M", allow_hyphen_values = true)]
    pub skip_near: Vec<String>,
}

pub(crate) fn run(cli: &Cli, a: &CsbArgs) -> Result<(), Failure> {
    let skipped = skips(&a.skip_near)?;
    let boat = Text::new(&a.boat).map_err(|e| Failure::Input(format!("--boat: {e}")))?;
    let (_, mut store) = open(cli)?;
    let computed = store.compute_of(&Only { boat: Some(boat.clone()), ..Only::default() })?;
    let boat = computed.ground.boat(&boat);
    let own = store.own_soundings(&computed, &boat)?;
    if own.is_empty() {
        return Err(Failure::Input(nothing(&computed, &boat)));
    }
    let mut info = info(a, &boat, &computed, &own);
    info.check().map_err(|e| Failure::Input(format!("crowd-sourced bathymetry: {e}")))?;
    let kept: Vec<CsbSounding> = own
        .iter()
        .filter(|s| s.depth_mm > 0 && !skipped.iter().any(|near| near.holds(s.at)))
        .map(|s| CsbSounding { time: s.time, at: s.at, depth_mm: s.depth_mm, from: s.from })
        .collect();
    if kept.is_empty() {
        return Err(Failure::Input("--skip-near keeps every sounding back: nothing to give away".to_owned()));
    }
    if !a.i_own_these_and_agree_to_cc0 {
        return Err(Failure::Input(format!(
            "{} soundings of {boat} were read in by this device. The archive takes them only under CC0 1.0: everybody may \
             use them for anything, and you cannot take them back. If they are yours and you agree, add \
             --i-own-these-and-agree-to-cc0",
            kept.len()
        )));
    }
    info.uuid = store.vessel_id(&computed, &boat)?;
    let mut bytes = Vec::new();
    csb_geojson(&kept, &info, &mut bytes).map_err(Failure::output(&a.output))?;
    files::write_file(&a.output, &bytes)?;
    let back = own.len() - kept.len();
    if cli.json {
        return talk::json(&json!({
            "path": a.output, "soundings": kept.len(), "kept_back": back, "vessel_id": info.vessel_id(),
            "vertical_reference": csb_reference(&kept), "named": info.name.is_some(),
        }));
    }
    talk::say(&format!(
        "{} ({} soundings of {}, {back} kept back; depths from: {}; not reduced to any datum)",
        a.output.display(),
        kept.len(),
        info.vessel_id(),
        csb_reference(&kept)
    ))
}

fn nothing(computed: &Computed, boat: &Text) -> String {
    if computed.claims.is_empty() {
        return format!("no soundings of boat {boat}; leadline boat list shows the names");
    }
    format!(
        "no accepted soundings of {boat} were read in by this device. Only the device that read the logs can give them \
         away; another's soundings are theirs to give"
    )
}

/// All of the file's metadata but the boat's id.
fn info(a: &CsbArgs, boat: &Text, computed: &Computed, own: &[Sounding]) -> CsbInfo {
    let node = a.node.clone().unwrap_or_else(|| {
        a.provider
            .chars()
            .filter(char::is_ascii_alphanumeric)
            .take(32)
            .collect::<String>()
            .to_ascii_uppercase()
    });
    // Said of the file only where every setup up to the last sounding says the same.
    let last = own.last().map(|s| s.time);
    let mut its: Vec<_> = computed
        .ground
        .setups
        .iter()
        .filter(|s| s.boat == *boat && last.is_some_and(|t| s.from <= t))
        .collect();
    its.sort_by_key(|s| s.from);
    let one = |f: &dyn Fn(&leadline_model::Setup) -> Option<i32>| {
        let mut values: Vec<i32> = its.iter().filter_map(|s| f(s)).collect();
        values.dedup();
        match values[..] {
            [v] => Some(f64::from(v) / 1000.0),
            _ => None,
        }
    };
    CsbInfo {
        provider: a.provider.trim().to_owned(),
        email: a.email.trim().to_owned(),
        node,
        uuid: [0; 16],
        name: a.name_vessel.then(|| boat.as_str().to_owned()),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        made: units::now(),
        draft_m: one(&|s| s.draft_mm),
        sound_speed_m_s: one(&|s| s.sound_speed_mm_s),
    }
}

/// A place whose surroundings stay at home.
struct Near {
    frame: LocalFrame,
    metres: f64,
}

impl Near {
    fn holds(&self, at: GridPos) -> bool {
        let (e, n) = self.frame.metres(at);
        e.hypot(n) <= self.metres
    }
}

fn skips(texts: &[String]) -> Result<Vec<Near>, Failure> {
    if texts.len() > MOST_SKIPPED {
        return Err(Failure::Input(format!("--skip-near: at most {MOST_SKIPPED} places")));
    }
    let one = |text: &String| {
        let bad = || {
            Failure::Input(format!(
                "--skip-near {text}: longitude,latitude,metres such as 7.41310,48.21730,300; metres 1 to {FARTHEST_M:.0}"
            ))
        };
        let (place, metres) = text.rsplit_once(',').ok_or_else(bad)?;
        let metres: f64 = metres.trim().parse().map_err(|_| bad())?;
        let (_, at) = units::place("--skip-near", place)?;
        if !(1.0..=FARTHEST_M).contains(&metres) {
            return Err(bad());
        }
        Ok(Near { frame: LocalFrame::new(at), metres })
    };
    texts.iter().map(one).collect()
}
