//! The pocket chart: the page, its scripts and the survey's tiles as one file that opens with no server at all.

use crate::answer::{file, file_name, packed};
use crate::assets::ASSETS;
use crate::chart::chart_json;
use crate::passes::passes_json;
use crate::place::marks_json;
use crate::refusal::Refusal;
use crate::shown::Shown;
use crate::site::Site;
use crate::tiles::soundings_json;
use axum::extract::State;
use axum::response::Response;
use leadline_chart::{ChartInfo, Theme, Units, chart_html, chart_svg};
use leadline_survey::KnownMark;
use serde_json::{Map, Value, json};
use std::sync::Arc;

/// Finest zoom: a node every half cell, so the survey's own cells lose nothing.
const FINEST: u8 = 17;
/// Coarsest zoom: below it a survey is a dot.
const COARSEST: u8 = 6;
/// Packed tiles, bytes; larger surveys are carried coarser.
const MOST_TILES: usize = 24 << 20;
/// Tiles of one zoom.
const MOST_OF_ZOOM: usize = 8_192;

/// What a file may load: nothing from anywhere.
const POLICY: &str = "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; script-src 'unsafe-inline'; \
                      style-src 'unsafe-inline'; img-src data: blob:\">";

/// A pocket chart.
#[derive(Clone, Debug)]
pub struct Pocket {
    /// The file.
    pub html: Vec<u8>,
    /// Finest zoom of its tiles.
    pub max_zoom: u8,
    /// Number of its depth tiles.
    pub tiles: usize,
}

/// `GET /api/pocket`
pub(crate) async fn download(State(site): State<Arc<Site>>) -> Result<Response, Refusal> {
    let shown = site.shown("all").await?;
    let name = file_name(&shown.name.0, "html");
    let pocket = site
        .work(move |site| {
            let (_, store) = site.open()?;
            let marks = store.marks()?;
            Ok(pocket_chart(&shown, &shown.info(site.units), site.units, &marks))
        })
        .await?;
    Ok(file("text/html; charset=utf-8", &name, pocket.html))
}

/// Writes one. Of the marks only those the crew has go along: a file is passed on.
pub fn pocket_chart(shown: &Shown, info: &ChartInfo, units: Units, marks: &[KnownMark]) -> Pocket {
    let (tiles, max_zoom) = tiles(shown);
    let min_zoom =
        tiles.keys().filter_map(|k| k.split('/').next()?.parse::<u8>().ok()).min().unwrap_or(COARSEST);
    let shared: Vec<KnownMark> = marks.iter().filter(|m| m.shared).cloned().collect();
    let mut chart = chart_json(shown, units, None).unwrap_or_default();
    chart["door"] = json!("file");
    chart["stage_given_m"] = json!(info.stage_m);
    let count = tiles.len();
    let data = json!({
        "chart": chart, "tiles": tiles, "soundings": soundings(shown, min_zoom, max_zoom), "marks": marks_json(&shared),
        "passes": passes_json(shown), "min_zoom": min_zoom, "max_zoom": max_zoom,
    });
    let html = page(&data, &still(shown, info));
    Pocket { html: html.into_bytes(), max_zoom, tiles: count }
}

/// Depth tiles from the coarsest zoom to the finest that fits.
fn tiles(shown: &Shown) -> (Map<String, Value>, u8) {
    let (mut all, mut bytes, mut finest) = (Map::new(), 0, COARSEST);
    for zoom in COARSEST..=FINEST {
        let at = shown.tiles.known(zoom);
        if at.len() > MOST_OF_ZOOM {
            break;
        }
        let mut of_zoom = Vec::new();
        for (x, y) in at {
            if let Some(tile) = shown.tiles.tile(&shown.surface, zoom, x, y) {
                let gz = packed(&tile);
                bytes += gz.len();
                of_zoom.push((format!("{zoom}/{x}/{y}"), json!(base64(&gz))));
            }
        }
        if bytes > MOST_TILES {
            break;
        }
        finest = zoom;
        all.extend(of_zoom);
    }
    (all, finest)
}

fn soundings(shown: &Shown, min_zoom: u8, max_zoom: u8) -> Map<String, Value> {
    let mut out = Map::new();
    for zoom in min_zoom..=max_zoom {
        for (x, y) in shown.tiles.known(zoom) {
            let list = soundings_json(shown, zoom, x, y);
            if !list.is_empty() {
                out.insert(format!("{zoom}/{x}/{y}"), Value::Array(list));
            }
        }
    }
    out
}

/// What is read where scripts are off: the still sheet with its words.
fn still(shown: &Shown, info: &ChartInfo) -> String {
    let svg = chart_svg(&shown.surface, info, None);
    let whole = chart_html(&shown.surface, info, None, &svg, Theme::Light);
    let body =
        whole.split_once("<body>").and_then(|(_, rest)| rest.split_once("</body>")).map_or("", |(b, _)| b);
    body.to_owned()
}

/// The page with everything in it.
fn page(data: &Value, still: &str) -> String {
    let html = String::from_utf8_lossy(ASSETS[0].bytes);
    let (html, scripts) = inlined(&html);
    let html = html.replacen("<head>", &format!("<head>{POLICY}"), 1);
    let html = match html.split_once("</noscript>") {
        Some((before, after)) => format!("{before}{still}</noscript>{after}"),
        None => html.replacen("</body>", &format!("<noscript>{still}</noscript></body>"), 1),
    };
    // In JSON `<` stands only in texts, so no text ends the script.
    let json = data.to_string().replace('<', "\\u003c");
    let tail =
        format!("<script type=\"application/json\" id=\"leadline-pocket\">{json}</script>\n{scripts}</body>");
    match html.rsplit_once("</body>") {
        Some((before, after)) => format!("{before}{tail}{after}"),
        None => format!("{html}{tail}"),
    }
}

/// The page without its links to styles and scripts: styles stand where they were linked, scripts are given apart, in
/// their order, to stand at the end of the page.
fn inlined(html: &str) -> (String, String) {
    let (mut out, mut scripts) = (String::with_capacity(html.len()), String::new());
    let mut rest = html;
    while let Some(at) = rest.find("<script").into_iter().chain(rest.find("<link")).min() {
        out.push_str(&rest[..at]);
        let tag = &rest[at..at + rest[at..].find('>').map_or(rest.len() - at, |e| e + 1)];
        let content = attribute(tag, "src").or_else(|| attribute(tag, "href")).and_then(content);
        let is_script = tag.starts_with("<script");
        let end = match is_script {
            true => rest[at..].find("</script>").map_or(rest.len(), |e| at + e + "</script>".len()),
            false => at + tag.len(),
        };
        match content {
            Some(text) if is_script => {
                scripts.push_str("<script>");
                scripts.push_str(&text.replace("</script", "<\\/script"));
                scripts.push_str("</script>\n");
            }
            Some(text) if tag.contains("stylesheet") => {
                out.push_str("<style>");
                out.push_str(&text.replace("</style", "<\\/style"));
                out.push_str("</style>");
            }
            // An icon or another link: nothing of it is needed in a file.
            _ => {}
        }
        rest = &rest[end..];
    }
    out.push_str(rest);
    (out, scripts)
}

fn attribute<'a>(tag: &'a str, name: &str) -> Option<&'a str> {
    let (_, rest) = tag.split_once(&format!(" {name}=\""))?;
    rest.split_once('"').map(|(value, _)| value)
}

fn content(path: &str) -> Option<&'static str> {
    let path = path.trim_start_matches("./").trim_start_matches('/');
    let asset = ASSETS.iter().find(|a| a.path == path)?;
    std::str::from_utf8(asset.bytes).ok()
}

/// RFC 4648, section 4.
fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for chunk in bytes.chunks(3) {
        let n = chunk.iter().fold(0u32, |n, b| n << 8 | u32::from(*b)) << (8 * (3 - chunk.len()));
        for i in 0..4 {
            let letter = LETTERS[(n >> (18 - 6 * i) & 63) as usize];
            out.push(if i <= chunk.len() { char::from(letter) } else { '=' });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_of_the_standard() {
        // RFC 4648, section 10.
        for (plain, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }

    #[test]
    fn a_pocket_page_loads_nothing() {
        let data = json!({"chart": {"survey": {"name": "</script><script>alert(1)</script><!--"}}});
        let html = page(&data, "<p>still</p>");
        assert!(html.contains("id=\"leadline-pocket\"") && html.contains("<p>still</p>"));
        assert!(!html.contains("</script><script>alert"), "a name must not end the script");
        for link in [" src=\"", "<link"] {
            let outside = html.split("<script>").next().unwrap_or_default();
            assert!(!outside.contains(link), "{link}");
        }
        assert!(html.contains("default-src 'none'"));
        let at = |what: &str| html.find(what).expect(what);
        assert!(at("leadline-pocket") < at("</body>"));
    }
}
