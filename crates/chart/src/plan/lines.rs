//! The lines to drive: straight, parallel, cut where the boat may not go.

use super::ground::{Ground, State, along};
use crate::tracks::axis_deg;

/// Shorter lines are not worth a turn, metres (judgement).
const LEAST_M: f64 = 15.0;
/// A straight run before and behind a weak spot, so that the boat is steady over it, metres (judgement).
const LEAD_M: f64 = 10.0;
/// The slope's direction counts only if so large a share of it agrees (0 = all ways, 1 = one way; judgement).
const LEAST_AGREEMENT: f64 = 0.15;

/// A straight line in frame metres.
pub(crate) type Line = [[f64; 2]; 2];

/// What was cut off a set of lines.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Cut {
    /// Metres that are too shoal for the boat.
    pub(crate) shoal_m: f64,
    /// Metres where nothing is known and nobody asked to go.
    pub(crate) unknown_m: f64,
}

impl Cut {
    pub(crate) fn add(&mut self, other: Self) {
        self.shoal_m += other.shoal_m;
        self.unknown_m += other.unknown_m;
    }
}

/// Axis across the contours in degrees clockwise from north, from the slopes of the known bed inside the water;
/// without enough of them, or where they point all ways, the short side of the water. The flag says which: true =
/// the bed's. Source: IHO C-13, sounding lines perpendicular to the contours.
pub(crate) fn across_the_slope(ground: &Ground<'_>) -> (f64, bool) {
    let (mut twice_e, mut twice_n, mut all) = (0.0, 0.0, 0.0);
    let w = ground.columns;
    let depth = |i: usize| f64::from(ground.depth[i]);
    for i in (0..ground.depth.len()).filter(|i| ground.inside[*i]) {
        let (x, y) = (i % w, i / w);
        if x == 0 || y == 0 || x + 1 == w || y + 1 == ground.rows {
            continue;
        }
        let (e, n) = (depth(i + 1) - depth(i - 1), depth(i + w) - depth(i - w));
        if e.is_finite() && n.is_finite() {
            // Doubled angle from north: slopes up and down are one axis.
            twice_e += 2.0 * e * n;
            twice_n += n * n - e * e;
            all += e * e + n * n;
        }
    }
    let strength = libm::hypot(twice_e, twice_n);
    if all > 0.0 && strength / all >= LEAST_AGREEMENT {
        let deg = libm::atan2(twice_e, twice_n).to_degrees() / 2.0;
        return (if deg < 0.0 { deg + 180.0 } else { deg }, true);
    }
    let inside: Vec<[f64; 2]> =
        (0..ground.inside.len()).filter(|i| ground.inside[*i]).map(|i| ground.middle(i)).collect();
    let [e, n] = long_axis(&inside);
    (axis_deg(n, -e), false)
}

/// Unit vector along the longer extent of points (principal axis); east where there is none.
fn long_axis(points: &[[f64; 2]]) -> [f64; 2] {
    let count = points.len().max(1) as f64;
    let mean = [0, 1].map(|k| points.iter().map(|p| p[k]).sum::<f64>() / count);
    let (mut ee, mut nn, mut en) = (0.0, 0.0, 0.0);
    for p in points {
        let (e, n) = (p[0] - mean[0], p[1] - mean[1]);
        ee += e * e;
        nn += n * n;
        en += e * n;
    }
    let angle = libm::atan2(2.0 * en, ee - nn) / 2.0;
    [libm::cos(angle), libm::sin(angle)]
}

/// Lines along `axis` (degrees clockwise from north), `spacing` metres apart, over the inside of the water; how many
/// there would be where they are more than `most`.
pub(crate) fn parallel(
    ground: &Ground<'_>,
    axis: f64,
    spacing: f64,
    most: usize,
) -> Result<(Vec<Line>, Cut), usize> {
    let u = [libm::sin(axis.to_radians()), libm::cos(axis.to_radians())];
    let v = [u[1], -u[0]];
    let dot = |p: [f64; 2], q: [f64; 2]| p[0] * q[0] + p[1] * q[1];
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for i in (0..ground.inside.len()).filter(|i| ground.inside[*i]) {
        let p = ground.middle(i);
        for (k, s) in [dot(p, u), dot(p, v)].into_iter().enumerate() {
            low[k] = low[k].min(s);
            high[k] = high[k].max(s);
        }
    }
    let (mut out, mut cut) = (Vec::new(), Cut::default());
    if !low[0].is_finite() {
        return Ok((out, cut));
    }
    // As many lines as leave no place farther than half the spacing from one, evenly spread.
    let count = libm::ceil((high[1] - low[1]) / spacing).max(1.0);
    if count > most as f64 {
        return Err(count as usize);
    }
    let step = (high[1] - low[1]) / count;
    for k in 0..count as usize {
        let off = low[1] + (k as f64 + 0.5) * step;
        let at = |s: f64| [s * u[0] + off * v[0], s * u[1] + off * v[1]];
        let (lines, lost) = pieces(ground, [at(low[0]), at(high[0])], |i| ground.well_inside(i));
        out.extend(lines);
        cut.add(lost);
    }
    Ok((out, cut))
}

/// Runs over the squares of one weak spot: along its longer extent, as many as its width needs.
pub(crate) fn over(ground: &Ground<'_>, squares: &[[f64; 2]], spacing: f64) -> (Vec<Line>, Cut) {
    let u = long_axis(squares);
    let v = [-u[1], u[0]];
    let dot = |p: &[f64; 2], q: [f64; 2]| p[0] * q[0] + p[1] * q[1];
    let mut at: Vec<[f64; 2]> = squares.iter().map(|p| [dot(p, u), dot(p, v)]).collect();
    let low = at.iter().map(|p| p[1]).fold(f64::INFINITY, f64::min);
    let high = at.iter().map(|p| p[1]).fold(f64::NEG_INFINITY, f64::max);
    let count = libm::ceil((high - low) / spacing).max(1.0);
    let strip =
        |p: &[f64; 2]| libm::floor((p[1] - low) / (high - low).max(1e-9) * count).min(count - 1.0) as i64;
    at.sort_by(|a, b| strip(a).cmp(&strip(b)).then(a[0].total_cmp(&b[0])).then(a[1].total_cmp(&b[1])));
    // A gap along a strip parts its run: between them the water is known well enough.
    let gap = (2.0 * spacing).max(30.0);
    let (mut out, mut cut) = (Vec::new(), Cut::default());
    for run in at.chunk_by(|a, b| strip(a) == strip(b) && b[0] - a[0] <= gap) {
        let off = run.iter().map(|p| p[1]).sum::<f64>() / run.len() as f64;
        let place = |s: f64| [s * u[0] + off * v[0], s * u[1] + off * v[1]];
        let (from, to) = (run[0][0], run[run.len() - 1][0]);
        let whole = [place(from - LEAD_M), place(to + LEAD_M)];
        let (lines, lost) = pieces(ground, whole, |_| true);
        // A piece beyond a shoal that no longer touches the spot is no run over it.
        let near = |l: &Line| {
            let s = |p: &[f64; 2]| dot(p, u);
            s(&l[0]).min(s(&l[1])) <= to && s(&l[0]).max(s(&l[1])) >= from
        };
        out.extend(lines.into_iter().filter(near));
        cut.add(lost);
    }
    (out, cut)
}

/// The parts of a line where the boat may go and `wanted` holds; what is too short is left out.
fn pieces(ground: &Ground<'_>, line: Line, wanted: impl Fn(usize) -> bool) -> (Vec<Line>, Cut) {
    let step = ground.side / 3.0;
    let mut cut = Cut::default();
    let mut out: Vec<Line> = Vec::new();
    let mut run: Option<Line> = None;
    let mut close = |run: &mut Option<Line>| {
        if let Some([a, b]) = run.take() {
            out.extend(exact(ground, [a, b]).into_iter().filter(|l| ground.length_m(l[0], l[1]) >= LEAST_M));
        }
    };
    for p in along(line[0], line[1], step) {
        let square = ground.square(p).filter(|i| wanted(*i));
        if square.is_some_and(|i| ground.open(i)) {
            run = Some(run.map_or([p, p], |[a, _]| [a, p]));
            continue;
        }
        match square.map(|i| ground.state[i]) {
            Some(State::Shoal) => cut.shoal_m += step,
            Some(State::Unknown | State::Beyond) => cut.unknown_m += step,
            _ => {}
        }
        close(&mut run);
    }
    close(&mut run);
    (out, cut)
}

/// Cuts what squares were too coarse to see: looks at the safe surface itself.
fn exact(ground: &Ground<'_>, [a, b]: Line) -> Vec<Line> {
    let Some(p) = ground.touches(a, b) else { return vec![[a, b]] };
    let length = libm::hypot(b[0] - a[0], b[1] - a[1]);
    let at = libm::hypot(p[0] - a[0], p[1] - a[1]);
    let place = |s: f64| [a[0] + (b[0] - a[0]) * s / length, a[1] + (b[1] - a[1]) * s / length];
    let mut out = Vec::new();
    if at > 2.0 * ground.side {
        out.push([a, place(at - ground.side)]);
    }
    if length - at > 2.0 * ground.side {
        out.extend(exact(ground, [place(at + ground.side), b]));
    }
    out.retain(|l| ground.touches(l[0], l[1]).is_none());
    out
}
