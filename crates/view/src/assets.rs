//! The page's own files, embedded in the program.

use crate::answer::{Keep, from_packed, packed, put};
use axum::body::{Body, Bytes};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::Response;
use std::sync::OnceLock;

/// One file of the page.
pub(crate) struct Asset {
    /// Its address behind the first slash.
    pub(crate) path: &'static str,
    kind: &'static str,
    pub(crate) bytes: &'static [u8],
}

const HTML: &str = "text/html; charset=utf-8";
const CSS: &str = "text/css; charset=utf-8";
const SCRIPT: &str = "text/javascript; charset=utf-8";

/// All files of the page; the first is the page itself. `crates/view/page` holds them.
pub(crate) const ASSETS: &[Asset] = &[
    Asset { path: "index.html", kind: HTML, bytes: include_bytes!("../page/index.html") },
    Asset { path: "page.css", kind: CSS, bytes: include_bytes!("../page/page.css") },
    Asset { path: "words.js", kind: SCRIPT, bytes: include_bytes!("../page/words.js") },
    Asset { path: "core.js", kind: SCRIPT, bytes: include_bytes!("../page/core.js") },
    Asset { path: "vendor/ol.js", kind: SCRIPT, bytes: include_bytes!("../page/vendor/ol.js") },
    Asset { path: "source.js", kind: SCRIPT, bytes: include_bytes!("../page/source.js") },
    Asset { path: "palette.js", kind: SCRIPT, bytes: include_bytes!("../page/palette.js") },
    Asset { path: "contour.js", kind: SCRIPT, bytes: include_bytes!("../page/contour.js") },
    Asset { path: "tint.js", kind: SCRIPT, bytes: include_bytes!("../page/tint.js") },
    Asset { path: "water.js", kind: SCRIPT, bytes: include_bytes!("../page/water.js") },
    Asset { path: "pocket.js", kind: SCRIPT, bytes: include_bytes!("../page/pocket.js") },
    Asset { path: "overlays.js", kind: SCRIPT, bytes: include_bytes!("../page/overlays.js") },
    Asset { path: "map.js", kind: SCRIPT, bytes: include_bytes!("../page/map.js") },
    Asset { path: "sheet.js", kind: SCRIPT, bytes: include_bytes!("../page/sheet.js") },
    Asset { path: "panel-water.js", kind: SCRIPT, bytes: include_bytes!("../page/panel-water.js") },
    Asset { path: "panel-layers.js", kind: SCRIPT, bytes: include_bytes!("../page/panel-layers.js") },
    Asset { path: "pen.js", kind: SCRIPT, bytes: include_bytes!("../page/pen.js") },
    Asset { path: "profile.js", kind: SCRIPT, bytes: include_bytes!("../page/profile.js") },
    Asset { path: "panel-place.js", kind: SCRIPT, bytes: include_bytes!("../page/panel-place.js") },
    Asset { path: "panel-who.js", kind: SCRIPT, bytes: include_bytes!("../page/panel-who.js") },
    Asset { path: "panel-meet.js", kind: SCRIPT, bytes: include_bytes!("../page/panel-meet.js") },
    Asset { path: "panel-do.js", kind: SCRIPT, bytes: include_bytes!("../page/panel-do.js") },
    Asset { path: "underway.js", kind: SCRIPT, bytes: include_bytes!("../page/underway.js") },
    Asset { path: "start.js", kind: SCRIPT, bytes: include_bytes!("../page/start.js") },
];

/// A file by its address.
pub(crate) fn asset(path: &str) -> Option<usize> {
    let path = if path == "/" { "index.html" } else { path.trim_start_matches('/') };
    ASSETS.iter().position(|a| a.path == path)
}

/// Each file packed, with the tag of its content.
fn ready() -> &'static [(Bytes, String)] {
    static READY: OnceLock<Vec<(Bytes, String)>> = OnceLock::new();
    READY.get_or_init(|| {
        let tag = |bytes: &[u8]| format!("\"{}\"", &blake3::hash(bytes).to_hex()[..16]);
        ASSETS.iter().map(|a| (packed(a.bytes), tag(a.bytes))).collect()
    })
}

/// Answers with a file, or that the browser has it already.
pub(crate) fn answer(headers: &HeaderMap, i: usize) -> Response {
    let (asset, (gz, tag)) = (&ASSETS[i], &ready()[i]);
    let known = headers.get(header::IF_NONE_MATCH).and_then(|v| v.to_str().ok()).unwrap_or_default();
    let mut r = if known.split(',').any(|t| t.trim().trim_start_matches("W/") == tag) {
        let mut r = Response::new(Body::empty());
        *r.status_mut() = StatusCode::NOT_MODIFIED;
        put(&mut r, header::CACHE_CONTROL, "private, no-cache");
        r
    } else {
        from_packed(headers, asset.kind, gz, Keep::Asking)
    };
    if let Ok(v) = HeaderValue::from_str(tag) {
        r.headers_mut().insert(header::ETAG, v);
    }
    r
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bytes on the wire that the page may take (own bar: a phone on a crowded hotspot loads it in a few seconds).
    const MOST: usize = 1_500_000;

    #[test]
    fn the_page_is_small_and_asks_nobody_else() {
        let all: usize = ready().iter().map(|(gz, _)| gz.len()).sum();
        assert!(all <= MOST, "{all} bytes packed");
        assert_eq!(ASSETS[0].path, "index.html");
        let page = std::str::from_utf8(ASSETS[0].bytes).expect("UTF-8");
        for elsewhere in ["src=\"http", "href=\"http", "src=\"//", "href=\"//"] {
            assert!(!page.contains(elsewhere), "{elsewhere}");
        }
        let inline = page.split("<script").skip(1).filter(|s| !s.starts_with(" src="));
        assert_eq!(inline.count(), 0, "the page's policy lets no inline script run");
        for a in ASSETS {
            assert!(
                page.contains(a.path) || a.path == "index.html" || a.path.starts_with("vendor/"),
                "{} is not used",
                a.path
            );
        }
    }
}
