//! Beyond the drawn shore: a boat on a trailer, or at its berth on land, measures no water.

use leadline_model::{GridPos, LocalFrame, Shoreline};

/// A sounding counts as on land when it lies farther than this beyond the shore, metres: the line is as good as a hand
/// that drew it, and so is the fix (judgement).
const BEYOND_M: f64 = 20.0;
/// Water that stands so much higher than where the shore was drawn has moved it: nothing is judged then, metres
/// (judgement).
const HIGHER_M: f64 = 0.5;

/// A drawn shore, ready to be asked.
#[derive(Clone, Debug, Default)]
pub struct Land {
    stage_m: f64,
    /// Corners of each ring, metres in the frame.
    rings: Vec<Vec<(f64, f64)>>,
    frame: Option<LocalFrame>,
    /// A box round the water, widened by the distance that still counts as water.
    low: (f64, f64),
    high: (f64, f64),
}

impl Land {
    /// Of the shore in force; without one nothing is on land.
    pub fn of(shore: Option<&Shoreline>) -> Self {
        let Some((shore, first)) = shore.and_then(|s| Some((s, *s.rings.first()?.first()?))) else {
            return Self::default();
        };
        let frame = LocalFrame::new(first);
        let rings: Vec<Vec<(f64, f64)>> =
            shore.rings.iter().map(|r| r.iter().map(|p| frame.metres(*p)).collect()).collect();
        let all = || rings.iter().flatten();
        let end =
            |of: fn(&(f64, f64)) -> f64, far: fn(f64, f64) -> f64| all().map(of).reduce(far).unwrap_or(0.0);
        let low = (end(|p| p.0, f64::min) - BEYOND_M, end(|p| p.1, f64::min) - BEYOND_M);
        let high = (end(|p| p.0, f64::max) + BEYOND_M, end(|p| p.1, f64::max) + BEYOND_M);
        Self { stage_m: f64::from(shore.stage_mm) / 1000.0, rings, frame: Some(frame), low, high }
    }

    /// Whether a shore is drawn at all.
    pub fn is_drawn(&self) -> bool {
        self.frame.is_some()
    }

    /// Whether a place is on land while the water stands at `stage_m` above the sounding datum; `None` = not known,
    /// taken as not higher than where the shore was drawn.
    pub fn holds(&self, at: GridPos, stage_m: Option<f64>) -> bool {
        let Some(frame) = &self.frame else { return false };
        if stage_m.is_some_and(|s| s > self.stage_m + HIGHER_M) {
            return false;
        }
        let p = frame.metres(at);
        if p.0 < self.low.0 || p.1 < self.low.1 || p.0 > self.high.0 || p.1 > self.high.1 {
            return true;
        }
        let mut inside = false;
        for ring in &self.rings {
            for (a, b) in ring.iter().zip(ring.iter().cycle().skip(1)) {
                if off(p, *a, *b) <= BEYOND_M {
                    return false;
                }
                let crosses =
                    (a.1 > p.1) != (b.1 > p.1) && p.0 < (b.0 - a.0) * (p.1 - a.1) / (b.1 - a.1) + a.0;
                inside ^= crosses;
            }
        }
        !inside
    }
}

/// Metres from `p` to the line from `a` to `b`.
fn off(p: (f64, f64), a: (f64, f64), b: (f64, f64)) -> f64 {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let length2 = dx * dx + dy * dy;
    let along =
        if length2 > 0.0 { (((p.0 - a.0) * dx + (p.1 - a.1) * dy) / length2).clamp(0.0, 1.0) } else { 0.0 };
    libm::hypot(p.0 - a.0 - along * dx, p.1 - a.1 - along * dy)
}

#[cfg(test)]
mod tests {
    use super::*;
    use leadline_model::LonLat;

    #[test]
    fn land_begins_beyond_the_shore_and_on_islands() {
        let f = LocalFrame::new(GridPos::from_lonlat(LonLat { lon: 7.4, lat: 48.2 }).expect("on the grid"));
        let square = |r: f64| [(-r, -r), (r, -r), (r, r), (-r, r)].map(|(e, n)| f.place(e, n)).to_vec();
        let shore = Shoreline { stage_mm: 300, rings: vec![square(500.0), square(60.0)] };
        let land = Land::of(Some(&shore));
        let at = |e: f64, n: f64| land.holds(f.place(e, n), Some(0.3));
        assert!(!at(300.0, 0.0) && !at(485.0, 485.0), "water");
        assert!(!at(515.0, 0.0) && !at(0.0, -515.0), "within what a hand draws");
        assert!(at(525.0, 0.0) && at(0.0, 2_000.0) && at(515.0, 519.0), "land");
        assert!(at(0.0, 0.0) && !at(50.0, 0.0), "the middle of an island, and its rim");
        assert!(
            !land.holds(f.place(525.0, 0.0), Some(0.9)),
            "the water stands higher than the shore was drawn"
        );
        assert!(land.holds(f.place(525.0, 0.0), None));
        let none = Land::of(None);
        assert!(!none.is_drawn() && !none.holds(f.place(9_000.0, 0.0), None));
        assert!(!Land::of(Some(&Shoreline::default())).holds(f.place(0.0, 0.0), None));
    }
}
