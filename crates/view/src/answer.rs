//! Answers: bytes packed once, and how long a browser may keep them.

use axum::body::{Body, Bytes};
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::response::Response;
use flate2::Compression;
use flate2::write::GzEncoder;
use std::io::Write;

/// Packs for `Content-Encoding: gzip`.
pub(crate) fn packed(bytes: &[u8]) -> Bytes {
    // Level 5: a depth tile takes a millisecond or two, and is hardly larger than at 9.
    let mut gz = GzEncoder::new(Vec::with_capacity(bytes.len() / 3), Compression::new(5));
    // Writing into memory does not fail.
    drop(gz.write_all(bytes));
    gz.finish().unwrap_or_default().into()
}

fn unpacked(bytes: &[u8]) -> Vec<u8> {
    let mut out = Vec::new();
    drop(std::io::Read::read_to_end(&mut flate2::read::GzDecoder::new(bytes), &mut out));
    out
}

/// How long a browser may keep an answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Keep {
    /// Not at all.
    No,
    /// For ever: its address names the version.
    Always,
    /// As long as it asks each time whether it is still the same.
    Asking,
}

impl Keep {
    fn words(self) -> &'static str {
        match self {
            Self::No => "no-store",
            Self::Always => "private, max-age=31536000, immutable",
            Self::Asking => "private, no-cache",
        }
    }
}

/// Whether whoever asks can unpack.
pub(crate) fn takes_packed(headers: &HeaderMap) -> bool {
    let said = headers.get(header::ACCEPT_ENCODING).and_then(|v| v.to_str().ok()).unwrap_or_default();
    said.split(',').any(|part| {
        let mut of = part.split(';').map(str::trim);
        matches!(of.next(), Some("gzip" | "*")) && !of.any(|q| matches!(q, "q=0" | "q=0.0"))
    })
}

/// Answers with bytes that were packed before.
pub(crate) fn from_packed(headers: &HeaderMap, kind: &'static str, gz: &Bytes, keep: Keep) -> Response {
    let takes = takes_packed(headers);
    let body = if takes { gz.clone() } else { unpacked(gz).into() };
    let mut r = Response::new(Body::from(body));
    put(&mut r, header::CONTENT_TYPE, kind);
    put(&mut r, header::CACHE_CONTROL, keep.words());
    put(&mut r, header::VARY, "Accept-Encoding");
    if takes {
        put(&mut r, header::CONTENT_ENCODING, "gzip");
    }
    r
}

/// Answers with JSON, packed where it is worth it.
pub(crate) fn json(headers: &HeaderMap, value: &serde_json::Value, keep: Keep) -> Response {
    let text = value.to_string();
    if text.len() > 1_024 {
        return from_packed(headers, "application/json", &packed(text.as_bytes()), keep);
    }
    let mut r = Response::new(Body::from(text));
    put(&mut r, header::CONTENT_TYPE, "application/json");
    put(&mut r, header::CACHE_CONTROL, keep.words());
    r
}

/// Answers that there is nothing.
pub(crate) fn nothing(keep: Keep) -> Response {
    let mut r = Response::new(Body::empty());
    *r.status_mut() = StatusCode::NO_CONTENT;
    put(&mut r, header::CACHE_CONTROL, keep.words());
    r
}

/// Answers with a file to be saved under `name` (plain letters, digits, `-`, `_`, `.`).
pub(crate) fn file(kind: &'static str, name: &str, bytes: Vec<u8>) -> Response {
    let mut r = Response::new(Body::from(bytes));
    put(&mut r, header::CONTENT_TYPE, kind);
    put(&mut r, header::CACHE_CONTROL, Keep::No.words());
    if let Ok(v) = HeaderValue::from_str(&format!("attachment; filename=\"{name}\"")) {
        r.headers_mut().insert(header::CONTENT_DISPOSITION, v);
    }
    r
}

/// A file name made of the survey's name.
pub(crate) fn file_name(survey: &str, ending: &str) -> String {
    let plain = |c: char| if c.is_ascii_alphanumeric() || c == '-' { c } else { '_' };
    let stem: String = survey.chars().take(40).map(plain).collect();
    let stem = stem.trim_matches('_');
    format!("{}.{ending}", if stem.is_empty() { "survey" } else { stem })
}

pub(crate) fn put(r: &mut Response, name: HeaderName, value: &'static str) {
    r.headers_mut().insert(name, HeaderValue::from_static(value));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn packs_only_for_those_who_take_it() {
        // RFC 9110 12.5.3: a quality of 0 means "not acceptable".
        for (said, takes) in [
            ("gzip", true),
            ("br, gzip;q=0.5", true),
            ("*", true),
            ("gzip;q=0", false),
            ("br", false),
            ("", false),
            ("gzipped", false),
        ] {
            let mut h = HeaderMap::new();
            h.insert(header::ACCEPT_ENCODING, said.parse().expect("a header"));
            assert_eq!(takes_packed(&h), takes, "{said}");
        }
        let text = vec![7u8; 5_000];
        assert!(packed(&text).len() < 200);
        assert_eq!(unpacked(&packed(&text)), text);
    }

    #[test]
    fn file_names_are_plain() {
        assert_eq!(file_name("../../etc/pass wd\"\r\n", "gpx"), "etc_pass_wd.gpx");
        assert_eq!(file_name("湖", "html"), "survey.html");
    }
}
