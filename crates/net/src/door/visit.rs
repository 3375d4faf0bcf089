//! The side that comes with a code.

use super::ground::{Ground, PROTOCOL, Told};
use super::load::{break_off, move_both, part};
use super::pake::{self, Ends};
use super::words::words;
use super::{Code, DoorEnd, DoorError, DoorEvent, Load};
use crate::air::Air;
use crate::beacon::{self, Says};
use crate::near;
use libp2p::{Multiaddr, PeerId, Stream};
use std::collections::BTreeSet;
use std::time::Duration;
use tokio::task::block_in_place;
use tokio::time::{Instant, timeout_at};
use tokio_util::compat::{Compat, FuturesAsyncReadCompatExt};

/// How long a door is looked for.
const LOOK: Duration = Duration::from_secs(20);
/// Doors of the same number that are tried: a false one can make no more guesses than this.
const DOORS_MAX: usize = 3;
/// Addresses that are tried.
const ADDRESSES_MAX: usize = 16;

/// Looks for the code's door, or goes to the address, and moves both loads. Blocks; Ctrl-C leaves.
pub fn visit(
    code: &Code,
    at: Option<Multiaddr>,
    load: Load<'_>,
    mut on: impl FnMut(DoorEvent) -> bool,
) -> Result<DoorEnd, DoorError> {
    on_runtime(async {
        tokio::select! {
            end = go(code, at, load, &mut on) => end,
            _ = tokio::signal::ctrl_c() => Err(DoorError::Left),
        }
    })
}

/// Runs on a runtime of its own.
pub(super) fn on_runtime<T>(work: impl Future<Output = Result<T, DoorError>>) -> Result<T, DoorError> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(|e| DoorError::System(e.to_string()))?;
    let end = runtime.block_on(work);
    runtime.shutdown_timeout(Duration::from_secs(1));
    end
}

async fn go(
    code: &Code,
    at: Option<Multiaddr>,
    load: Load<'_>,
    on: &mut impl FnMut(DoorEvent) -> bool,
) -> Result<DoorEnd, DoorError> {
    let (_ground, mut stream, keys, address) = match at {
        Some(addr) => {
            block_in_place(|| on(DoorEvent::Knocking(addr.clone())));
            let (ground, stream, keys) = knock(code, &addr).await?;
            (ground, stream, keys, addr)
        }
        None => find(code, on).await?,
    };
    let words = words(keys.words);
    if !block_in_place(|| on(DoorEvent::Words(words))) {
        break_off(&mut stream).await;
        part(&mut stream).await;
        return Err(DoorError::Refused("here"));
    }
    let moved = move_both(&mut stream, false, load, on).await;
    part(&mut stream).await;
    let (given, taken) = moved?;
    Ok(DoorEnd { words, given, taken, address: Some(address) })
}

type Inside = (Ground, Compat<Stream>, leadline_sync::DoorKeys, Multiaddr);

/// Listens for beacons and tries the doors with the code's number.
async fn find(code: &Code, on: &mut impl FnMut(DoorEvent) -> bool) -> Result<Inside, DoorError> {
    let air = Air::open().map_err(|e| DoorError::System(e.to_string()))?;
    // A door has several addresses; a wrong code is tried once a door, or one slip would use up all guesses.
    let (mut tried, mut wrong) = (BTreeSet::<Multiaddr>::new(), BTreeSet::<PeerId>::new());
    let mut why = None;
    let end = Instant::now() + LOOK;
    while let Ok((bytes, from)) = timeout_at(end, air.hear()).await {
        let Some(b) = beacon::read(&bytes) else { continue };
        let Some(address) = near::address(from.ip(), b.port) else { continue };
        let is_it = b.says == Says::Door { number: code.number() } && !wrong.contains(&b.peer);
        if !is_it || tried.len() >= ADDRESSES_MAX || !tried.insert(address.clone()) {
            continue;
        }
        block_in_place(|| on(DoorEvent::Knocking(address.clone())));
        match knock(code, &address).await {
            Ok((ground, stream, keys)) => return Ok((ground, stream, keys, address)),
            Err(e) => {
                if e == DoorError::WrongCode {
                    wrong.insert(b.peer);
                }
                why = Some(e);
            }
        }
        if wrong.len() >= DOORS_MAX {
            break;
        }
    }
    Err(why.unwrap_or(DoorError::NoDoor(code.number())))
}

async fn knock(
    code: &Code,
    addr: &Multiaddr,
) -> Result<(Ground, Compat<Stream>, leadline_sync::DoorKeys), DoorError> {
    let mut ground = Ground::dial(addr)?;
    let host = loop {
        match ground.told.recv().await {
            Some(Told::Connected(peer)) => break peer,
            Some(Told::NoAnswer) | None => return Err(DoorError::Unreachable(addr.clone())),
            Some(_) => {}
        }
    };
    let opened = ground.control.open_stream(host, PROTOCOL).await;
    let mut stream = opened.map_err(|_| DoorError::Unreachable(addr.clone()))?.compat();
    let keys = pake::visitor(&mut stream, code, Ends { visitor: ground.peer, host }).await?;
    Ok((ground, stream, keys))
}
