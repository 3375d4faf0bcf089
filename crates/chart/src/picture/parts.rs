//! Waters so far apart that one sheet for all would show none of them.

use super::extent::Extent;
use crate::nodes::Node;
use crate::units::fixed;
use leadline_model::GridPos;
use std::collections::BTreeMap;

/// Nodes nearer than this are of one water, metres (judgement: far above any gap between tracks).
const APART_M: f64 = 500.0;
/// A water is drawn alone if a sheet for all would show it smaller than this share of its own size.
const SHARE: f64 = 0.2;

/// What one sheet shows.
pub(super) struct Part {
    /// The nodes on it.
    pub(super) nodes: Vec<Node>,
    /// Cells left to other sheets.
    pub(super) elsewhere: usize,
    /// Where the largest of the others lies, in words.
    pub(super) where_words: String,
}

/// All nodes, or of waters far apart the one that is nearest to `near`, else the one with the most cells.
pub(super) fn part(nodes: &[Node], near: Option<GridPos>) -> Part {
    let whole = || Part { nodes: nodes.to_vec(), elsewhere: 0, where_words: String::new() };
    let all = groups(nodes);
    if all.len() < 2 {
        return whole();
    }
    let chosen = match near {
        Some(p) => all.iter().enumerate().min_by_key(|(_, g)| {
            let from = |n: &Node| {
                let dx = (i64::from(n.at.x()) - i64::from(p.x()) + (1 << 30)).rem_euclid(1 << 31) - (1 << 30);
                let dy = i64::from(n.at.y()) - i64::from(p.y());
                i128::from(dx) * i128::from(dx) + i128::from(dy) * i128::from(dy)
            };
            g.iter().map(from).min()
        }),
        // The first of the largest.
        None => all.iter().enumerate().max_by_key(|(i, g)| (g.len(), std::cmp::Reverse(*i))),
    };
    let Some((index, own)) = chosen else { return whole() };
    let size = |nodes: &[Node]| {
        let e = Extent::of(nodes);
        e.width().max(e.height())
    };
    if size(own) > SHARE * size(nodes) {
        return whole();
    }
    let others = all.iter().enumerate().filter(|(i, _)| *i != index).map(|(_, g)| g);
    let largest = others.max_by_key(|g| g.len());
    let where_words = largest.map(|g| direction(&Extent::bare(own), &Extent::bare(g))).unwrap_or_default();
    Part { elsewhere: nodes.len() - own.len(), nodes: own.clone(), where_words }
}

/// Nodes by water: squares that hold some and touch are one.
fn groups(nodes: &[Node]) -> Vec<Vec<Node>> {
    let mut squares: BTreeMap<(i64, i64), Vec<Node>> = BTreeMap::new();
    for n in nodes {
        let [x, y] = n.xy.map(|v| libm::floor(v / APART_M) as i64);
        squares.entry((x, y)).or_default().push(*n);
    }
    let mut out = Vec::new();
    while let Some(first) = squares.keys().next().copied() {
        let (mut group, mut open) = (Vec::new(), vec![first]);
        while let Some((x, y)) = open.pop() {
            if let Some(own) = squares.remove(&(x, y)) {
                group.extend(own);
                open.extend((-1..=1).flat_map(|dx| (-1..=1).map(move |dy| (x + dx, y + dy))));
            }
        }
        group.sort_by_key(|n| n.id);
        out.push(group);
    }
    out
}

/// Distance and direction from one middle to another on the flat frame, in round words.
fn direction(from: &Extent, to: &Extent) -> String {
    const POINTS: [&str; 8] =
        ["east", "north-east", "north", "north-west", "west", "south-west", "south", "south-east"];
    let ([x, y], [u, v]) = (from.middle(), to.middle());
    let (e, n) = (u - x, v - y);
    let eighth = libm::round(libm::atan2(n, e) / std::f64::consts::FRAC_PI_4) as i64;
    let km = libm::hypot(e, n) / 1000.0;
    format!("about {} km {}", fixed(km, usize::from(km < 10.0)), POINTS[eighth.rem_euclid(8) as usize])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn directions_have_their_names() {
        let at = |e: f64, n: f64| Extent { low: [e, n], high: [e, n] };
        let from = at(0.0, 0.0);
        let says = |e, n| direction(&from, &at(e, n));
        assert_eq!(says(0.0, 3000.0), "about 3.0 km north");
        assert_eq!(says(-30_000.0, -30_000.0), "about 42 km south-west");
        assert_eq!(says(900.0, -10.0), "about 0.9 km east");
    }
}
