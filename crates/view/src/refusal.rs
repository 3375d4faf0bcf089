//! Refusals: what, why and the next step, in one shape.

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use leadline_survey::{Error, Family};
use serde_json::json;

/// Why a request was not carried out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Refusal {
    status: StatusCode,
    what: String,
    why: String,
    next: String,
}

impl Refusal {
    pub(crate) fn new(status: StatusCode, what: &str, why: &str, next: &str) -> Self {
        let own = |t: &str| leadline_model::escaped(t);
        Self { status, what: own(what), why: own(why), next: own(next) }
    }

    /// The request says something that cannot be.
    pub(crate) fn bad(why: &str, next: &str) -> Self {
        Self::new(StatusCode::BAD_REQUEST, "nothing was done", why, next)
    }

    /// There is no such thing.
    pub(crate) fn missing(what: &str, next: &str) -> Self {
        Self::new(StatusCode::NOT_FOUND, "not found", what, next)
    }

    /// Not now.
    pub(crate) fn busy(why: &str, next: &str) -> Self {
        Self::new(StatusCode::SERVICE_UNAVAILABLE, "not now", why, next)
    }

    /// Not through this door.
    pub(crate) fn shut(why: &str, next: &str) -> Self {
        Self::new(StatusCode::FORBIDDEN, "nothing was done", why, next)
    }

    /// A fault of the program.
    pub(crate) fn broken() -> Self {
        Self::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "not answered",
            "the program failed at this request",
            "ask again; the store is whole, for what is written is written whole or not at all",
        )
    }
}

impl From<Error> for Refusal {
    fn from(e: Error) -> Self {
        let status = match e.family() {
            Family::Input => StatusCode::UNPROCESSABLE_ENTITY,
            Family::Peer => StatusCode::BAD_GATEWAY,
            Family::Store => StatusCode::INTERNAL_SERVER_ERROR,
        };
        let told = e.to_string();
        // The program's messages end with the next step behind their last semicolon.
        let (why, next) = told.rsplit_once("; ").unwrap_or((&told, ""));
        Self::new(status, "nothing was done", why, next)
    }
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        let body = json!({"error": {"what": self.what, "why": self.why, "next": self.next}});
        let mut r = (self.status, body.to_string()).into_response();
        let headers = r.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/json"));
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
        r
    }
}
