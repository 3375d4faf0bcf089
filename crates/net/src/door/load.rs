//! The load: bytes that one end reads and the other writes, with their length before them and a digest behind.

use super::frames::{
    CHUNK, DAMAGED, DATA, DONE, LENGTH, PERSON, REFUSED, SILENCE, TAKEN, TOO_LARGE, expect, refusal, send,
    take,
};
use super::{DoorError, DoorEvent, LOAD_MAX};
use leadline_sync::door_hasher;
use std::io::{Read, Write};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::task::block_in_place;
use tokio::time::timeout;

/// For the person at the other end to compare the words.
const PERSON_WAITS: Duration = Duration::from_secs(120);

/// For the other end to close.
const PARTING: Duration = Duration::from_secs(2);

/// What this end gives and takes. The host's load goes first.
pub struct Load<'a> {
    give: Option<(&'a mut (dyn Read + Send), u64)>,
    take: Option<(&'a mut (dyn Write + Send), u64)>,
}

impl<'a> Load<'a> {
    /// Gives `len` bytes of `from`, and takes nothing.
    pub fn give(from: &'a mut (dyn Read + Send), len: u64) -> Self {
        Self { give: Some((from, len)), take: None }
    }

    /// Takes at most `most` bytes. What is written before the end counts only if the door ends well.
    pub fn take(into: &'a mut (dyn Write + Send), most: u64) -> Self {
        Self { give: None, take: Some((into, most.min(LOAD_MAX))) }
    }

    /// Takes as well.
    pub fn and_take(mut self, into: &'a mut (dyn Write + Send), most: u64) -> Self {
        self.take = Some((into, most.min(LOAD_MAX)));
        self
    }
}

impl std::fmt::Debug for Load<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let (give, take) = (self.give.as_ref().map(|g| g.1), self.take.as_ref().map(|t| t.1));
        write!(f, "Load {{ give: {give:?}, take at most: {take:?} }}")
    }
}

/// Moves both loads; bytes given and taken.
pub(super) async fn move_both<S: AsyncRead + AsyncWrite + Unpin>(
    stream: &mut S,
    is_host: bool,
    load: Load<'_>,
    on: &mut impl FnMut(DoorEvent) -> bool,
) -> Result<(u64, u64), DoorError> {
    let (given, taken);
    if is_host {
        given = give(stream, load.give, on).await?;
        taken = take_in(stream, load.take, given, on).await?;
    } else {
        taken = take_in(stream, load.take, 0, on).await?;
        given = give(stream, load.give, on).await?;
    }
    Ok((given, taken))
}

/// Closes this half and waits until the other end has closed too: a connection that is dropped at once can take the
/// last frame with it.
pub(super) async fn part<S: AsyncRead + AsyncWrite + Unpin>(stream: &mut S) {
    let parting = async {
        stream.shutdown().await.ok()?;
        while stream.read(&mut [0; 256]).await.ok()? > 0 {}
        Some(())
    };
    let _ = timeout(PARTING, parting).await;
}

/// Says that the person has broken it off.
pub(super) async fn break_off<S: AsyncRead + AsyncWrite + Unpin>(stream: &mut S) {
    // Heard or not, nothing more is sent.
    let _ = send(stream, REFUSED, &[PERSON]).await;
}

async fn give<S: AsyncRead + AsyncWrite + Unpin>(
    stream: &mut S,
    what: Option<(&mut (dyn Read + Send), u64)>,
    on: &mut impl FnMut(DoorEvent) -> bool,
) -> Result<u64, DoorError> {
    let mut nothing = std::io::empty();
    let (from, len) = what.unwrap_or((&mut nothing, 0));
    send(stream, LENGTH, &len.to_le_bytes()).await?;
    let (mut sent, mut digest) = (0u64, door_hasher());
    let mut chunk = vec![0; CHUNK];
    while sent < len {
        let want = chunk.len().min(usize::try_from(len - sent).unwrap_or(CHUNK));
        let read = block_in_place(|| from.read(&mut chunk[..want]));
        let n = read.map_err(|e| DoorError::Local("read", e.to_string()))?;
        if n == 0 {
            return Err(DoorError::Local("read", "it is shorter than was said".to_owned()));
        }
        digest.update(&chunk[..n]);
        send(stream, DATA, &chunk[..n]).await?;
        sent += n as u64;
        block_in_place(|| on(DoorEvent::Progress { given: sent, taken: 0 }));
    }
    let end = end_of(sent, digest.finish().0);
    send(stream, DONE, &end).await?;
    // The other end may still be writing to a slow card, or its person looks at the words.
    if expect(stream, TAKEN, PERSON_WAITS).await? == end {
        Ok(sent)
    } else {
        Err(DoorError::Broken("it has taken something else than was given"))
    }
}

async fn take_in<S: AsyncRead + AsyncWrite + Unpin>(
    stream: &mut S,
    into: Option<(&mut (dyn Write + Send), u64)>,
    given: u64,
    on: &mut impl FnMut(DoorEvent) -> bool,
) -> Result<u64, DoorError> {
    let mut nowhere = std::io::sink();
    let (into, most) = into.unwrap_or((&mut nowhere, 0));
    let announced = expect(stream, LENGTH, PERSON_WAITS).await?;
    let len = announced.try_into().map(u64::from_le_bytes).map_err(|_| DoorError::Broken("no length"))?;
    if len > most {
        let _ = send(stream, REFUSED, &[TOO_LARGE]).await;
        return Err(DoorError::TooLarge { got: len, most });
    }
    let (mut came, mut digest) = (0u64, door_hasher());
    let end = loop {
        match take(stream, SILENCE).await? {
            (DATA, bytes) if came + bytes.len() as u64 <= len && !bytes.is_empty() => {
                digest.update(&bytes);
                block_in_place(|| into.write_all(&bytes))
                    .map_err(|e| DoorError::Local("written", e.to_string()))?;
                came += bytes.len() as u64;
                block_in_place(|| on(DoorEvent::Progress { given, taken: came }));
            }
            (DONE, end) if came == len => break end,
            (REFUSED, why) => return Err(refusal(why.first().copied().unwrap_or_default())),
            _ => return Err(DoorError::Broken("more or less came than was announced")),
        }
    };
    if end != end_of(came, digest.finish().0) {
        let _ = send(stream, REFUSED, &[DAMAGED]).await;
        return Err(DoorError::Broken("the load came damaged"));
    }
    block_in_place(|| into.flush()).map_err(|e| DoorError::Local("written", e.to_string()))?;
    send(stream, TAKEN, &end).await?;
    Ok(came)
}

/// Length and digest.
fn end_of(len: u64, digest: [u8; 32]) -> Vec<u8> {
    [&len.to_le_bytes()[..], &digest].concat()
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::io::duplex;

    #[tokio::test(flavor = "multi_thread")]
    async fn the_page_draws_what_is_sent() {
        let (mut a, mut b) = duplex(1 << 10);
        let mut from = &b"hello"[..];
        let page = crate::beacon::example("door-load");
        let sent = async {
            let mut on = |_| true;
            drop(give(&mut a, Some((&mut from, 5)), &mut on).await);
        };
        let seen = async {
            let mut seen = vec![0; page.len()];
            b.read_exact(&mut seen).await.expect("comes");
            drop(b);
            seen
        };
        let (_, seen) = tokio::join!(sent, seen);
        assert_eq!(crate::beacon::hex(&seen), crate::beacon::hex(&page));
        // And read back from the page.
        let (mut a, mut b) = duplex(1 << 10);
        a.write_all(&page).await.expect("written");
        let (mut into, mut on) = (Vec::new(), |_| true);
        assert_eq!(take_in(&mut b, Some((&mut into, 5)), 0, &mut on).await, Ok(5));
        assert_eq!(into, b"hello");
    }

    #[tokio::test(flavor = "multi_thread")]
    async fn both_loads_arrive_whole() {
        let (host_gives, visitor_gives) = (vec![5; 200_001], b"thanks".to_vec());
        let (mut a, mut b) = duplex(4096);
        let (mut host_takes, mut visitor_takes) = (Vec::new(), Vec::new());
        let (mut hg, mut vg) = (&host_gives[..], &visitor_gives[..]);
        let host = Load::give(&mut hg, 200_001).and_take(&mut host_takes, 10);
        let visitor = Load::give(&mut vg, 6).and_take(&mut visitor_takes, 1 << 20);
        let (mut on_a, mut on_b) = (|_| true, |_| true);
        let (h, v) = tokio::join!(
            move_both(&mut a, true, host, &mut on_a),
            move_both(&mut b, false, visitor, &mut on_b)
        );
        assert_eq!((h, v), (Ok((200_001, 6)), Ok((6, 200_001))));
        assert_eq!((host_takes, visitor_takes), (visitor_gives, host_gives));
    }

    #[tokio::test(flavor = "multi_thread")]
    async fn what_is_too_large_cut_short_or_damaged_is_refused() {
        let (mut a, mut b) = duplex(1 << 20);
        let (mut from, mut into) = (&[1; 100][..], Vec::new());
        let (mut on_a, mut on_b) = (|_| true, |_| true);
        let (g, t) = tokio::join!(
            give(&mut a, Some((&mut from, 100)), &mut on_a),
            take_in(&mut b, Some((&mut into, 99)), 0, &mut on_b)
        );
        assert_eq!(t, Err(DoorError::TooLarge { got: 100, most: 99 }));
        assert!(matches!(g, Err(DoorError::Broken(_))), "{g:?}");
        // Every cut and every changed byte of a load on its way.
        let (mut a, mut b) = duplex(1 << 20);
        let mut from = &b"a short load"[..];
        let sent = async {
            let mut on = |_| true;
            let _ = give(&mut a, Some((&mut from, 12)), &mut on).await;
        };
        let seen = async {
            let mut seen = vec![0; 4 + 9 + 4 + 13 + 4 + 41];
            b.read_exact(&mut seen).await.expect("comes");
            drop(b);
            seen
        };
        let (_, whole) = tokio::join!(sent, seen);
        for at in 0..whole.len() {
            for cut in [true, false] {
                let mut bytes = whole.clone();
                if cut {
                    bytes.truncate(at);
                } else {
                    bytes[at] ^= 0x40;
                }
                let (mut a, mut b) = duplex(1 << 20);
                a.write_all(&bytes).await.expect("written");
                a.shutdown().await.expect("shut");
                let (mut into, mut on) = (Vec::new(), |_| true);
                let end = take_in(&mut b, Some((&mut into, 1 << 10)), 0, &mut on).await;
                assert!(end.is_err(), "byte {at}, cut {cut}");
            }
        }
    }
}
