//! Sounding selection: which soundings a chart of a scale has room for.
//!
//! Shoal-biased: the shoalest comes first and keeps others off within two figures' breadth, so every sounding
//! left out has one beside it that is as shoal or shoaler. Then holes get their deepest sounding where there is
//! a figure's breadth of room around it.

use crate::ChartError;
use leadline_model::{GridPos, scale_factors};
use std::collections::BTreeMap;

/// Breadth of a sounding's figures with their clear space on paper, metres (judgement).
const FIGURE_M: f64 = 0.004;
/// Scale denominators allowed.
const SCALES: std::ops::RangeInclusive<f64> = 100.0..=10_000_000.0;
/// Metres of Pseudo-Mercator in one step of the grid: 2π·6378137 m / 2³¹.
const STEP_M: f64 = 2.0 * std::f64::consts::PI * 6_378_137.0 / 2_147_483_648.0;

/// A sounding to choose from.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Spot {
    pub(crate) at: GridPos,
    pub(crate) depth_m: f64,
}

/// Indices of the chosen spots, ascending. The choice does not depend on the order of the spots (of spots that
/// are equal in depth and place the first is taken).
pub(crate) fn select(spots: &[Spot], scale: f64) -> Result<Vec<usize>, ChartError> {
    if !SCALES.contains(&scale) {
        return Err(ChartError::Scale(scale));
    }
    let figure_m = FIGURE_M * scale;
    let places = places(spots);
    let mut order: Vec<usize> = (0..spots.len()).collect();
    order.sort_by(|a, b| {
        let (p, q) = (&spots[*a], &spots[*b]);
        p.depth_m.total_cmp(&q.depth_m).then(p.at.cmp(&q.at)).then(a.cmp(b))
    });
    let mut kept = Near::new(&places, 2.0 * figure_m);
    for &i in &order {
        if !kept.any_within(i, 2.0 * figure_m) {
            kept.add(i);
        }
    }
    let deepest = deepest_within(&places, &order, 2.0 * figure_m);
    for i in deepest {
        if !kept.any_within(i, figure_m) {
            kept.add(i);
        }
    }
    let mut chosen: Vec<usize> = kept.squares.into_values().flatten().collect();
    chosen.sort_unstable();
    Ok(chosen)
}

/// The spots that have no deeper one within `radius_m`, deepest first; of equals the one that comes later in
/// `order`.
fn deepest_within(places: &[Place], order: &[usize], radius_m: f64) -> Vec<usize> {
    let mut deeper = Near::new(places, radius_m);
    let mut out = Vec::new();
    for &i in order.iter().rev() {
        if !deeper.any_within(i, radius_m) {
            out.push(i);
        }
        deeper.add(i);
    }
    out
}

/// Where a spot lies, in metres of its own latitude.
#[derive(Clone, Copy)]
struct Place {
    /// Metres of Pseudo-Mercator from the first spot, unwrapped the short way.
    mercator: [f64; 2],
    /// True metres in one of them.
    scale: f64,
}

fn places(spots: &[Spot]) -> Vec<Place> {
    let Some(first) = spots.first() else { return Vec::new() };
    let one = |s: &Spot| {
        // A shift by one makes the 31-bit wrap a 32-bit one.
        let dx = (s.at.x() << 1).wrapping_sub(first.at.x() << 1) as i32 / 2;
        let dy = i64::from(first.at.y()) - i64::from(s.at.y());
        let scale = scale_factors(s.at.lonlat().lat).0;
        Place { mercator: [f64::from(dx) * STEP_M, dy as f64 * STEP_M], scale }
    };
    spots.iter().map(one).collect()
}

/// Spots in squares, to ask who is near.
struct Near<'a> {
    places: &'a [Place],
    side: f64,
    squares: BTreeMap<[i64; 2], Vec<usize>>,
}

impl<'a> Near<'a> {
    /// For radii up to `radius_m`.
    fn new(places: &'a [Place], radius_m: f64) -> Self {
        let least = places.iter().map(|p| p.scale).fold(1.0, f64::min);
        // Half the radius: whoever shares a square is near, so crowded squares are answered at once.
        Self { places, side: radius_m / 2.0 / least, squares: BTreeMap::new() }
    }

    fn square(&self, i: usize) -> [i64; 2] {
        self.places[i].mercator.map(|v| libm::floor(v / self.side) as i64)
    }

    fn add(&mut self, i: usize) {
        self.squares.entry(self.square(i)).or_default().push(i);
    }

    /// Whether an added spot is nearer than `radius_m`.
    fn any_within(&self, i: usize, radius_m: f64) -> bool {
        let near = |spots: &Vec<usize>| spots.iter().any(|j| self.apart(i, *j) < radius_m);
        let [x, y] = self.square(i);
        self.squares.get(&[x, y]).is_some_and(near)
            || (x - 2..=x + 2).any(|x| self.squares.range([x, y - 2]..=[x, y + 2]).any(|(_, s)| near(s)))
    }

    fn apart(&self, i: usize, j: usize) -> f64 {
        let (a, b) = (self.places[i], self.places[j]);
        let scale = (a.scale + b.scale) / 2.0;
        libm::hypot(a.mercator[0] - b.mercator[0], a.mercator[1] - b.mercator[1]) * scale
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use leadline_model::LonLat;
    use proptest::prelude::*;

    fn spot(east: f64, north: f64, depth_m: f64) -> Spot {
        let middle = GridPos::from_lonlat(LonLat { lon: 179.9999, lat: 48.0 }).expect("on the grid");
        Spot { at: leadline_model::LocalFrame::new(middle).place(east, north), depth_m }
    }

    fn apart(spots: &[Spot], i: usize, j: usize) -> f64 {
        Near::new(&places(spots), 1.0).apart(i, j)
    }

    /// By hand: at 1 : 2,500 a figure is 10 m broad. The 1 m spot keeps off all within 20 m; the hole's 9 m, 15 m
    /// away, has 10 m of room and comes back; the 8 m between them does not; the 5 m at 30 m stands free.
    #[test]
    fn a_row_by_hand() {
        let row = [
            spot(0.0, 0.0, 1.0),
            spot(7.0, 0.0, 8.0),
            spot(15.0, 0.0, 9.0),
            spot(30.0, 0.0, 5.0),
            spot(33.0, 0.0, 5.5),
        ];
        assert_eq!(select(&row, 2500.0).expect("a scale"), [0, 2, 3]);
        assert_eq!(select(&row, 100.0).expect("a scale"), [0, 1, 2, 3, 4]);
        assert_eq!(select(&row, 1e6).expect("a scale"), [0]);
        assert!(select(&[], 2500.0).expect("a scale").is_empty());
        for bad in [0.0, -5.0, f64::NAN, f64::INFINITY, 1e9] {
            assert!(matches!(select(&row, bad), Err(ChartError::Scale(_))), "{bad}");
        }
    }

    proptest! {
        #[test]
        fn nothing_shoal_is_hidden(
            raw in prop::collection::vec((0..300u32, 0..300u32, 0..40u32), 1..250),
            scale in 500.0..20_000.0f64,
        ) {
            let spots: Vec<Spot> = raw
                .iter()
                .map(|(e, n, d)| spot(f64::from(*e) - 150.0, f64::from(*n), f64::from(*d) / 4.0))
                .collect();
            let chosen = select(&spots, scale).expect("a scale");
            let radius = 2.0 * FIGURE_M * scale;
            for i in 0..spots.len() {
                let covered = chosen.iter().any(|k| {
                    spots[*k].depth_m <= spots[i].depth_m && apart(&spots, i, *k) < radius
                });
                prop_assert!(chosen.contains(&i) || covered, "{i}");
            }
            for (n, a) in chosen.iter().enumerate() {
                for b in &chosen[..n] {
                    prop_assert!(apart(&spots, *a, *b) >= radius / 2.0, "figures {a} and {b} overlap");
                }
            }
            let shoalest = spots.iter().map(|s| s.depth_m).fold(f64::INFINITY, f64::min);
            prop_assert!(chosen.iter().any(|k| spots[*k].depth_m == shoalest));
            // The same soundings in another order are chosen.
            let mut turned = spots.clone();
            turned.reverse();
            let value = |list: &[Spot], chosen: Vec<usize>| {
                let mut v: Vec<_> = chosen.iter().map(|i| (list[*i].at, list[*i].depth_m.to_bits())).collect();
                v.sort_unstable();
                v
            };
            let again = select(&turned, scale).expect("a scale");
            prop_assert_eq!(value(&spots, chosen), value(&turned, again));
        }
    }
}
