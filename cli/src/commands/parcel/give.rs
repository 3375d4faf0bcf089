//! `parcel give` and `parcel take`: a gift over the air, between people who stand side by side.

use super::write::{SelectionArgs, YesNo, selection};
use crate::args::Cli;
use crate::commands::{door, home, open};
use crate::failure::Failure;
use crate::{net, talk, units};
use clap::Args;
use leadline_net::door::{Code, Door, DoorEnd, Load, host, visit};
use leadline_survey::{Home, ParcelRead, ParcelRequest, Store, read_parcels, write_parcels};
use serde_json::json;
use std::fs::File;
use std::path::PathBuf;
use std::time::Duration;

/// A code is good for so long: people who stand side by side need less.
const LASTS: Duration = Duration::from_secs(600);
/// Largest gift that is taken, bytes (judgement: far more than a summer's survey).
const MOST: u64 = 4 << 30;

/// `parcel give`
#[derive(Debug, Args)]
pub(crate) struct GiveArgs {
    #[command(flatten)]
    pub selection: SelectionArgs,
    /// `no` asks whoever takes it to give it to nobody; their program honours that
    #[arg(long, value_name = "YES|NO", value_enum, default_value = "yes")]
    pub pass_on: YesNo,
    /// Also take what the other device gives
    #[arg(long)]
    pub swap: bool,
    /// Wait at this address
    #[arg(long, value_name = "ADDR")]
    pub listen: Option<String>,
}

/// `parcel take`
#[derive(Debug, Args)]
pub(crate) struct TakeArgs {
    /// The code that the other device shows
    pub code: String,
    /// Its address, where it is not found by itself
    #[arg(long, value_name = "ADDR")]
    pub at: Option<String>,
    /// Also give this home's survey (all of it, or --survey)
    #[arg(long)]
    pub swap: bool,
}

/// A file of this home that is gone when it is dropped.
struct Passing(PathBuf);

impl Passing {
    fn new(home: &Home, what: &str) -> Self {
        Self(home.root().join(format!("{what}-{}.parcel.tmp", std::process::id())))
    }

    fn create(&self) -> Result<File, Failure> {
        File::create(&self.0).map_err(Failure::output(&self.0))
    }

    /// The gift of `store` in this file, and its length.
    fn filled(&self, home: &Home, store: &Store, request: &ParcelRequest) -> Result<(File, u64), Failure> {
        write_parcels(home, store, &self.0, request, units::now())?;
        let file = File::open(&self.0).map_err(Failure::output(&self.0))?;
        let len = file.metadata().map_err(Failure::output(&self.0))?.len();
        Ok((file, len))
    }
}

impl Drop for Passing {
    fn drop(&mut self) {
        drop(std::fs::remove_file(&self.0));
    }
}

pub(super) fn give(cli: &Cli, args: &GiveArgs) -> Result<(), Failure> {
    let (home, store) = open(cli)?;
    let listen: Vec<_> = args.listen.as_deref().map(net::address).transpose()?.into_iter().collect();
    let request = ParcelRequest {
        gift: true,
        keep_to_yourself: args.pass_on == YesNo::No,
        ..selection(&store, &args.selection)?
    };
    let (going, coming) = (Passing::new(&home, "given"), Passing::new(&home, "taken"));
    let (mut from, len) = going.filled(&home, &store, &request)?;
    drop(store);
    let mut into = coming.create()?;
    let code = Code::random().map_err(|e| Failure::Input(e.to_string()))?;
    if !cli.json {
        talk::say(&code.to_string())?;
    }
    talk::note(&format!(
        "Read this code to the person with the other device: {code}\nThere: leadline parcel take {code}      (good for {} minutes, for one device)",
        LASTS.as_secs() / 60
    ));
    let load = match args.swap {
        true => Load::give(&mut from, len).and_take(&mut into, MOST),
        false => Load::give(&mut from, len),
    };
    let end = host(&Door { code, listen, find: true, lasts: LASTS }, load, |e| door::tell(cli, &e))?;
    finish(cli, &home, &end, &coming)
}

pub(super) fn take(cli: &Cli, args: &TakeArgs) -> Result<(), Failure> {
    let code: Code = args
        .code
        .parse()
        .map_err(|e: leadline_net::door::CodeError| Failure::Input(format!("{}: {e}", args.code)))?;
    let at = args.at.as_deref().map(net::address).transpose()?;
    let home = home(cli)?;
    let (going, coming) = (Passing::new(&home, "given"), Passing::new(&home, "taken"));
    let mut into = coming.create()?;
    let request = ParcelRequest { gift: true, ..ParcelRequest::default() };
    let given = match args.swap {
        true => Some(going.filled(&home, &open(cli)?.1, &request)?),
        false => None,
    };
    let end = match given {
        Some((mut from, len)) => {
            let load = Load::give(&mut from, len).and_take(&mut into, MOST);
            visit(&code, at, load, |e| door::tell(cli, &e))?
        }
        None => visit(&code, at, Load::take(&mut into, MOST), |e| door::tell(cli, &e))?,
    };
    finish(cli, &home, &end, &coming)
}

/// Takes in what has come, and tells of both ways.
fn finish(cli: &Cli, home: &Home, end: &DoorEnd, coming: &Passing) -> Result<(), Failure> {
    let read: Vec<ParcelRead> = match end.taken {
        0 => Vec::new(),
        _ => read_parcels(home, None, std::slice::from_ref(&coming.0), None)?,
    };
    if cli.json {
        let surveys: Vec<_> = read
            .iter()
            .map(|r| {
                json!({
                    "survey": r.header.survey.to_string(), "name": r.header.name.as_str(), "guest": r.guest,
                    "entries_new": r.accepted.entries, "strips_new": r.accepted.strips, "whole": r.end.is_whole(),
                    "terms": super::terms(&r.terms),
                })
            })
            .collect();
        return talk::json(&json!({
            "words": end.words, "given_bytes": end.given, "taken_bytes": end.taken, "taken": surveys,
        }));
    }
    if end.given > 0 {
        talk::say(&format!("Given: {:.1} KB.", end.given as f64 / 1000.0))?;
    }
    super::read::tell(cli, home, &read)
}
