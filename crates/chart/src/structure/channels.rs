//! Channel lines: where the bed is deepest between two banks.
//!
//! Nodes that a least-squares quadratic calls a channel (Wood 1996, ch. 5: the bed bends down across, and its deepest
//! place across lies within the node), with a bank on each side that rises by more than its uncertainty, joined to lines.

use super::curve::Quadratic;
use super::lines::{Links, length, smooth};
use super::scene::Scene;
use super::{Form, FormKind, bearing_of, median};
use leadline_model::Grade;

/// The quadratic is fitted to nodes up to this far away.
const FIT: i32 = 2;
/// The deepest place across lies within this many steps of the node.
const WITHIN: f64 = 0.75;
/// Banks are looked for this many steps away.
const REACH: usize = 10;
/// Across, the bed bends this much more than along; most nodes of a channel line do (a round hollow has no line).
const STRETCHED: f64 = 2.5;
const MOST_NODES: f64 = 0.6;
/// Banks are steeper than the line itself falls by this much.
const STEEPER: f64 = 2.0;
/// Linked nodes run in directions less than 60° apart.
const SAME_WAY: f64 = 0.5;
/// Least length, in steps.
const LEAST_STEPS: f64 = 8.0;
/// Side branches begin this many steps off the trunk.
const BESIDE: f64 = 2.5;

#[derive(Clone, Copy)]
struct Mid {
    node: u32,
    at: [f64; 2],
    /// Unit vector across.
    across: [f64; 2],
    stretched: bool,
    /// The lower bank over the line, metres, and the distance between the two places where it is reached.
    bank_m: f64,
    width_m: f64,
    bank_fall: f64,
}

pub(crate) fn channels(s: &Scene<'_>) -> Vec<Form> {
    let l = s.lattice;
    let mids: Vec<Mid> = (0..l.len()).filter_map(|i| mid(s, i)).collect();
    let chosen: Vec<u32> = mids.iter().map(|m| m.node).collect();
    let links = Links::new(l, &chosen, |a, b| {
        let (p, q) = (mids[a].across, mids[b].across);
        (p[0] * q[0] + p[1] * q[1]).abs() > SAME_WAY
    });
    let mut open = links.groups();
    let mut out = Vec::new();
    while let Some(group) = open.pop() {
        let stretched = group.iter().filter(|k| mids[**k as usize].stretched).count() as f64;
        if (group.len() as f64) < LEAST_STEPS / 2.0 || stretched < MOST_NODES * group.len() as f64 {
            continue;
        }
        let trunk = links.trunk(&group);
        let Some(form) = form(s, &mids, &trunk) else { continue };
        let near = BESIDE * l.step_m;
        let apart = |k: &u32| super::lines::along(&[mids[*k as usize].at], &form.line, near) == 0.0;
        let rest: Vec<u32> = group.iter().copied().filter(apart).collect();
        open.extend(links.within(&rest));
        out.push(form);
    }
    out
}

fn mid(s: &Scene<'_>, i: usize) -> Option<Mid> {
    let l = s.lattice;
    let q = Quadratic::fit(l, i, FIT)?;
    let ([across, along], n) = q.principal();
    if across >= 0.0 {
        return None;
    }
    let slope_across = q.d * n[0] + q.e * n[1];
    let off = -slope_across / across;
    if off.abs() > WITHIN * l.step_m {
        return None;
    }
    let p = l.xy(i);
    let at = [p[0] + off * n[0], p[1] + off * n[1]];
    let one = bank(s, i, at, n)?;
    let other = bank(s, i, at, [-n[0], -n[1]])?;
    let bank_m = one.0.min(other.0);
    let bank_fall = (one.0 / one.1).min(other.0 / other.1);
    let slope_along = (-q.d * n[1] + q.e * n[0]).abs();
    (bank_fall > STEEPER * slope_along).then_some(Mid {
        node: i as u32,
        at,
        across: n,
        stretched: across.abs() >= STRETCHED * along.abs(),
        bank_m,
        width_m: one.1 + other.1,
        bank_fall,
    })
}

/// Height of the bank over a place and its distance: the highest place that way before the bed is deeper than here
/// again. `None` if that is within the uncertainty.
fn bank(s: &Scene<'_>, i: usize, at: [f64; 2], way: [f64; 2]) -> Option<(f64, f64)> {
    let l = s.lattice;
    let here = l.between(at).unwrap_or_else(|| l.depth(i));
    let own = std::f64::consts::SQRT_2 * s.own95(i);
    let mut best = (0.0, 0.0);
    for k in 1..=REACH {
        let far = k as f64 * l.step_m;
        let Some(d) = l.between([at[0] + far * way[0], at[1] + far * way[1]]) else { break };
        if here - d > best.0 {
            best = (here - d, far);
        }
        // Down again by more than chance: the bank is behind us. Deeper than the line: there is no bank.
        if here - d < best.0 - own || d > here + own {
            break;
        }
    }
    (best.0 > own).then_some(best)
}

fn form(s: &Scene<'_>, mids: &[Mid], trunk: &[u32]) -> Option<Form> {
    let l = s.lattice;
    let along: Vec<Mid> = trunk.iter().map(|k| mids[*k as usize]).collect();
    let line = smooth(along.iter().map(|m| m.at).collect());
    let length_m = length(&line);
    let of = |f: &dyn Fn(&Mid) -> f64| median(&mut along.iter().map(f).collect::<Vec<f64>>());
    if length_m < (LEAST_STEPS * l.step_m).max(2.0 * s.doubt.gap_m) {
        return None;
    }
    let mut nodes: Vec<u32> = along.iter().map(|m| m.node).collect();
    nodes.sort_unstable();
    nodes.dedup();
    let support = s.support(&s.grown(&nodes));
    let frame = s.surface.frame();
    let safe = |p: &[f64; 2]| s.surface.safe_depth_at(frame.place(p[0], p[1]));
    let shoal_m = line.iter().filter_map(safe).fold(f64::INFINITY, f64::min);
    let deepest =
        along.iter().max_by(|a, b| l.depth(a.node as usize).total_cmp(&l.depth(b.node as usize)))?;
    let ends = [trunk.first()?, trunk.last()?].map(|k| l.inside[mids[*k as usize].node as usize]);
    let open = ends.iter().any(|r| i32::from(*r) <= FIT + 1);
    let depths = nodes.iter().map(|i| l.spots[*i as usize].grade).max().unwrap_or(Grade::Loose);
    Some(Form {
        kind: FormKind::Channel,
        scale: s.scale,
        at: deepest.at,
        bearing_deg: bearing_of(&line),
        line,
        deep_side: 0.0,
        outline: Vec::new(),
        shoal_m: shoal_m.min(l.depth(deepest.node as usize)),
        deep_m: l.depth(deepest.node as usize),
        relief_m: of(&|m| m.bank_m),
        relief95_m: std::f64::consts::SQRT_2 * of(&|m| s.own95(m.node as usize)),
        length_m,
        width_m: of(&|m| m.width_m),
        area_m2: None,
        fall: of(&|m| m.bank_fall),
        index_m: None,
        grade: s.grade(depths, &support, open, FormKind::Channel),
        visits: support.visits,
        open,
        disputed: support.disputed,
        newest: support.newest,
    })
}
