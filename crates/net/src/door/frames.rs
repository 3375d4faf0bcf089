//! Frames of a door: each behind its length (u32, little-endian), a kind and a body.

use super::DoorError;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::time::timeout;

/// Bytes of a load in one frame.
pub(super) const CHUNK: usize = 64 << 10;
/// A kind and a chunk.
const FRAME_MAX: usize = CHUNK + 1;
/// Silence that ends it while a load moves; also the longest that writing a frame may take.
pub(super) const SILENCE: Duration = Duration::from_secs(10);

pub(super) const PAKE: u8 = 1;
pub(super) const CONFIRM: u8 = 2;
pub(super) const LENGTH: u8 = 3;
pub(super) const DATA: u8 = 4;
pub(super) const DONE: u8 = 5;
pub(super) const TAKEN: u8 = 6;
pub(super) const REFUSED: u8 = 7;

/// Reasons of a refusal.
pub(super) const WRONG_CODE: u8 = 1;
pub(super) const TOO_LARGE: u8 = 2;
pub(super) const PERSON: u8 = 3;
pub(super) const DAMAGED: u8 = 4;

pub(super) async fn send(to: &mut (impl AsyncWrite + Unpin), kind: u8, body: &[u8]) -> Result<(), DoorError> {
    let len = u32::try_from(body.len() + 1).map_err(|_| DoorError::Broken("a frame is too long"))?;
    let mut frame = Vec::with_capacity(body.len() + 5);
    frame.extend(len.to_le_bytes());
    frame.push(kind);
    frame.extend_from_slice(body);
    let written = async {
        to.write_all(&frame).await?;
        to.flush().await
    };
    match timeout(SILENCE, written).await {
        Ok(Ok(())) => Ok(()),
        _ => Err(DoorError::LinkLost),
    }
}

/// One frame: its kind and body. `wait` is for its first byte.
pub(super) async fn take(
    from: &mut (impl AsyncRead + Unpin),
    wait: Duration,
) -> Result<(u8, Vec<u8>), DoorError> {
    let mut len = [0; 4];
    lost(timeout(wait, from.read_exact(&mut len)).await)?;
    let len = u32::from_le_bytes(len) as usize;
    if len == 0 || len > FRAME_MAX {
        return Err(DoorError::Broken("a frame has an impossible length"));
    }
    let mut frame = vec![0; len];
    lost(timeout(SILENCE, from.read_exact(&mut frame)).await)?;
    let body = frame.split_off(1);
    Ok((frame[0], body))
}

/// The frame that must come now; a refusal instead of it is told as such.
pub(super) async fn expect(
    from: &mut (impl AsyncRead + Unpin),
    kind: u8,
    wait: Duration,
) -> Result<Vec<u8>, DoorError> {
    match take(from, wait).await? {
        (k, body) if k == kind => Ok(body),
        (REFUSED, body) => Err(refusal(body.first().copied().unwrap_or_default())),
        _ => Err(DoorError::Broken("a frame came out of turn")),
    }
}

/// What a refusal of the other end means.
pub(super) fn refusal(reason: u8) -> DoorError {
    match reason {
        WRONG_CODE => DoorError::WrongCode,
        TOO_LARGE => DoorError::Broken("it does not take a load of this size"),
        PERSON => DoorError::Refused("there"),
        DAMAGED => DoorError::Broken("it says that the load came damaged"),
        _ => DoorError::Broken("it refused for a reason that this program does not know"),
    }
}

fn lost<T, E>(came: Result<std::io::Result<T>, E>) -> Result<T, DoorError> {
    came.ok().and_then(Result::ok).ok_or(DoorError::LinkLost)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn the_page_draws_what_is_sent() {
        let message = [&[0x41][..], &[0x50; 32]].concat();
        for (name, kind, body) in [("door-pake", PAKE, message), ("door-confirm", CONFIRM, vec![0xcf; 32])] {
            let (mut a, mut b) = tokio::io::duplex(1 << 10);
            send(&mut a, kind, &body).await.expect("sent");
            drop(a);
            let mut seen = Vec::new();
            b.read_to_end(&mut seen).await.expect("read");
            assert_eq!(
                crate::beacon::hex(&seen),
                crate::beacon::hex(&crate::beacon::example(name)),
                "{name}"
            );
        }
    }

    #[tokio::test]
    async fn bounds_and_turns() {
        let wait = Duration::from_secs(5);
        let (mut a, mut b) = tokio::io::duplex(1 << 20);
        send(&mut a, DATA, &[7; CHUNK]).await.expect("sent");
        assert_eq!(take(&mut b, wait).await, Ok((DATA, vec![7; CHUNK])));
        send(&mut a, DATA, &[7; CHUNK + 1]).await.expect("sent");
        assert!(matches!(take(&mut b, wait).await, Err(DoorError::Broken(_))), "too long");
        let (mut a, mut b) = tokio::io::duplex(1 << 20);
        send(&mut a, REFUSED, &[PERSON]).await.expect("sent");
        assert_eq!(expect(&mut b, LENGTH, wait).await, Err(DoorError::Refused("there")));
        send(&mut a, DONE, &[]).await.expect("sent");
        assert!(matches!(expect(&mut b, LENGTH, wait).await, Err(DoorError::Broken(_))));
        drop(a);
        assert_eq!(take(&mut b, wait).await, Err(DoorError::LinkLost));
    }
}
