//! One task for each source: it connects, reads whole lines, and connects again when the source has gone.

mod drops;
mod file;
mod lines;
mod replay;
mod serial;
mod socket;

use crate::Source;
use leadline_model::UtcMillis;
use lines::Lines;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt};
use tokio::sync::mpsc;

/// Bytes read at a time.
const CHUNK: usize = 16 << 10;
/// Waits between attempts: doubled from the first to the last.
const FIRST_WAIT: Duration = Duration::from_millis(500);
const LAST_WAIT: Duration = Duration::from_secs(15);

/// Something from a source.
pub(crate) struct Arrival {
    /// Number of the source, from 0.
    pub(crate) source: usize,
    /// When, by this device's clock.
    pub(crate) at: UtcMillis,
    pub(crate) what: Brought,
}

/// What came.
pub(crate) enum Brought {
    /// Whole lines.
    Lines(Vec<u8>),
    /// The source is there; the words say how.
    Up(String),
    /// It is not there, and is tried again after so long.
    Lost(String, Duration),
    /// The system dropped so many datagrams before they could be read.
    Dropped(u64),
    /// It has come to its end.
    Ended,
    /// It never was there and never will be.
    Failed(String),
}

/// Where a source's task puts what it has.
#[derive(Clone)]
pub(crate) struct Outlet {
    source: usize,
    to: mpsc::Sender<Arrival>,
}

impl Outlet {
    /// Hands on; false when nobody listens any more.
    async fn give(&self, what: Brought) -> bool {
        self.to.send(Arrival { source: self.source, at: crate::now(), what }).await.is_ok()
    }

    /// It cannot be opened, now or later.
    async fn fail(&self, why: String) {
        self.give(Brought::Failed(why)).await;
    }

    async fn lines(&self, lines: Option<Vec<u8>>) -> bool {
        match lines {
            Some(lines) => self.give(Brought::Lines(lines)).await,
            None => true,
        }
    }
}

/// Starts the task of source number `number`.
pub(crate) fn start(source: &Source, number: usize, to: mpsc::Sender<Arrival>) {
    let (source, out) = (source.clone(), Outlet { source: number, to });
    drop(tokio::spawn(async move {
        match source {
            Source::Udp(address) => socket::udp(address, &out).await,
            Source::Tcp(address) => socket::client(&address, &out).await,
            Source::Listen(address) => socket::server(address, &out).await,
            Source::Serial(path, baud) => serial::port(&path, baud, &out).await,
            Source::File(path) => file::follow(&path, &out).await,
            Source::Replay(path, speed) => replay::replay(&path, speed, &out).await,
            Source::Stdin => {
                out.give(Brought::Up("reading".to_owned())).await;
                drop(pump(tokio::io::stdin(), &out).await);
                out.give(Brought::Ended).await;
            }
        }
    }));
}

/// Reads to the end of a connection; how many bytes came.
async fn pump(mut from: impl AsyncRead + Unpin, out: &Outlet) -> std::io::Result<u64> {
    let (mut lines, mut chunk, mut all) = (Lines::default(), vec![0; CHUNK], 0);
    let ended = loop {
        match from.read(&mut chunk).await {
            Ok(0) => break Ok(()),
            Ok(n) => {
                all += n as u64;
                if !out.lines(lines.push(&chunk[..n])).await {
                    break Ok(());
                }
            }
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => {}
            Err(e) => break Err(e),
        }
    };
    out.lines(lines.rest()).await;
    ended.map(|()| all)
}

/// How long to wait before a source is tried again.
struct BackOff(Duration);

impl BackOff {
    fn new() -> Self {
        Self(FIRST_WAIT)
    }

    /// It was there: the next wait is short again.
    fn worked(&mut self) {
        self.0 = FIRST_WAIT;
    }

    /// Says why the source is lost and waits; false when nobody listens any more.
    async fn wait(&mut self, why: String, out: &Outlet) -> bool {
        let wait = self.0;
        self.0 = (wait * 2).min(LAST_WAIT);
        let heard = out.give(Brought::Lost(why, wait)).await;
        tokio::time::sleep(wait).await;
        heard && !out.to.is_closed()
    }
}
