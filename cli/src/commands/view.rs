//! `view`: the map page.

mod meetings;

use super::{home, open};
use crate::args::Cli;
use crate::failure::Failure;
use crate::{levels, qr, talk};
use clap::Args;
use leadline_view::{Serving, Settings, ViewError, serve};
use serde_json::json;
use std::net::{IpAddr, UdpSocket};
use std::sync::Arc;

/// `view`
#[derive(Debug, Args)]
pub(crate) struct ViewArgs {
    /// Port to listen at; without it any that is free
    #[arg(long, value_name = "N", default_value_t = 0)]
    pub port: u16,
    /// Also for other devices on this network, read-only: a phone opens the link or scans the picture
    #[arg(long)]
    pub lan: bool,
    /// With --lan: the address of this device to listen at, where it has several
    #[arg(long, value_name = "IP", requires = "lan")]
    pub at: Option<IpAddr>,
    /// List the browsers that were let in by --lan
    #[arg(long, conflicts_with_all = ["lan", "revoke"])]
    pub doors: bool,
    /// Shut out a browser that was let in: its number, or `all`
    #[arg(long, value_name = "N|all", conflicts_with = "lan")]
    pub revoke: Option<String>,
}

pub(crate) fn run(cli: &Cli, a: &ViewArgs) -> Result<(), Failure> {
    if let Some(which) = &a.revoke {
        return revoke(cli, which);
    }
    if a.doors {
        return list(cli);
    }
    let (home, store) = open(cli)?;
    let lan = if a.lan { Some(a.at.map_or_else(own_address, Ok)?) } else { None };
    let settings = Settings {
        home: home.root().to_owned(),
        survey: store.survey(),
        units: levels::units(cli.units),
        between: cli.between.into(),
        port: a.port,
        lan,
        meetings: meetings::plug_in(&home, &store)?,
    };
    drop(store);
    let told = std::sync::Mutex::new(Ok(()));
    serve(
        settings,
        |s| *told.lock().unwrap_or_else(std::sync::PoisonError::into_inner) = tell(cli, s),
        stopped(),
    )
    .map_err(|e| match e {
        ViewError::Listen { .. } => Failure::Peer(e.to_string()),
        other => Failure::Peer(other.to_string()),
    })?;
    told.into_inner().unwrap_or(Ok(()))
}

/// Until Ctrl-C.
async fn stopped() {
    if tokio::signal::ctrl_c().await.is_err() {
        // Nothing can be told by the keyboard here: the page is served until the process ends.
        std::future::pending::<()>().await;
    }
}

fn tell(cli: &Cli, s: &Serving) -> Result<(), Failure> {
    let lan = !s.at.ip().is_loopback();
    if cli.json {
        talk::json(&json!({"link": s.link, "at": s.at.to_string(), "lan": lan, "may_write": !lan}))?;
    } else {
        talk::say(&s.link)?;
    }
    if cli.quiet {
        return Ok(());
    }
    if lan {
        if !cli.json {
            talk::say(&qr::picture(&s.link)?)?;
        }
        talk::note(
            "Whoever has this link can look at the map while this runs. It is read-only, and not encrypted: others on\nthis network could read what is sent. Shut a browser out with: leadline view --revoke N",
        );
    } else {
        talk::note("Open this link in a browser on this device. Ctrl-C ends; nothing is lost by ending.");
    }
    talk::note(leadline_model::CAUTION);
    Ok(())
}

/// The address by which this device would reach others. Nothing is sent for it.
fn own_address() -> Result<IpAddr, Failure> {
    // 192.0.2.1 is for documentation (RFC 5737): connecting a datagram socket only asks for the way there.
    let found = UdpSocket::bind("0.0.0.0:0").and_then(|s| {
        s.connect("192.0.2.1:9")?;
        s.local_addr()
    });
    match found {
        Ok(at) if !at.ip().is_loopback() && !at.ip().is_unspecified() => Ok(at.ip()),
        _ => Err(Failure::Peer(
            "this device is on no network that others could come by; join the hotspot first, or name the address with --at IP"
                .to_owned(),
        )),
    }
}

fn list(cli: &Cli) -> Result<(), Failure> {
    let doors = home(cli)?.doors()?;
    if cli.json {
        let one = |d: &leadline_survey::Door| json!({"number": d.number, "name": d.name.to_string(), "since": d.since.to_string()});
        return talk::json(&json!({"doors": doors.iter().map(one).collect::<Vec<_>>()}));
    }
    if doors.is_empty() {
        return talk::say("No browser was let in. Let one in with: leadline view --lan");
    }
    for d in &doors {
        talk::say(&format!("{:>4}  since {} UTC  {}", d.number, d.since.minute_text(), d.name))?;
    }
    Ok(())
}

fn revoke(cli: &Cli, which: &str) -> Result<(), Failure> {
    let number = match which {
        "all" => None,
        n => Some(n.parse::<u32>().map_err(|_| {
            Failure::Input(format!(
                "--revoke {n:?}: the number of a browser (leadline view --doors), or `all`"
            ))
        })?),
    };
    let shut = home(cli)?.shut_doors(number)?;
    if shut == 0 && number.is_some() {
        return Err(Failure::Input(format!(
            "--revoke {which}: no browser with that number was let in; `leadline view --doors` lists them"
        )));
    }
    if cli.json {
        return talk::json(&json!({"shut": shut}));
    }
    talk::say(&format!("Shut out {shut}."))
}

/// Keeps the trait object's crate in one place.
pub(crate) type Plugged = Arc<dyn leadline_view::Meetings>;
