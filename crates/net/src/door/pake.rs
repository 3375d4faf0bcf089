//! The password-authenticated exchange: SPAKE2 over Ed25519 (RFC 9382 describes the method), then both ends prove that
//! they hold the same key, the visitor first.

use super::frames::{CONFIRM, PAKE, REFUSED, WRONG_CODE, expect, send};
use super::{Code, DoorError};
use leadline_sync::DoorKeys;
use libp2p::PeerId;
use spake2::{Ed25519Group, Identity, Password, Spake2};
use std::sync::Mutex;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};

/// For each frame of the exchange.
const WAIT: Duration = Duration::from_secs(5);
/// Length of the exchange's message.
const MESSAGE: usize = 33;

/// Both ends' transport ids.
#[derive(Clone, Copy)]
pub(super) struct Ends {
    pub(super) visitor: PeerId,
    pub(super) host: PeerId,
}

impl Ends {
    fn identities(&self) -> (Identity, Identity) {
        (Identity::new(&self.visitor.to_bytes()), Identity::new(&self.host.to_bytes()))
    }
}

/// The visitor's part. What a false host can learn of it is whether the one code it guessed is right.
pub(super) async fn visitor<S: AsyncRead + AsyncWrite + Unpin>(
    stream: &mut S,
    code: &Code,
    ends: Ends,
) -> Result<DoorKeys, DoorError> {
    let (a, b) = ends.identities();
    let (exchange, mine) = Spake2::<Ed25519Group>::start_a(&Password::new(code.password()), &a, &b);
    send(stream, PAKE, &mine).await?;
    let theirs = message(stream).await?;
    let key = exchange.finish(&theirs).map_err(|_| DoorError::Broken("its message is none of SPAKE2"))?;
    let keys = DoorKeys::new(&key, &mine, &theirs);
    send(stream, CONFIRM, &keys.visitor).await?;
    if expect(stream, CONFIRM, WAIT).await? == keys.host { Ok(keys) } else { Err(DoorError::WrongCode) }
}

/// The host's part. `left` counts the guesses of all visitors; one that does not go as far as a proof has learnt
/// nothing and is not counted.
pub(super) async fn host<S: AsyncRead + AsyncWrite + Unpin>(
    stream: &mut S,
    code: &Code,
    ends: Ends,
    left: &Mutex<u32>,
) -> Result<DoorKeys, DoorError> {
    let theirs = message(stream).await?;
    let (a, b) = ends.identities();
    let (exchange, mine) = Spake2::<Ed25519Group>::start_b(&Password::new(code.password()), &a, &b);
    let key = exchange.finish(&theirs).map_err(|_| DoorError::Broken("its message is none of SPAKE2"))?;
    send(stream, PAKE, &mine).await?;
    let keys = DoorKeys::new(&key, &theirs, &mine);
    let proof = expect(stream, CONFIRM, WAIT).await?;
    if guessed(left, proof == keys.visitor) {
        send(stream, CONFIRM, &keys.host).await?;
        return Ok(keys);
    }
    // Whether this is heard does not matter: the guess is counted.
    let _ = send(stream, REFUSED, &[WRONG_CODE]).await;
    Err(DoorError::WrongCode)
}

/// Takes note of a guess; true if it is right and guesses were left.
fn guessed(left: &Mutex<u32>, right: bool) -> bool {
    let mut left = left.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    if *left > 0 && !right {
        *left -= 1;
    }
    right && *left > 0
}

async fn message<S: AsyncRead + Unpin>(stream: &mut S) -> Result<Vec<u8>, DoorError> {
    let message = expect(stream, PAKE, WAIT).await?;
    if message.len() == MESSAGE {
        Ok(message)
    } else {
        Err(DoorError::Broken("its message is none of SPAKE2"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use libp2p::identity::Keypair;
    use tokio::io::duplex;

    fn peer(n: u8) -> PeerId {
        Keypair::ed25519_from_bytes([n; 32]).expect("32 bytes").public().to_peer_id()
    }

    fn code(text: &str) -> Code {
        text.parse().expect("a code")
    }

    async fn shake(
        visitor_has: &str,
        visitor_sees: Ends,
        host_sees: Ends,
        left: &Mutex<u32>,
    ) -> (Result<DoorKeys, DoorError>, Result<DoorKeys, DoorError>) {
        let (mut a, mut b) = duplex(4096);
        let (theirs, ours) = (code(visitor_has), code("42-183-7556"));
        tokio::join!(visitor(&mut a, &theirs, visitor_sees), host(&mut b, &ours, host_sees, left))
    }

    #[tokio::test]
    async fn the_same_code_gives_the_same_words() {
        let ends = Ends { visitor: peer(1), host: peer(2) };
        let left = Mutex::new(3);
        let (v, h) = shake("42-183-7556", ends, ends, &left).await;
        let (v, h) = (v.expect("agreed"), h.expect("agreed"));
        assert_eq!(v, h);
        let (again, _) = shake("42-183-7556", ends, ends, &left).await;
        assert_ne!(again.expect("agreed").words, [0, 0]);
        assert_eq!(*left.lock().expect("whole"), 3);
    }

    #[tokio::test]
    async fn wrong_guesses_are_counted_and_end_it() {
        let ends = Ends { visitor: peer(1), host: peer(2) };
        let left = Mutex::new(3);
        for guess in ["42-183-7555", "43-183-7556", "42-000-0000"] {
            let (v, h) = shake(guess, ends, ends, &left).await;
            assert_eq!((v, h), (Err(DoorError::WrongCode), Err(DoorError::WrongCode)), "{guess}");
        }
        assert_eq!(*left.lock().expect("whole"), 0);
        let (v, _) = shake("42-183-7556", ends, ends, &left).await;
        assert_eq!(v, Err(DoorError::WrongCode), "too late");
    }

    #[tokio::test]
    async fn whoever_sits_between_gets_another_key() {
        // Passes every byte on, but has transport ids of its own at both ends.
        let (left, middle) = (Mutex::new(3), peer(7));
        let seen = Ends { visitor: peer(1), host: middle };
        let (v, h) = shake("42-183-7556", seen, Ends { visitor: middle, host: peer(2) }, &left).await;
        assert_eq!((v, h), (Err(DoorError::WrongCode), Err(DoorError::WrongCode)));
        assert_eq!(*left.lock().expect("whole"), 2);
    }

    #[tokio::test]
    async fn what_is_no_exchange_is_not_counted() {
        let (left, ends) = (Mutex::new(3), Ends { visitor: peer(1), host: peer(2) });
        for bytes in [vec![0x41; 33], vec![0x42; 33], vec![0xff; 33], vec![], vec![0; 400]] {
            let (mut a, mut b) = duplex(4096);
            send(&mut a, PAKE, &bytes).await.expect("sent");
            drop(a);
            assert!(host(&mut b, &code("42-183-7556"), ends, &left).await.is_err());
        }
        assert_eq!(*left.lock().expect("whole"), 3);
    }
}
