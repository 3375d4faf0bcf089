//! From single soundings to cells: order, first rough depths, slopes, uncertainties, visits, combination.

mod combine;
mod dispute;
mod near;
mod refresh;
mod stump;
mod suspects;
mod visit;

pub use dispute::{Dispute, Rival, Why};
pub(crate) use refresh::{Change, refresh};

use crate::budget::{HalfBeam, ONE_DIMENSION_95};
use crate::fix::circle95;
use crate::limits::grade_within;
use crate::passes::SetTable;
use crate::robust::median;
use crate::slope::{self, Rough, Scales, Slope};
use crate::work::Work;
use crate::{Defaults, Reduced};
use combine::{Combiner, Made, Open};
use leadline_model::{CellId, Grade, Pass, ReducedSounding, Text};
use std::collections::BTreeSet;
use suspects::Suspects;

/// What soundings and cells stand on, as long as passes may be added.
#[derive(Debug, Default)]
pub(crate) struct Footing {
    /// In the order of the soundings.
    work: Vec<Work>,
    /// One for each cell with an accepted sounding, in their order.
    rough: Vec<Rough>,
    slopes: Vec<Slope>,
    /// Keys of the disputed cells with what is open about them, in the order of the disputes.
    open: Vec<(u64, Open)>,
    suspects: Suspects,
    /// Passes that lie off.
    off: Vec<bool>,
}

/// Cells in the order of the tiles' quadkeys, then row and column.
pub(crate) fn cell_key(id: CellId) -> u64 {
    let tile = id.tile();
    let (column, row) = id.in_tile();
    let morton = spread(tile.x()) | spread(tile.y()) << 1;
    morton << 16 | u64::from(row) << 8 | u64::from(column)
}

/// The low 16 bits with a zero between each two.
fn spread(v: u32) -> u64 {
    let mut x = u64::from(v & 0xffff);
    x = (x | x << 8) & 0x00ff_00ff;
    x = (x | x << 4) & 0x0f0f_0f0f;
    x = (x | x << 2) & 0x3333_3333;
    (x | x << 1) & 0x5555_5555
}

/// Brings `work` in the order of cells; what lies in one cell stays in its order.
fn by_cell(work: Vec<Work>) -> Vec<Work> {
    let mut order: Vec<(u64, u32)> = (0u32..).zip(&work).map(|(i, w)| (cell_key(w.at.cell()), i)).collect();
    order.sort_unstable();
    // Into a second list: in place, along the cycles of the permutation, each step waits for the one before (measured:
    // a tenth of the whole time), and the most memory is needed later.
    let mut sorted = Vec::with_capacity(work.len());
    sorted.extend(order.iter().filter_map(|(_, i)| work.get(*i as usize).copied()));
    sorted
}

/// Makes soundings, cells, slopes and disputes of `reduced` from `work`, which is in the order of the passes.
pub(crate) fn map(work: Vec<Work>, reduced: &mut Reduced, mapper: &Mapper<'_>) -> Footing {
    let mut work = by_cell(work);
    work.chunk_by_mut(|a, b| a.at.cell() == b.at.cell()).for_each(stump::decide);
    let rough = rough_cells(&work);
    let slopes = slope::fit(rough.clone(), rough.len(), mapper.defaults);
    reduced.soundings = Vec::with_capacity(work.len());
    reduced.cells = Vec::with_capacity(slopes.len());
    reduced.slopes = Vec::with_capacity(slopes.len());
    let mut suspects = Suspects::new(reduced.passes.len());
    let mut disputed: Vec<(u64, Open)> = Vec::new();
    let mut scales = Scales::default();
    let mut fitted = slopes.iter();
    for group in groups(&work) {
        let slope = group.iter().any(|w| w.void.is_none()).then(|| fitted.next()).flatten();
        reduced.soundings.extend(mapper.soundings(group, slope));
        let Some((made, slope)) = slope.and_then(|s| Some((mapper.cell(group, s, &mut scales)?, s))) else {
            continue;
        };
        suspects.count(&made);
        disputed.extend(made.open.map(|open| (cell_key(made.cell.id), open)));
        reduced.cells.push(made.cell);
        reduced.slopes.push(slope.size() as f32);
    }
    let mut footing = Footing { work, rough, slopes, open: Vec::new(), suspects, off: Vec::new() };
    refresh::settle(reduced, &mut footing, mapper, disputed, &[]);
    footing
}

/// Makes the parts of the map.
pub(crate) struct Mapper<'a> {
    combiner: Combiner<'a>,
    half_beam: HalfBeam,
    unknown: Slope,
    defaults: &'a Defaults,
}

impl<'a> Mapper<'a> {
    pub(crate) fn new(passes: &[Pass], sets: &'a SetTable, defaults: &'a Defaults) -> Self {
        Self {
            combiner: Combiner::new(boat_numbers(passes), sets, defaults),
            half_beam: HalfBeam::of(defaults),
            unknown: Slope::unknown(defaults),
            defaults,
        }
    }

    /// The soundings of one cell.
    fn soundings<'w>(
        &self,
        group: &'w [Work],
        slope: Option<&Slope>,
    ) -> impl Iterator<Item = ReducedSounding> + 'w {
        let (slope, half_beam) = (*slope.unwrap_or(&self.unknown), self.half_beam);
        group.iter().map(move |w| reduced(w, &slope, &half_beam))
    }

    /// The cell that the accepted ones of `group` make.
    fn cell(&self, group: &[Work], slope: &Slope, scales: &mut Scales) -> Option<Made> {
        let accepted: Vec<&Work> = group.iter().filter(|w| w.void.is_none()).collect();
        let id = accepted.first()?.at.cell();
        self.combiner.cell(id, &accepted, slope, &scales.of(id))
    }
}

/// Cell by cell.
fn groups(work: &[Work]) -> impl Iterator<Item = &[Work]> {
    work.chunk_by(|a, b| a.at.cell() == b.at.cell())
}

/// One for each group with an accepted sounding, in their order.
fn rough_cells(work: &[Work]) -> Vec<Rough> {
    let mut scratch = Scratch::default();
    let mut cells = Vec::new();
    for group in groups(work) {
        let number = u32::try_from(cells.len()).unwrap_or(u32::MAX);
        cells.extend(rough(group, &mut scratch).map(|r| Rough { number, ..r }));
    }
    cells
}

/// Numbers of the boats of `passes`, by name: so the order of two boats never changes when others join in.
fn boat_numbers(passes: &[Pass]) -> Vec<u32> {
    let boats: Vec<&Text> = passes.iter().map(|p| &p.boat).collect::<BTreeSet<_>>().into_iter().collect();
    let number = |p: &Pass| boats.binary_search(&&p.boat).map_or(u32::MAX, |i| i as u32);
    passes.iter().map(number).collect()
}

/// Room for depths, used again and again.
#[derive(Default)]
struct Scratch {
    depths: Vec<f64>,
    medians: Vec<f64>,
}

/// Median of the medians of the passes: good enough to see the slope of the bed.
fn rough(group: &[Work], Scratch { depths, medians }: &mut Scratch) -> Option<Rough> {
    let anchored = group.iter().any(|w| w.void.is_none() && w.anchored);
    let used = |w: &&Work| w.void.is_none() && (w.anchored || !anchored);
    let (mut east, mut south, mut n) = (0u64, 0u64, 0u64);
    medians.clear();
    for visit in group.chunk_by(|a, b| a.pass == b.pass) {
        depths.clear();
        for w in visit.iter().filter(used) {
            east += u64::from(w.at.x() & 0xff);
            south += u64::from(w.at.y() & 0xff);
            n += 1;
            depths.push(w.depth);
        }
        medians.extend(median(depths));
    }
    let places = |sum: u64| (sum as f64 / n as f64 + 0.5) as f32;
    let depth = median(medians)?;
    let id = group.first()?.at.cell();
    Some(Rough { id, number: 0, east: places(east), south: places(south), depth, anchored })
}

/// One sounding with the terms that grow with the slope.
fn reduced(w: &Work, slope: &Slope, half_beam: &HalfBeam) -> ReducedSounding {
    let shared = f64::from(w.boat) + f64::from(w.tie) + f64::from(w.day);
    let level = f64::from(w.random) + f64::from(w.visit) + shared;
    let sloped = (f64::from(w.axis) + f64::from(w.lag)) * slope.square();
    let range = f64::from(w.range);
    let beam = half_beam.uncertainty95(range, slope.size());
    let depth_m = w.depth + half_beam.correction(range, slope.size());
    let tvu95 = (ONE_DIMENSION_95 * ONE_DIMENSION_95 * (level + sloped) + beam * beam).sqrt();
    let thu95 = thu95(w);
    let grade = match w.void {
        Some(_) => Grade::Void,
        None => grade_within(depth_m, tvu95, thu95).max(w.cap),
    };
    ReducedSounding {
        time: w.time,
        at: w.at,
        depth_m,
        tvu95_m: tvu95,
        thu95_m: thu95,
        grade,
        void: w.void,
        pass: w.pass,
    }
}

/// 95 % circle of the receiver and the way run during the unknown lag.
pub(crate) fn thu95(w: &Work) -> f64 {
    let circle = circle95(f64::from(w.axis).sqrt());
    (circle * circle + ONE_DIMENSION_95 * ONE_DIMENSION_95 * f64::from(w.lag)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use leadline_model::TileId;

    #[test]
    fn order_is_that_of_the_quadkeys() {
        let mut tiles: Vec<TileId> = [(5, 9), (6, 9), (5, 10), (32_767, 0), (0, 32_767), (12, 12)]
            .iter()
            .filter_map(|&(x, y)| TileId::new(x, y).ok())
            .collect();
        let key = |t: &TileId| cell_key(CellId { x: t.x() << 8 | 3, y: t.y() << 8 | 7 });
        tiles.sort_by_key(key);
        let keys: Vec<String> = tiles.iter().map(|t| t.quadkey()).collect();
        assert!(keys.is_sorted(), "{keys:?}");
        let row = |x, y| cell_key(CellId { x, y });
        assert!(row(1, 0) < row(0, 1) && row(0, 255) < row(256, 0));
    }
}
