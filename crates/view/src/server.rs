//! Opening the door and serving until it is shut.

use crate::door::{Doors, random_key};
use crate::meet::Meetings;
use crate::pace::{Paced, Wire};
use crate::site::Site;
use leadline_chart::{Between, Units};
use leadline_model::SurveyId;
use std::future::Future;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;
use tokio::net::TcpListener;

/// What is served, and to whom.
pub struct Settings {
    /// The device's folder.
    pub home: PathBuf,
    /// The survey.
    pub survey: SurveyId,
    /// Unit of depths that people read.
    pub units: Units,
    /// How depths run between the tracks.
    pub between: Between,
    /// Port; 0 = any that is free.
    pub port: u16,
    /// The address on the local network to listen on; `None` = this device alone.
    pub lan: Option<IpAddr>,
    /// What carries out meetings.
    pub meetings: Arc<dyn Meetings>,
}

/// Why the page cannot be served.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ViewError {
    /// The port is taken, or may not be used.
    #[error("cannot listen at {at}: {source}; take another with --port, or 0 for any that is free")]
    Listen {
        /// Where.
        at: SocketAddr,
        /// Why.
        source: std::io::Error,
    },
    /// No runtime.
    #[error("cannot serve: {0}")]
    Io(#[from] std::io::Error),
}

/// A page that is being served.
#[derive(Clone)]
pub struct Serving {
    /// Where it listens.
    pub at: SocketAddr,
    /// What to open; for the local network it holds a key, so it is shown only to whoever may come in.
    pub link: String,
}

impl std::fmt::Debug for Serving {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Serving").field("at", &self.at).finish_non_exhaustive()
    }
}

/// Serves until `stop` is done; `ready` is told where.
///
/// # Errors
/// A port that cannot be listened at.
pub fn serve(
    settings: Settings,
    ready: impl FnOnce(&Serving),
    stop: impl Future<Output = ()> + Send + 'static,
) -> Result<(), ViewError> {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build()?;
    runtime.block_on(run(settings, ready, stop))?;
    // Work that is under way may take minutes; what it writes is written whole or not at all.
    runtime.shutdown_background();
    Ok(())
}

async fn run(
    settings: Settings,
    ready: impl FnOnce(&Serving),
    stop: impl Future<Output = ()> + Send + 'static,
) -> Result<(), ViewError> {
    let ip = settings.lan.unwrap_or(IpAddr::V4(Ipv4Addr::LOCALHOST));
    let at = SocketAddr::new(ip, settings.port);
    let listen = |source| ViewError::Listen { at, source };
    let listener = TcpListener::bind(at).await.map_err(listen)?;
    let at = listener.local_addr().map_err(listen)?;
    let key = settings.lan.map(|_| random_key());
    let doors = Arc::new(Doors::new(settings.home.clone(), key.as_deref()));
    let site = Arc::new(Site::new(
        settings.home,
        settings.survey,
        (settings.units, settings.between),
        settings.lan.is_some(),
        settings.meetings,
    ));
    let keeping_up = tokio::spawn(Arc::clone(&site).keep_up());
    let growing = tokio::spawn(Arc::clone(&site).keep_growing());
    let app = crate::routes::routes(&site, &doors);
    let link = key.map_or_else(|| format!("http://{at}/"), |k| format!("http://{at}/?door={k}"));
    ready(&Serving { at, link });
    let serving = axum::serve(Paced::new(listener), app.into_make_service_with_connect_info::<Wire>());
    // Pages that listen for news never end by themselves, so nothing is waited for.
    tokio::select! {
        done = serving => done?,
        () = stop => {}
    }
    keeping_up.abort();
    growing.abort();
    Ok(())
}
