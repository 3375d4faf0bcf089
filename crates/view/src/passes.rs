//! Tracks of the passes, cut where the grade changes.

use crate::asked::degrees;
use crate::shown::Shown;
use leadline_model::{Grade, GridPos, LocalFrame, ReducedSounding, UtcMillis, VoidReason};
use serde_json::{Value, json};

/// A track is broken where no sounding came for longer than this, ms (judgement, as the tracks of an export).
const GAP_MS: i64 = 60_000;
/// A track may be drawn so far beside where it went, metres: less than a receiver knows.
const AWAY_M: f64 = 1.0;

/// Tracks as a FeatureCollection of lines.
pub(crate) fn passes_json(shown: &Shown) -> Value {
    let reduced = &shown.computed.reduced;
    let mut all: Vec<&ReducedSounding> = reduced.soundings.iter().filter(|s| is_placed(s)).collect();
    all.sort_unstable_by_key(|s| (s.pass, s.time, s.at));
    let mut features = Vec::new();
    for of_pass in all.chunk_by(|a, b| a.pass == b.pass) {
        for run in of_pass.chunk_by(|a, b| b.time.0 - a.time.0 <= GAP_MS) {
            runs(shown, run, &mut features);
        }
    }
    json!({"type": "FeatureCollection", "features": features})
}

/// Whether its position can be drawn.
fn is_placed(s: &ReducedSounding) -> bool {
    !matches!(s.void, Some(VoidReason::NoFix | VoidReason::PoorFix | VoidReason::PositionJump))
}

/// One unbroken run: a line for each stretch of one grade, the stretches joined at their ends.
fn runs(shown: &Shown, run: &[&ReducedSounding], out: &mut Vec<Value>) {
    let mut from = 0;
    while from < run.len() {
        let grade = run[from].grade;
        let end = run[from..].iter().position(|s| s.grade != grade).map_or(run.len(), |n| from + n);
        // To the first sounding of the next grade, so that there is no gap.
        let stretch = &run[from..(end + 1).min(run.len())];
        out.extend(line(shown, stretch, grade));
        from = end;
    }
}

fn line(shown: &Shown, stretch: &[&ReducedSounding], grade: Grade) -> Option<Value> {
    let first = stretch.first()?;
    let pass = shown.computed.reduced.passes.get(first.pass as usize)?;
    let places: Vec<[f64; 2]> =
        thinned(stretch.iter().map(|s| s.at)).into_iter().map(|p| degrees(p.lonlat())).collect();
    // Across the antimeridian a line would go round the world.
    let round_the_world = places.windows(2).any(|w| (w[0][0] - w[1][0]).abs() > 180.0);
    if places.len() < 2 || round_the_world {
        return None;
    }
    let utc = |t: UtcMillis| t.to_string();
    Some(json!({
        "type": "Feature",
        "properties": {
            "pass": first.pass + 1, "n": first.pass + 1, "boat": pass.boat.to_string(), "grade": grade.word(),
            "fresh": shown.fresh.contains(&first.pass), "from_utc": utc(first.time),
            "to_utc": utc(stretch.last().map_or(first.time, |s| s.time)),
        },
        "geometry": {"type": "LineString", "coordinates": places},
    }))
}

/// Leaves out places that lie on the way between others, within [`AWAY_M`]: a new place is kept when the straight way
/// from the last kept one would pass some place between too far off.
fn thinned(places: impl Iterator<Item = GridPos>) -> Vec<GridPos> {
    let mut kept: Vec<GridPos> = Vec::new();
    let mut between: Vec<GridPos> = Vec::new();
    for p in places {
        let Some(last) = kept.last() else {
            kept.push(p);
            continue;
        };
        let frame = LocalFrame::new(*last);
        let to = frame.metres(p);
        let is_straight = between.len() < 64 && between.iter().all(|b| off(frame.metres(*b), to) <= AWAY_M);
        if !is_straight && let Some(b) = between.last() {
            kept.push(*b);
            between.clear();
        }
        between.push(p);
    }
    kept.extend(between.last());
    kept
}

/// Distance of a point from the way from zero to `to`, metres.
fn off(p: (f64, f64), to: (f64, f64)) -> f64 {
    let square = to.0 * to.0 + to.1 * to.1;
    let t = if square > 0.0 { ((p.0 * to.0 + p.1 * to.1) / square).clamp(0.0, 1.0) } else { 0.0 };
    (p.0 - t * to.0).hypot(p.1 - t * to.1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_thinned_track_stays_within_a_metre() {
        let start = GridPos::new(1_000_000_000, 700_000_000).expect("on the grid");
        let frame = LocalFrame::new(start);
        let at = |i: i32| {
            let s = f64::from(i);
            frame.place(s, 20.0 * (s / 60.0).sin())
        };
        let all: Vec<GridPos> = (0..600).map(at).collect();
        let kept = thinned(all.iter().copied());
        assert!(kept.len() < 120 && kept.len() > 10, "{}", kept.len());
        assert_eq!((kept.first(), kept.last()), (all.first(), all.last()));
        for p in &all {
            let nearest = kept.windows(2).map(|w| {
                let f = LocalFrame::new(w[0]);
                off(f.metres(*p), f.metres(w[1]))
            });
            assert!(nearest.fold(f64::INFINITY, f64::min) <= AWAY_M + 0.05);
        }
    }
}
