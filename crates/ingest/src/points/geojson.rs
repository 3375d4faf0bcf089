//! GeoJSON points (RFC 7946) with a depth among their properties; crowd-sourced bathymetry as in IHO B-12 is one of
//! these. Positions are longitude, latitude; a third number is a height and is not read as a depth.

use super::{MAX_POINT_BYTES, Piece, Row, cell};
use crate::Problem;
use serde::Deserialize;
use serde_json::{Map, Value};

/// Deepest nesting that is followed.
const DEPTH_MAX: usize = 64;

/// Cuts the objects of the outer object's arrays out of a stream of bytes.
#[derive(Default)]
pub(super) struct Cutter {
    /// Open brackets; true = an array.
    stack: Vec<bool>,
    in_text: bool,
    escaped: bool,
    /// The object being gathered.
    object: Option<Vec<u8>>,
    /// It is longer than a point may be.
    too_long: bool,
    /// Nesting beyond [`DEPTH_MAX`]: nothing more is read.
    lost: bool,
}

impl Cutter {
    pub(super) fn push(&mut self, bytes: &[u8], out: &mut Vec<Piece>) {
        for &c in bytes {
            if self.lost {
                return;
            }
            self.byte(c, out);
        }
    }

    pub(super) fn is_torn(&self) -> bool {
        !self.stack.is_empty()
    }

    fn byte(&mut self, c: u8, out: &mut Vec<Piece>) {
        if c == b'{' && !self.in_text && self.stack == [false, true] {
            self.object = Some(Vec::new());
        }
        if let Some(object) = &mut self.object {
            if object.len() < MAX_POINT_BYTES {
                object.push(c);
            } else {
                self.too_long = true;
            }
        }
        if self.in_text {
            self.in_text = self.escaped || c != b'"';
            self.escaped = c == b'\\' && !self.escaped;
            return;
        }
        match c {
            b'"' => self.in_text = true,
            b'{' | b'[' => {
                self.stack.push(c == b'[');
                self.lost = self.stack.len() > DEPTH_MAX;
            }
            b'}' | b']' => {
                self.stack.pop();
                if self.stack == [false, true] && c == b'}' {
                    self.end(out);
                }
            }
            _ => {}
        }
    }

    fn end(&mut self, out: &mut Vec<Piece>) {
        let Some(object) = self.object.take() else { return };
        out.push(if std::mem::take(&mut self.too_long) {
            Piece::Problem(Problem::TooLongLine, "a feature longer than 64 KiB".to_owned())
        } else {
            read(&object)
        });
    }
}

#[derive(Deserialize)]
struct Feature {
    geometry: Option<Geometry>,
    properties: Option<Map<String, Value>>,
}

#[derive(Deserialize)]
struct Geometry {
    #[serde(rename = "type")]
    kind: String,
    #[serde(default)]
    coordinates: Value,
}

fn read(object: &[u8]) -> Piece {
    let Ok(feature) = serde_json::from_slice::<Feature>(object) else {
        return Piece::Problem(Problem::TornLine, cell(&String::from_utf8_lossy(object)));
    };
    let (Some(geometry), Some(properties)) = (feature.geometry, feature.properties) else {
        return Piece::NotNeeded;
    };
    if geometry.kind != "Point" {
        return Piece::NotNeeded;
    }
    let coordinate = |i: usize| geometry.coordinates.get(i).map(Value::to_string).unwrap_or_default();
    let mut row: Row =
        vec![("lon".to_owned(), cell(&coordinate(0))), ("lat".to_owned(), cell(&coordinate(1)))];
    // Of a property that repeats the position, the geometry's stands.
    row.extend(properties.iter().filter(|(n, _)| !matches!(n.as_str(), "lon" | "lat")).filter_map(value));
    Piece::Point(row)
}

fn value((name, value): (&String, &Value)) -> Option<(String, String)> {
    let text = match value {
        Value::Number(n) => n.to_string(),
        Value::String(s) => s.clone(),
        Value::Null => String::new(),
        _ => return None,
    };
    let name = cell(name);
    (!name.is_empty()).then(|| (name, cell(&text)))
}
