//! What ends a command early, and with which exit code.

use leadline_survey::Family;

/// A refusal or failure: what, where, why, and the next step are in its text.
#[derive(Debug, thiserror::Error)]
pub(crate) enum Failure {
    /// The user's input.
    #[error("{0}")]
    Input(String),
    /// A peer or the network.
    #[error("{0}")]
    Peer(String),
    /// The store, in words of the command.
    #[error("{0}")]
    Store(String),
    /// The device's folder.
    #[error("{0}")]
    Survey(#[from] leadline_survey::Error),
    /// An output file.
    #[error("cannot write {path}: {source}; nothing else was changed")]
    Output {
        /// Which.
        path: String,
        /// Why.
        source: std::io::Error,
    },
}

impl Failure {
    /// The exit code.
    pub(crate) fn code(&self) -> u8 {
        match self {
            Self::Input(_) => 1,
            Self::Peer(_) => 3,
            Self::Output { .. } | Self::Store(_) => 4,
            Self::Survey(e) => match e.family() {
                Family::Input => 1,
                Family::Peer => 3,
                _ => 4,
            },
        }
    }

    /// Whoever read our output has gone: that is no failure.
    pub(crate) fn is_broken_pipe(&self) -> bool {
        matches!(self, Self::Output { source, .. } if source.kind() == std::io::ErrorKind::BrokenPipe)
    }

    /// For writing to `path`.
    pub(crate) fn output(path: &std::path::Path) -> impl FnOnce(std::io::Error) -> Self {
        let path = path.display().to_string();
        move |source| Self::Output { path, source }
    }
}
