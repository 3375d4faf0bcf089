//! What every file says of itself: contents, datum, stage, newest sounding, boats, caution.

use crate::ChartInfo;
use crate::units::fixed;
use leadline_model::{CAUTION, PRODUCT, escaped};

/// The statements of a file that holds `contents`, as names and texts in a fixed order. Control characters
/// and direction overrides are made visible; the writer still has to quote as its format asks.
pub fn statements(info: &ChartInfo, contents: &str) -> Vec<(&'static str, String)> {
    let boats: Vec<String> = info.boats().into_iter().map(escaped).collect();
    let newest = info.newest.map_or_else(|| "no sounding".to_owned(), |t| t.to_string());
    vec![
        ("product", PRODUCT.to_owned()),
        ("contents", escaped(contents)),
        ("survey", escaped(&info.survey)),
        ("datum", escaped(&info.datum)),
        ("stage_m", fixed(info.stage_m, 3)),
        ("stage", escaped(&info.stage_text)),
        ("newest_utc", newest),
        ("boats", if boats.is_empty() { "none".to_owned() } else { boats.join(", ") }),
        ("units", "metres, depths positive down; positions in degrees of WGS 84".to_owned()),
        ("caution", CAUTION.to_owned()),
    ]
}

/// The statements as lines of `name: text`, for formats that have room for words only.
pub fn statement_text(info: &ChartInfo, contents: &str) -> String {
    statements(info, contents).iter().map(|(name, text)| format!("{name}: {text}\n")).collect()
}
