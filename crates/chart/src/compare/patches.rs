//! Squares that changed, joined to patches.
//!
//! A patch begins where the change is proven square by square. Ground between such squares that went the same way belongs
//! to it, and so does the ground round them where the change is still more than a quarter of its band, with and without the shift
//! common to all squares: a bar does not end where its edge is no longer proven, but a wrong level has no edge at all.

use super::{Change, Shift, Square};
use crate::Banded;
use crate::water::{Spots, cell_side_m};
use leadline_model::{GridPos, LocalFrame};
use std::collections::{BTreeMap, BTreeSet};

/// Gaps up to about twice this between proven squares belong to the patch if the bed there went the same way, metres
/// (judgement: tracks of small boats are 10 to 20 m apart, and between them less is proven).
const BRIDGE_M: f64 = 8.0;
/// Share of its band that the change of the ground round a proven square must exceed to belong to it (judgement: on made
/// bars it finds nearly the whole volume; half the band lost a third of it).
const LIKELY: f64 = 0.25;
/// How far that ground reaches, in bridges (judgement: one track spacing; chance alone would reach on and on).
const FRINGE: i64 = 2;
/// Less proven ground than this is a speck: counted, not named (judgement: four cells at 45° latitude).
const LEAST_PROVEN_M2: f64 = 45.0;

/// Joined ground that changed one way.
#[derive(Clone, Debug, PartialEq)]
pub struct Patch {
    /// Which way.
    pub kind: Change,
    /// Indices of its squares in [`super::Comparison::squares`], ascending.
    pub squares: Vec<usize>,
    /// m², with the likely ground between and round the proven squares.
    pub area_m2: f64,
    /// Of that, squares whose change is proven one by one.
    pub proven_m2: f64,
    /// Ground moved, m³, positive. All squares taken as wrong together: the low end is what the proven squares hold
    /// beyond their bands, the high end what the whole patch holds with its bands added.
    pub volume_m3: Banded,
    /// Mean change, metres; positive = deeper.
    pub mean_m: f64,
    /// Largest proven change, metres.
    pub most_m: f64,
    /// Uncertainty of `most_m`, 95 %, metres.
    pub most95_m: f64,
    /// Where it is.
    pub most_at: GridPos,
    /// Centre by moved volume.
    pub centre: GridPos,
    /// Shoalest later depth below the sounding datum, metres.
    pub shoalest_after_m: f64,
    /// The change is one that a hydrographic office asks to be told of.
    pub notable: bool,
    /// Less than half of its proven ground is still proven without the shift common to all squares: it may be a wrong
    /// level.
    pub goes_with_shift: bool,
}

/// Change of a charted depth that is worth a report, metres.
///
/// Source: IHO C-13 Annex H, thresholds of chart comparison: 0.5 m to 10 m of depth, 1 m to 31 m, beyond that 5 %.
pub(super) fn notable_m(depth_m: f64) -> f64 {
    match depth_m {
        d if d <= 10.0 => 0.5,
        d if d <= 31.0 => 1.0,
        d => 0.05 * d,
    }
}

/// Marks each square with its patch. Also the area of proven squares in no patch.
pub(super) fn patches(
    squares: &mut [Square],
    spots: &Spots,
    shift: Option<Shift>,
    stage_m: f64,
) -> (Vec<Patch>, f64) {
    let grid = Grid::of(squares, spots);
    let mut all: Vec<Patch> = [Change::Scour, Change::Fill]
        .into_iter()
        .flat_map(|kind| {
            let ground = grid.grown(squares, grid.closed(squares, kind), kind, shift);
            grid.joined(ground).into_iter().map(move |s| (kind, s))
        })
        .filter_map(|(kind, members)| patch(squares, kind, members, shift, stage_m))
        .collect();
    let proven: f64 = squares.iter().filter(|s| s.proven().is_some()).map(|s| s.area_m2).sum();
    all.retain(|p| p.proven_m2 >= LEAST_PROVEN_M2);
    all.sort_by(|a, b| b.volume_m3.best.total_cmp(&a.volume_m3.best).then(a.squares.cmp(&b.squares)));
    for (i, p) in all.iter().enumerate() {
        for s in &p.squares {
            squares[*s].patch = Some(i);
        }
    }
    let named: f64 = all.iter().map(|p| p.proven_m2).sum();
    (all, (proven - named).max(0.0))
}

/// The common squares by place.
struct Grid {
    index: BTreeMap<(i64, i64), usize>,
    /// Squares bridged to either side.
    reach: i64,
}

impl Grid {
    fn of(squares: &[Square], spots: &Spots) -> Self {
        let index = squares.iter().enumerate().map(|(i, s)| ((s.row, s.column), i)).collect();
        let side = squares.first().map_or(1.0, |s| cell_side_m(s.at) * spots.side as f64);
        Self { index, reach: libm::round(BRIDGE_M / side).clamp(1.0, 4.0) as i64 }
    }

    /// Proven squares of one kind, closed: what lies between them and went the same way belongs to them.
    fn closed(&self, squares: &[Square], kind: Change) -> BTreeSet<(i64, i64)> {
        let proven: BTreeSet<(i64, i64)> =
            squares.iter().filter(|s| s.proven() == Some(kind)).map(|s| (s.row, s.column)).collect();
        let r = self.reach;
        let near = move |(row, column): (i64, i64)| {
            (-r..=r).flat_map(move |i| (-r..=r).map(move |j| (row + i, column + j)))
        };
        let grown: BTreeSet<(i64, i64)> =
            proven.iter().flat_map(|p| near(*p)).filter(|p| self.index.contains_key(p)).collect();
        let between = |p: &(i64, i64)| {
            let square = self.index.get(p).and_then(|i| squares.get(*i));
            square.is_some_and(|s| s.direction() == kind)
                && near(*p).all(|q| grown.contains(&q) || !self.index.contains_key(&q))
        };
        let bridged: Vec<(i64, i64)> = grown.iter().copied().filter(between).collect();
        proven.into_iter().chain(bridged).collect()
    }

    /// `places` and the likely ground that touches them, sides only.
    fn grown(
        &self,
        squares: &[Square],
        mut places: BTreeSet<(i64, i64)>,
        kind: Change,
        shift: Option<Shift>,
    ) -> BTreeSet<(i64, i64)> {
        let shift_m = shift.map_or(0.0, |s| s.shift_m);
        let sign = if kind == Change::Scour { 1.0 } else { -1.0 };
        let likely = |p: &(i64, i64)| {
            let square = self.index.get(p).and_then(|i| squares.get(*i));
            square.is_some_and(|s| {
                let least = LIKELY * s.change95_m;
                sign * s.change_m > least && sign * (s.change_m - shift_m) > least
            })
        };
        let mut rim: Vec<(i64, i64)> = places.iter().copied().collect();
        for _ in 0..FRINGE * self.reach {
            let beside = rim.iter().flat_map(|(r, c)| [(r - 1, *c), (r + 1, *c), (*r, c - 1), (*r, c + 1)]);
            let next: BTreeSet<(i64, i64)> = beside.filter(|p| !places.contains(p) && likely(p)).collect();
            places.extend(&next);
            rim = next.into_iter().collect();
        }
        places
    }

    /// Squares that touch, corners included.
    fn joined(&self, mut left: BTreeSet<(i64, i64)>) -> Vec<Vec<usize>> {
        let mut out = Vec::new();
        while let Some(first) = left.pop_first() {
            let (mut members, mut open) = (Vec::new(), vec![first]);
            while let Some((row, column)) = open.pop() {
                members.extend(self.index.get(&(row, column)).copied());
                let round = (-1..=1).flat_map(|i| (-1..=1).map(move |j| (row + i, column + j)));
                open.extend(round.filter(|p| left.remove(p)));
            }
            members.sort_unstable();
            out.push(members);
        }
        out
    }
}

fn patch(
    squares: &[Square],
    kind: Change,
    members: Vec<usize>,
    shift: Option<Shift>,
    stage_m: f64,
) -> Option<Patch> {
    let its = || members.iter().filter_map(|i| squares.get(*i));
    let sum = |f: &dyn Fn(&Square) -> f64| its().map(f).sum::<f64>();
    let area_m2 = sum(&|s| s.area_m2);
    let signed = sum(&|s| s.change_m * s.area_m2);
    let proven = || its().filter(|s| s.proven() == Some(kind));
    let most = proven().max_by(|a, b| a.change_m.abs().total_cmp(&b.change_m.abs()))?;
    let proven_m2: f64 = proven().map(|s| s.area_m2).sum();
    let volume_m3 = Banded {
        best: signed.abs(),
        low: proven().map(|s| (s.change_m.abs() - s.change95_m) * s.area_m2).sum(),
        high: sum(&|s| (s.change_m.abs() + s.change95_m) * s.area_m2),
    };
    let without = |s: &&Square| {
        let change_m = s.change_m - shift.map_or(0.0, |s| s.shift_m);
        Square { change_m, ..**s }.proven() == Some(kind)
    };
    let stands_m2: f64 = proven().filter(without).map(|s| s.area_m2).sum();
    let seen = |s: &Square| s.proven() == Some(kind) && s.change_m.abs() >= notable_m(s.before_m + stage_m);
    Some(Patch {
        kind,
        area_m2,
        proven_m2,
        volume_m3,
        mean_m: signed / area_m2,
        most_m: most.change_m,
        most95_m: most.change95_m,
        most_at: most.at,
        centre: centre(&members, squares, most.at),
        shoalest_after_m: its().map(|s| s.after_m).fold(f64::INFINITY, f64::min),
        notable: its().any(seen),
        goes_with_shift: shift.is_some_and(|s| s.is_real()) && stands_m2 < 0.5 * proven_m2,
        squares: members,
    })
}

/// The mean place, weighed by what moved; `near` is one of the squares.
fn centre(members: &[usize], squares: &[Square], near: GridPos) -> GridPos {
    let frame = LocalFrame::new(near);
    let (mut east, mut north, mut all) = (0.0, 0.0, 0.0);
    for s in members.iter().filter_map(|i| squares.get(*i)) {
        let (e, n) = frame.metres(s.at);
        let weight = s.change_m.abs() * s.area_m2;
        (east, north, all) = (east + weight * e, north + weight * n, all + weight);
    }
    if all > 0.0 { frame.place(east / all, north / all) } else { near }
}
