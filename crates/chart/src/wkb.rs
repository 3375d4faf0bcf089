//! Shapes as well-known binary (OGC 06-103r4 §8), little-endian: for stores that keep geometry as bytes.

use crate::Shape;
use leadline_model::LonLat;

impl Shape {
    /// Point, MultiLineString or MultiPolygon, x = longitude.
    pub fn wkb(&self) -> Vec<u8> {
        let mut out = Vec::new();
        match self {
            Self::Point(p) => {
                head(&mut out, 1);
                place(&mut out, p);
            }
            Self::Lines(lines) => {
                head(&mut out, 5);
                count(&mut out, lines.len());
                for l in lines {
                    head(&mut out, 2);
                    places(&mut out, l);
                }
            }
            Self::Areas(areas) => {
                head(&mut out, 6);
                count(&mut out, areas.len());
                for rings in areas {
                    head(&mut out, 3);
                    count(&mut out, rings.len());
                    rings.iter().for_each(|r| places(&mut out, r));
                }
            }
        }
        out
    }

    /// Least longitude, greatest longitude, least latitude, greatest latitude; `None` of nothing.
    pub fn bounds(&self) -> Option<[f64; 4]> {
        let mut b: Option<[f64; 4]> = None;
        let mut take = |p: &LonLat| {
            let [w, e, s, n] = b.unwrap_or([p.lon, p.lon, p.lat, p.lat]);
            b = Some([w.min(p.lon), e.max(p.lon), s.min(p.lat), n.max(p.lat)]);
        };
        match self {
            Self::Point(p) => take(p),
            Self::Lines(lines) => lines.iter().flatten().for_each(take),
            Self::Areas(areas) => areas.iter().flatten().flatten().for_each(take),
        }
        b
    }
}

fn head(out: &mut Vec<u8>, kind: u32) {
    out.push(1);
    out.extend(kind.to_le_bytes());
}

fn count(out: &mut Vec<u8>, n: usize) {
    // A shape of 4 thousand million parts does not fit into memory before it gets here.
    out.extend(u32::try_from(n).unwrap_or(u32::MAX).to_le_bytes());
}

fn places(out: &mut Vec<u8>, line: &[LonLat]) {
    count(out, line.len());
    line.iter().for_each(|p| place(out, p));
}

fn place(out: &mut Vec<u8>, p: &LonLat) {
    out.extend(p.lon.to_le_bytes());
    out.extend(p.lat.to_le_bytes());
}

#[cfg(test)]
mod tests {
    use super::*;

    /// OGC 06-103r4 §8.2.8: byte order, type, then coordinates; here written out by hand.
    #[test]
    fn a_point_is_21_bytes() {
        let p = Shape::Point(LonLat { lon: 1.0, lat: 2.0 });
        let mut hand = vec![1, 1, 0, 0, 0];
        hand.extend([0, 0, 0, 0, 0, 0, 0xf0, 0x3f]);
        hand.extend([0, 0, 0, 0, 0, 0, 0, 0x40]);
        assert_eq!(p.wkb(), hand);
        assert_eq!(p.bounds(), Some([1.0, 1.0, 2.0, 2.0]));
        assert_eq!(Shape::Lines(Vec::new()).bounds(), None);
    }
}
