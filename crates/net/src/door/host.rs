//! The side that opens the door.

use super::ground::{Ground, PROTOCOL, Told};
use super::load::{break_off, move_both, part};
use super::pake::{self, Ends};
use super::words::words;
use super::{Door, DoorEnd, DoorError, DoorEvent, GUESSES, Load};
use futures::StreamExt;
use leadline_sync::DoorKeys;
use libp2p::{Multiaddr, PeerId, Stream};
use std::sync::{Arc, Mutex};
use tokio::task::{JoinSet, block_in_place};
use tokio::time::{Instant, sleep_until};
use tokio_util::compat::{Compat, FuturesAsyncReadCompatExt};

/// Visitors that are heard at the same time: one that only stands there keeps nobody out.
const VISITORS_MAX: usize = 4;

type Knock = Result<(Compat<Stream>, DoorKeys), DoorError>;

/// Opens a door and waits until one visitor with the right code has come and both loads have passed. Blocks; Ctrl-C
/// leaves.
pub fn host(
    door: &Door,
    load: Load<'_>,
    mut on: impl FnMut(DoorEvent) -> bool,
) -> Result<DoorEnd, DoorError> {
    super::visit::on_runtime(async {
        tokio::select! {
            end = open(door, load, &mut on) => end,
            _ = tokio::signal::ctrl_c() => Err(DoorError::Left),
        }
    })
}

async fn open(
    door: &Door,
    load: Load<'_>,
    on: &mut impl FnMut(DoorEvent) -> bool,
) -> Result<DoorEnd, DoorError> {
    let mut ground = Ground::open(&door.listen, door.find.then(|| door.code.number()))?;
    let (mut stream, keys, address) = wait(door, &mut ground, on).await?;
    let words = words(keys.words);
    if !block_in_place(|| on(DoorEvent::Words(words))) {
        break_off(&mut stream).await;
        part(&mut stream).await;
        return Err(DoorError::Refused("here"));
    }
    let moved = move_both(&mut stream, true, load, on).await;
    part(&mut stream).await;
    let (given, taken) = moved?;
    Ok(DoorEnd { words, given, taken, address })
}

/// Until somebody with the right code is there.
async fn wait(
    door: &Door,
    ground: &mut Ground,
    on: &mut impl FnMut(DoorEvent) -> bool,
) -> Result<(Compat<Stream>, DoorKeys, Option<Multiaddr>), DoorError> {
    let mut streams = ground.control.accept(PROTOCOL).map_err(|e| DoorError::System(e.to_string()))?;
    let left = Arc::new(Mutex::new(GUESSES));
    let (mut knocks, mut address) = (JoinSet::<Knock>::new(), None);
    let mut told_left = GUESSES;
    let end = Instant::now() + door.lasts;
    loop {
        tokio::select! {
            () = sleep_until(end) => return Err(DoorError::Expired),
            told = ground.told.recv() => match told {
                Some(Told::Listening(a)) => {
                    address.get_or_insert_with(|| a.clone());
                    block_in_place(|| on(DoorEvent::Open(a)));
                }
                Some(Told::FindingOff(why)) => { block_in_place(|| on(DoorEvent::FindingOff(why))); }
                Some(_) => {}
                None => return Err(DoorError::LinkLost),
            },
            Some((peer, stream)) = streams.next(), if knocks.len() < VISITORS_MAX => {
                knocks.spawn(knock(stream, peer, ground.peer, door.code.clone(), left.clone()));
            }
            Some(knocked) = knocks.join_next() => {
                if let Ok(Ok((stream, keys))) = knocked {
                    return Ok((stream, keys, address));
                }
                let now = *left.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
                if now < told_left {
                    told_left = now;
                    block_in_place(|| on(DoorEvent::WrongGuess(now)));
                }
                if now == 0 {
                    return Err(DoorError::Spent);
                }
            }
        }
    }
}

async fn knock(
    stream: Stream,
    visitor: PeerId,
    host: PeerId,
    code: super::Code,
    left: Arc<Mutex<u32>>,
) -> Knock {
    let mut stream = stream.compat();
    let keys = pake::host(&mut stream, &code, Ends { visitor, host }, &left).await;
    if keys.is_err() {
        part(&mut stream).await;
    }
    Ok((stream, keys?))
}
