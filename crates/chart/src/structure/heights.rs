//! Humps and holes by their prominence, and the saddles between them.

use super::curve::{Quadratic, horn, position_index, size};
use super::lattice::Lattice;
use super::outline::{rings, twice_area};
use super::scene::Scene;
use super::tree::{Branch, branches, flood};
use super::{Form, FormKind, bearing};
use crate::mesh::distance;

/// Most humps, and most holes, that are looked at: the most prominent ones.
const MOST: usize = 400;
/// Fewest cells on the upper half of a hump or the lower half of a hole.
const LEAST_CELLS: usize = 3;
/// A saddle this near to the rim, in nodes, is made by where the tracks end.
const SADDLE_INSIDE: u8 = 2;
/// The ring that the position index compares with, in steps (judgement).
pub(crate) const RING: (f64, f64) = (2.0, 5.0);

/// A peak with what it rises above.
struct Rise {
    branch: Branch,
    /// Key col, or the highest rim node for the highest of its water.
    foot: u32,
    relief_m: f64,
    relief95_m: f64,
}

/// Humps (`up` −1: height is minus the depth) or holes (`up` 1), and the saddles they join at.
pub(crate) fn heights(s: &Scene<'_>, up: f64) -> Vec<Form> {
    let l = s.lattice;
    let height = |i: usize| up * l.depth(i);
    let mut rises: Vec<Rise> = branches(l, height).into_iter().filter_map(|b| rise(s, b, height)).collect();
    rises.sort_by(|a, b| b.relief_m.total_cmp(&a.relief_m).then(a.branch.peak.cmp(&b.branch.peak)));
    rises.truncate(MOST);
    let mut out: Vec<Form> = rises.iter().filter_map(|r| form(s, r, up)).collect();
    out.extend(rises.iter().filter_map(|r| saddle(s, r)));
    out
}

/// Whether a peak rises above its foot by more than its uncertainty.
fn rise(s: &Scene<'_>, branch: Branch, height: impl Fn(usize) -> f64 + Copy) -> Option<Rise> {
    let l = s.lattice;
    let foot = match branch.col {
        Some(col) => col,
        None if l.inside[branch.peak as usize] == 0 => return None,
        None => {
            let water = flood(l, height, branch.peak, f64::NEG_INFINITY, l.len())?;
            let rim = water.into_iter().filter(|i| l.inside[*i as usize] == 0);
            rim.max_by(|a, b| height(*a as usize).total_cmp(&height(*b as usize)).then(b.cmp(a)))?
        }
    };
    let relief_m = height(branch.peak as usize) - height(foot as usize);
    let (relief95_m, needed) = s.needs(branch.peak as usize, foot as usize);
    (relief_m > needed).then_some(Rise { branch, foot, relief_m, relief95_m })
}

fn form(s: &Scene<'_>, r: &Rise, up: f64) -> Option<Form> {
    let l = s.lattice;
    let (peak, foot) = (r.branch.peak as usize, r.foot as usize);
    if l.inside[peak] == 0 {
        // The bed goes on rising (or falling) where nobody sounded: no top, no bottom.
        return None;
    }
    let kind = if up < 0.0 { FormKind::Hump } else { FormKind::Hole };
    let height = |i: usize| up * l.depth(i);
    let half = height(peak) - r.relief_m / 2.0;
    let ground = flood(l, height, r.branch.peak, half, l.len())?;
    let support = s.support(&ground);
    if support.cells < LEAST_CELLS {
        return None;
    }
    let outline = rings(l, height, &ground, half);
    let area_m2: f64 = outline.iter().map(|r| twice_area(r) / 2.0).sum();
    let (length_m, width_m, turn) = extent(l, &ground);
    let open = ground.iter().any(|i| l.inside[*i as usize] == 0);
    let fall = s.grown(&ground).iter().filter_map(|i| horn(l, *i as usize)).map(size).fold(0.0, f64::max);
    let extreme = l.depth(peak);
    let (shoal_m, deep_m) = match kind {
        FormKind::Hump => (extreme.min(support.shoalest_m), l.depth(foot)),
        _ => (l.depth(foot), extreme),
    };
    Some(Form {
        kind,
        scale: s.scale,
        at: place(l, peak),
        line: Vec::new(),
        deep_side: 0.0,
        outline,
        shoal_m,
        deep_m,
        relief_m: r.relief_m,
        relief95_m: r.relief95_m,
        length_m,
        width_m,
        area_m2: Some(area_m2),
        fall,
        bearing_deg: turn,
        index_m: position_index(l, peak, RING.0, RING.1),
        grade: s.grade(l.spots[peak].grade, &support, open, kind),
        visits: support.visits,
        open,
        disputed: support.disputed,
        newest: support.newest,
    })
}

/// The key col of a rise that has one.
fn saddle(s: &Scene<'_>, r: &Rise) -> Option<Form> {
    let l = s.lattice;
    let col = r.branch.col? as usize;
    if l.inside[col] < SADDLE_INSIDE {
        return None;
    }
    let q = Quadratic::fit(l, col, 2).or_else(|| Quadratic::fit(l, col, 1))?;
    let ([one, two], n) = q.principal();
    // The way through runs where the bed falls to both sides: the larger second derivative of the depth.
    let through = if one > two { n } else { [-n[1], n[0]] };
    let at = place(l, col);
    let ends = [r.branch.peak, r.branch.into?].map(|p| l.xy(p as usize));
    let near = s.grown(&[col as u32]);
    let support = s.support(&near);
    let safe = s.surface.safe_depth_at(s.surface.frame().place(at[0], at[1]));
    let depth = l.depth(col);
    Some(Form {
        kind: FormKind::Saddle,
        scale: s.scale,
        at,
        line: Vec::new(),
        deep_side: 0.0,
        outline: Vec::new(),
        shoal_m: safe.map_or(depth, |d| d.min(depth)),
        deep_m: depth,
        relief_m: r.relief_m,
        relief95_m: r.relief95_m,
        length_m: distance(ends[0], at) + distance(at, ends[1]),
        width_m: l.step_m,
        area_m2: None,
        fall: horn(l, col).map_or(0.0, size),
        bearing_deg: bearing(through),
        index_m: position_index(l, col, RING.0, RING.1),
        grade: s.grade(l.spots[col].grade, &support, false, FormKind::Saddle),
        visits: support.visits,
        open: false,
        disputed: support.disputed,
        newest: support.newest,
    })
}

/// Where the bed about a node is level, between the nodes.
fn place(l: &Lattice, i: usize) -> [f64; 2] {
    let p = l.xy(i);
    let off = Quadratic::fit(l, i, 1).and_then(|q| q.level_place(l.step_m)).unwrap_or([0.0; 2]);
    [p[0] + off[0], p[1] + off[1]]
}

/// Length and width of the ellipse with the same second moments as `nodes` (squares of the lattice), and the bearing
/// of its long axis.
fn extent(l: &Lattice, nodes: &[u32]) -> (f64, f64, f64) {
    let n = nodes.len() as f64;
    let mean = |k: usize| nodes.iter().map(|i| l.xy(*i as usize)[k]).sum::<f64>() / n;
    let middle = [mean(0), mean(1)];
    let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
    for i in nodes {
        let p = l.xy(*i as usize);
        let [x, y] = [p[0] - middle[0], p[1] - middle[1]];
        (xx, yy, xy) = (xx + x * x / n, yy + y * y / n, xy + x * y / n);
    }
    // A square of side g has the second moment g²/12.
    let own = l.step_m * l.step_m / 12.0;
    let root = libm::sqrt((xx - yy) * (xx - yy) / 4.0 + xy * xy);
    let (most, least) = ((xx + yy) / 2.0 + root + own, ((xx + yy) / 2.0 - root).max(0.0) + own);
    let angle = 0.5 * libm::atan2(2.0 * xy, xx - yy);
    (4.0 * libm::sqrt(most), 4.0 * libm::sqrt(least), bearing([libm::cos(angle), libm::sin(angle)]))
}
