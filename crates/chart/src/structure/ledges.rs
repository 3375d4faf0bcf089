//! Ledges: bands where the bed falls faster than on both sides of them.
//!
//! An edge detector on the slope: nodes whose slope is greatest across the band, kept by two thresholds (Canny 1986,
//! IEEE Trans. PAMI 8(6) 679-698), joined to lines. The slope must fall to half on both sides; the drop is measured where
//! it has fallen to a quarter.

use super::curve::{horn, size};
use super::lattice::{Lattice, NONE};
use super::lines::{Links, length, smooth};
use super::scene::Scene;
use super::{Form, FormKind, bearing_of, median};
use leadline_model::Grade;

/// Least slope of a ledge, metres down a metre, and the share of it at which one goes on (judgement: 1 in 8).
const STEEP: f64 = 0.125;
const GOES_ON: f64 = 0.6;
/// A ledge is steeper than the usual slope of the water by this much (judgement).
const STEEPER: f64 = 1.5;
/// On both sides the slope falls to this share within this many steps; the drop is measured on to where it has fallen to
/// [`GENTLE`] or rises again.
const GENTLER: f64 = 0.5;
const GENTLE: f64 = 0.25;
const REACH: usize = 5;
/// Linked nodes fall in directions less than 45° apart.
const SAME_WAY: f64 = 0.707;
/// Least length, in steps.
const LEAST_STEPS: f64 = 3.5;

/// A node on a ledge.
#[derive(Clone, Copy)]
struct Edge {
    node: u32,
    at: [f64; 2],
    way: [f64; 2],
    slope: f64,
    top_m: f64,
    bottom_m: f64,
    band_m: f64,
    open: bool,
}

pub(crate) fn ledges(s: &Scene<'_>) -> Vec<Form> {
    let l = s.lattice;
    let slopes: Vec<Option<[f64; 2]>> = (0..l.len()).map(|i| horn(l, i)).collect();
    let sizes: Vec<f64> = slopes.iter().map(|g| g.map_or(f64::NAN, size)).collect();
    let mut known: Vec<f64> = sizes.iter().copied().filter(|v| !v.is_nan()).collect();
    if known.is_empty() {
        return Vec::new();
    }
    let high = STEEP.max(STEEPER * median(&mut known));
    let edge = |(i, g): (usize, &Option<[f64; 2]>)| {
        let (slope, g) = (sizes[i], (*g)?);
        if slope < GOES_ON * high {
            return None;
        }
        let way = [g[0] / slope, g[1] / slope];
        let off = crest(l, &sizes, i, way)?;
        across(l, i, way, slope, off)
    };
    let edges: Vec<Edge> = slopes.iter().enumerate().filter_map(edge).filter(|e| drops(s, e)).collect();
    let chosen: Vec<u32> = edges.iter().map(|e| e.node).collect();
    let links = Links::new(l, &chosen, |a, b| {
        let (p, q) = (edges[a].way, edges[b].way);
        p[0] * q[0] + p[1] * q[1] > SAME_WAY
    });
    let groups = links.groups().into_iter();
    let strong = groups.filter(|g| g.iter().any(|k| edges[*k as usize].slope >= high));
    strong.filter_map(|g| form(s, &edges, &links.trunk(&g))).collect()
}

/// Distance along `way` from node `i` to the greatest slope, if the node is nearer to it than its neighbours.
fn crest(l: &Lattice, sizes: &[f64], i: usize, way: [f64; 2]) -> Option<f64> {
    let far = way[0].abs().max(way[1].abs());
    let [fore, back] =
        [1.0, -1.0].map(|sign| beside(l, sizes, i, [sign * way[0] / far, sign * way[1] / far]));
    let (fore, back, here) = (fore?, back?, sizes[i]);
    if here < fore || here <= back {
        return None;
    }
    let bend = fore - 2.0 * here + back;
    let off = if bend < 0.0 { 0.5 * (back - fore) / bend } else { 0.0 };
    Some(off.clamp(-0.5, 0.5) * l.step_m / far)
}

/// The slope one step away in a direction whose larger part is 1, between the two neighbours there.
fn beside(l: &Lattice, sizes: &[f64], i: usize, way: [f64; 2]) -> Option<f64> {
    // Main neighbour by side, the other by corner; sides are numbered counter-clockwise from east.
    let main = match way {
        [x, y] if x.abs() >= y.abs() => usize::from(x < 0.0) * 4,
        [_, y] => 2 + usize::from(y < 0.0) * 4,
    };
    let side = super::lattice::SIDES[main];
    let (straight, share) = ([f64::from(side[1]), f64::from(side[0])], way[0].abs().min(way[1].abs()));
    let left = straight[0] * way[1] - straight[1] * way[0] > 0.0;
    let corner = if left { (main + 1) % 8 } else { (main + 7) % 8 };
    let value = |k: usize| {
        let j = l.beside[i][k];
        if j == NONE { f64::NAN } else { sizes[j as usize] }
    };
    let v = if share < 1e-9 { value(main) } else { value(main) * (1.0 - share) + value(corner) * share };
    (!v.is_nan()).then_some(v)
}

/// Top and bottom of the band through a node; `None` if the slope goes on.
fn across(l: &Lattice, i: usize, way: [f64; 2], slope: f64, off: f64) -> Option<Edge> {
    let p = l.xy(i);
    let at = [p[0] + off * way[0], p[1] + off * way[1]];
    let (bottom_m, down, open_down) = end(l, at, way, slope)?;
    let (top_m, up, open_up) = end(l, at, [-way[0], -way[1]], slope)?;
    let band_m = down + up;
    Some(Edge { node: i as u32, at, way, slope, top_m, bottom_m, band_m, open: open_down || open_up })
}

/// Depth and distance where the fall along `way` has become gentle, and whether the known water ends first.
fn end(l: &Lattice, from: [f64; 2], way: [f64; 2], slope: f64) -> Option<(f64, f64, bool)> {
    let g = l.step_m;
    let (mut before, mut last, mut gentler) = (l.between(from)?, f64::INFINITY, false);
    for k in 1..=REACH {
        let far = k as f64 * g;
        let Some(here) = l.between([from[0] + far * way[0], from[1] + far * way[1]]) else {
            return (k > 1).then_some((before, far - g, !gentler));
        };
        let fall = (here - before).abs() / g;
        if gentler && fall > last {
            return Some((before, far - g, false));
        }
        if fall < GENTLE * slope {
            // The half step that is still steep belongs to the band.
            return Some(((before + here) / 2.0, far - g / 2.0, false));
        }
        gentler |= fall < GENTLER * slope;
        (before, last) = (here, fall);
    }
    gentler.then_some((before, REACH as f64 * g, false))
}

/// Whether the drop at a node is more than its uncertainty.
fn drops(s: &Scene<'_>, e: &Edge) -> bool {
    let own = s.own95(e.node as usize);
    e.bottom_m - e.top_m > std::f64::consts::SQRT_2 * own
}

fn form(s: &Scene<'_>, edges: &[Edge], trunk: &[u32]) -> Option<Form> {
    let l = s.lattice;
    let along: Vec<Edge> = trunk.iter().map(|k| edges[*k as usize]).collect();
    let line = smooth(along.iter().map(|e| e.at).collect());
    let length_m = length(&line);
    if length_m < (LEAST_STEPS * l.step_m).max(s.doubt.gap_m) {
        return None;
    }
    let of = |f: &dyn Fn(&Edge) -> f64| median(&mut along.iter().map(f).collect::<Vec<f64>>());
    let relief_m = of(&|e| e.bottom_m - e.top_m);
    let own = of(&|e| s.own95(e.node as usize));
    let mut nodes: Vec<u32> = along.iter().map(|e| e.node).collect();
    nodes.sort_unstable();
    let support = s.support(&s.grown(&nodes));
    let open = along.iter().filter(|e| e.open).count() * 2 > along.len();
    let depths = nodes.iter().map(|i| l.spots[*i as usize].grade).max().unwrap_or(Grade::Loose);
    let middle = line[line.len() / 2];
    let turn = |w: &[Edge]| {
        let (x, y) = (w[1].at[0] - w[0].at[0], w[1].at[1] - w[0].at[1]);
        if x * w[0].way[1] - y * w[0].way[0] > 0.0 { 1 } else { -1 }
    };
    let left: i64 = along.windows(2).map(turn).sum();
    Some(Form {
        kind: FormKind::Ledge,
        scale: s.scale,
        at: middle,
        bearing_deg: bearing_of(&line),
        line,
        deep_side: if left > 0 { 1.0 } else { -1.0 },
        outline: Vec::new(),
        shoal_m: of(&|e| e.top_m),
        deep_m: of(&|e| e.bottom_m),
        relief_m,
        relief95_m: std::f64::consts::SQRT_2 * own,
        length_m,
        width_m: of(&|e| e.band_m),
        area_m2: None,
        fall: of(&|e| e.slope),
        index_m: None,
        grade: s.grade(depths, &support, open, FormKind::Ledge),
        visits: support.visits,
        open,
        disputed: support.disputed,
        newest: support.newest,
    })
}
