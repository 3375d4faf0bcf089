//! Surveys that the crew's adopts: once a meeting of the crew is done or in step, a meeting about each, one after the
//! other, each on a stream of its own on the same connection. Whoever opened the crew's stream opens these too.

use crate::node::STREAM_OPENS;
use crate::session::{self, Stay};
use crate::{Event, NetFailure};
use leadline_sync::{
    ADOPTED_FRAME, ADOPTED_MAX, Binding, Desk, DeskError, FRAME_PREFIX, Failure, Summary, SurveyId,
    adopted_frame, adopted_of, framed,
};
use libp2p::{PeerId, Stream, StreamProtocol};
use libp2p_stream::Control;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::sync::{mpsc, watch};
use tokio::time::{sleep, timeout};
use tokio_util::compat::FuturesAsyncReadCompatExt;

pub(crate) const ADOPTED: StreamProtocol = StreamProtocol::new("/leadline/adopted/1");
/// While both stay on: time between two meetings about the same adopted survey.
const AGAIN: Duration = Duration::from_secs(30);
/// After a meeting that does not stay on: for the other end's next stream.
const NEXT: Duration = Duration::from_secs(2);
/// For the frame that names the survey.
const NAMED: Duration = Duration::from_secs(5);

/// The meeting's surroundings.
pub(crate) struct Around {
    pub(crate) desk: Arc<dyn Desk>,
    pub(crate) peer: PeerId,
    pub(crate) binding: Binding,
    pub(crate) events: mpsc::Sender<Event>,
    pub(crate) leave: watch::Receiver<bool>,
}

/// Who opens the streams.
pub(crate) enum Way {
    Opens(Control),
    Answers(mpsc::Receiver<Stream>),
}

/// Holds the crew's meeting, and those about adopted surveys after it, or beside it once `in_step` says so. No stream
/// is opened or looked at before the crew's meeting has come that far: then each has admitted the other.
pub(crate) async fn beside(
    crew: impl Future<Output = Result<Summary, NetFailure>> + Send,
    mut in_step: watch::Receiver<bool>,
    around: Around,
    mut way: Way,
) -> Result<Summary, NetFailure> {
    let met = tokio::select! {
        met = crew => met?,
        () = while_in_step(&mut in_step, &around, &mut way) => return Err(NetFailure::Meeting(Failure::LinkLost)),
    };
    if !*in_step.borrow() {
        way.each(&around).await;
    }
    Ok(met)
}

/// Never ends by itself.
async fn while_in_step(in_step: &mut watch::Receiver<bool>, around: &Around, way: &mut Way) {
    if in_step.wait_for(|is| *is).await.is_ok() {
        loop {
            match way {
                Way::Opens(_) => {
                    way.each(around).await;
                    sleep(AGAIN).await;
                }
                Way::Answers(streams) => match streams.recv().await {
                    Some(stream) => around.answer(stream).await,
                    None => break,
                },
            }
        }
    }
    std::future::pending().await
}

impl Way {
    /// A meeting about each adopted survey.
    async fn each(&mut self, around: &Around) {
        let surveys = around.adopted().await;
        match self {
            Self::Opens(control) => {
                for survey in &surveys {
                    // An older program knows no such streams.
                    let opened = timeout(STREAM_OPENS, control.open_stream(around.peer, ADOPTED)).await;
                    let Ok(Ok(stream)) = opened else { return };
                    around.ask(stream, survey).await;
                }
            }
            Self::Answers(streams) => {
                for _ in &surveys {
                    let Ok(Some(stream)) = timeout(NEXT, streams.recv()).await else { return };
                    around.answer(stream).await;
                }
            }
        }
    }
}

impl Around {
    async fn adopted(&self) -> Vec<SurveyId> {
        let desk = self.desk.clone();
        let asked = tokio::task::spawn_blocking(move || desk.adopted()).await;
        // A store that cannot be read has failed the crew's meeting already, or will fail the next.
        let mut surveys = asked.map_or_else(|_| Vec::new(), Result::unwrap_or_default);
        surveys.truncate(ADOPTED_MAX);
        surveys
    }

    async fn ask(&self, stream: Stream, survey: &SurveyId) {
        let mut stream = stream.compat();
        if stream.write_all(&framed(&adopted_frame(survey))).await.is_ok() {
            self.hold(stream, *survey).await;
        }
    }

    /// A stream whose survey is not met about is dropped without a byte.
    async fn answer(&self, stream: Stream) {
        let mut stream = stream.compat();
        let mut frame = [0; FRAME_PREFIX + ADOPTED_FRAME];
        let came = timeout(NAMED, stream.read_exact(&mut frame)).await;
        if !matches!(came, Ok(Ok(_))) {
            return;
        }
        let named = frame.split_at_checked(FRAME_PREFIX).and_then(|(_, rest)| adopted_of(rest));
        if let Some(survey) = named.filter(|s| framed(&adopted_frame(s)) == frame) {
            self.hold(stream, survey).await;
        }
    }

    async fn hold<S>(&self, stream: S, survey: SurveyId)
    where
        S: tokio::io::AsyncRead + tokio::io::AsyncWrite + Send + 'static,
    {
        let desk = self.desk.clone();
        let opened = tokio::task::spawn_blocking(move || desk.adopted_desk(&survey)).await;
        let met = match opened.map_err(DeskError::new).and_then(|desk| desk) {
            Ok(None) => return,
            Ok(Some(desk)) => {
                let stay = Stay { stay: false, leave: self.leave.clone() };
                session::hold(stream, desk, self.binding.clone(), stay, |_| {}).await
            }
            Err(e) => Err(e.into()),
        };
        let event = match met {
            Ok(summary) => Event::Adopted { peer: self.peer, survey, summary },
            // The other end does not meet about it, or has left; what has come is kept.
            Err(Failure::LinkLost) => return,
            Err(why) => Event::AdoptedFailed { peer: self.peer, survey, why },
        };
        // A caller that does not listen any more does not want to know.
        let _ = self.events.send(event).await;
    }
}
