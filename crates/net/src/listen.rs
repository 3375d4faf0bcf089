//! Listening for who is near, without being there oneself.

use crate::air::Air;
use crate::near::{Near, News};
use crate::{NetError, Who};
use libp2p::{Multiaddr, PeerId};
use std::collections::BTreeMap;
use std::time::Duration;
use tokio::time::{Instant, timeout_at};

/// A device of the crew that is near.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NearBy {
    /// Which, if it is one of [`Who::known`].
    pub device: Option<[u8; 32]>,
    /// Where it listens.
    pub addresses: Vec<Multiaddr>,
}

/// Listens to beacons for `time`; says nothing itself. Blocks.
pub fn who_is_near(secrets: &[[u8; 32]], who: &Who, time: Duration) -> Result<Vec<NearBy>, NetError> {
    let system = |e: std::io::Error| NetError::System(e.to_string());
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(system)?;
    runtime.block_on(async {
        let air = Air::open().map_err(system)?;
        // Nobody's id: whoever is heard is somebody else.
        let own = PeerId::random();
        let mut ears: Vec<_> = secrets.iter().map(|s| Near::new(*s, own, who.known.clone())).collect();
        let mut found = BTreeMap::<PeerId, NearBy>::new();
        let end = Instant::now() + time;
        while let Ok((bytes, from)) = timeout_at(end, air.hear()).await {
            for ear in &mut ears {
                match ear.hear(&bytes, from, Instant::now()) {
                    Some(News::Here(h)) => {
                        let row = found
                            .entry(h.peer)
                            .or_insert_with(|| NearBy { device: h.device, addresses: Vec::new() });
                        if h.new {
                            row.addresses.push(h.address);
                        }
                    }
                    Some(News::Left(peer)) => drop(found.remove(&peer)),
                    _ => {}
                }
            }
        }
        Ok(found.into_values().collect())
    })
}
