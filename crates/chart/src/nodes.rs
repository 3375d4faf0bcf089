//! Cells in canonical order with their place in a flat frame: what every other part works on.

use leadline_model::{Cell, CellId, Grade, GridPos, LocalFrame, UtcMillis};

/// One cell, ready for geometry.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Node {
    pub(crate) id: CellId,
    pub(crate) at: GridPos,
    /// Metres east and north of the frame's origin.
    pub(crate) xy: [f64; 2],
    pub(crate) best_m: f64,
    pub(crate) safe_m: f64,
    /// What contours are drawn from: the safe depth, smoothed to the shoal side.
    pub(crate) line_m: f64,
    pub(crate) tvu95_m: f64,
    pub(crate) grade: Grade,
    pub(crate) disputed: bool,
    pub(crate) soundings: u32,
    pub(crate) main_pass: u32,
    pub(crate) newest: UtcMillis,
    /// What the bed may do here beyond the cells' own uncertainty, 95 %, metres; zero at a cell.
    pub(crate) gap95_m: f64,
}

impl Node {
    /// A place half way between two: no better than the worse of them.
    pub(crate) fn between(a: &Self, b: &Self) -> Self {
        let half = |f: fn(&Self) -> f64| (f(a) + f(b)) / 2.0;
        Self {
            xy: [(a.xy[0] + b.xy[0]) / 2.0, (a.xy[1] + b.xy[1]) / 2.0],
            best_m: half(|n| n.best_m),
            safe_m: half(|n| n.safe_m),
            line_m: half(|n| n.line_m),
            tvu95_m: half(|n| n.tvu95_m),
            grade: a.grade.max(b.grade),
            disputed: a.disputed || b.disputed,
            newest: a.newest.max(b.newest),
            gap95_m: 0.0,
            ..*a
        }
    }
}

/// The chartable cells: void ones and depths that are no number left out, sorted by cell, one per place.
pub(crate) fn canonical(cells: &[Cell]) -> Vec<&Cell> {
    let mut kept: Vec<&Cell> = cells.iter().filter(|c| c.grade != Grade::Void && chartable(c)).collect();
    // The trailing keys only matter for input that repeats a cell; they make the choice independent of order.
    kept.sort_by(|a, b| {
        (a.id, a.at).cmp(&(b.id, b.at)).then(a.depth_m.total_cmp(&b.depth_m)).then(a.newest.cmp(&b.newest))
    });
    kept.dedup_by(|b, a| a.id == b.id);
    kept
}

/// Deepest place of any ocean is under 12 km; beyond that it is no depth.
fn chartable(c: &Cell) -> bool {
    let depth = |d: f64| d.is_finite() && d.abs() < 12_000.0;
    depth(c.depth_m) && depth(c.shoalest_m) && c.tvu95_m.is_finite() && c.tvu95_m >= 0.0
}

/// Nodes of canonical cells, and the frame about the survey's middle.
pub(crate) fn place(cells: &[&Cell]) -> (LocalFrame, Vec<Node>) {
    let frame = LocalFrame::new(middle(cells.iter().map(|c| c.at)));
    let nodes = cells.iter().map(|c| node(c, &frame)).collect();
    (frame, nodes)
}

pub(crate) fn node(c: &Cell, frame: &LocalFrame) -> Node {
    let (east, north) = frame.metres(c.at);
    // S-44 Ed 6.1.0 Annex D: a shoaler accepted sounding beyond the uncertainty must not be smoothed away.
    let safe_m = if c.depth_m - c.shoalest_m > c.tvu95_m { c.shoalest_m } else { c.depth_m };
    Node {
        id: c.id,
        at: c.at,
        xy: [east, north],
        best_m: c.depth_m,
        safe_m,
        line_m: safe_m,
        tvu95_m: c.tvu95_m,
        grade: c.grade,
        disputed: c.disputed,
        soundings: c.soundings,
        main_pass: c.main_pass,
        newest: c.newest,
        gap95_m: 0.0,
    }
}

/// Middle of the bounding box, measured the short way round from the first cell.
pub(crate) fn middle(mut places: impl Iterator<Item = GridPos>) -> GridPos {
    let Some(first) = places.next() else {
        return CellId { x: 1 << 22, y: 1 << 22 }.middle();
    };
    let at_y = i64::from(first.y());
    let (mut x, mut y) = ((0i64, 0i64), (at_y, at_y));
    for at in places {
        // 31-bit difference folded into −2^30 … 2^30.
        let dx = (i64::from(at.x()) - i64::from(first.x()) + (1 << 30)).rem_euclid(1 << 31) - (1 << 30);
        let at_y = i64::from(at.y());
        x = (x.0.min(dx), x.1.max(dx));
        y = (y.0.min(at_y), y.1.max(at_y));
    }
    let mid_x = (i64::from(first.x()) + (x.0 + x.1) / 2).rem_euclid(1 << 31) as u32;
    GridPos::new(mid_x, ((y.0 + y.1) / 2) as u32).unwrap_or(first)
}
