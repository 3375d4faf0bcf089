//! From single soundings to cells: order, first rough depths, slopes, uncertainties, visits, combination.

mod combine;
mod dispute;
mod suspects;
mod visit;

pub use dispute::{Dispute, Rival, Why};

use crate::Settings;
use crate::budget::{HalfBeam, ONE_DIMENSION_95};
use crate::fix::circle95;
use crate::limits::grade_within;
use crate::passes::SetTable;
use crate::robust::median;
use crate::slope::{self, Rough, Scales, Slope};
use crate::work::Work;
use combine::Open;
use leadline_model::{Cell, CellId, Grade, Pass, ReducedSounding};
use std::collections::BTreeMap;
use suspects::Suspects;

/// What the map consists of.
pub(crate) struct Mapped {
    pub(crate) soundings: Vec<ReducedSounding>,
    pub(crate) cells: Vec<Cell>,
    pub(crate) slopes: Vec<f32>,
    pub(crate) disputes: Vec<Dispute>,
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

/// Soundings by cell; those of one cell by pass, then time, because `work` is in that order.
pub(crate) fn order(work: &[Work]) -> Vec<(u64, u32)> {
    let mut order: Vec<(u64, u32)> = (0u32..).zip(work).map(|(i, w)| (cell_key(w.at.cell()), i)).collect();
    order.sort_unstable();
    order
}

pub(crate) fn map(
    work: &[Work],
    order: &[(u64, u32)],
    passes: &[Pass],
    sets: &SetTable,
    settings: &Settings,
) -> Mapped {
    let groups = || order.chunk_by(|a, b| a.0 == b.0);
    let slopes = slope::fit(rough_cells(work, groups()), &settings.defaults);
    let combiner = combine::Combiner::new(boat_numbers(passes), sets, &settings.defaults);
    let mut mapped = Mapped {
        soundings: Vec::with_capacity(work.len()),
        cells: Vec::with_capacity(slopes.len()),
        slopes: Vec::with_capacity(slopes.len()),
        disputes: Vec::new(),
    };
    let mut suspects = Suspects::new(passes.len());
    let mut disputed: Vec<(usize, Open)> = Vec::new();
    let half_beam = HalfBeam::of(&settings.defaults);
    let mut scales = Scales::default();
    let mut open: Vec<&Work> = Vec::new();
    let mut fitted = slopes.iter();
    for group in groups() {
        open.clear();
        open.extend(members(work, group).filter(|w| w.void.is_none()));
        let id = open.first().map(|w| w.at.cell());
        let own = id.and_then(|id| fitted.next().map(|slope| (id, slope)));
        let slope = own.map_or_else(|| Slope::unknown(&settings.defaults), |(_, s)| *s);
        mapped.soundings.extend(members(work, group).map(|w| reduced(w, &slope, &half_beam)));
        let made = id.and_then(|id| combiner.cell(id, &open, &slope, &scales.of(id)));
        if let Some(made) = made {
            suspects.count(&made);
            disputed.extend(made.open.map(|open| (mapped.cells.len(), open)));
            mapped.cells.push(made.cell);
            mapped.slopes.push(slope.size() as f32);
        }
    }
    for (i, mut open) in disputed {
        let Some(cell) = mapped.cells.get_mut(i) else { continue };
        if suspects.judge(&mut open) {
            combiner.settle(cell, &open);
        }
        mapped.disputes.push(combiner.dispute(cell.id, &open));
    }
    mapped
}

/// One for each group with an accepted sounding, in their order.
fn rough_cells<'a>(work: &[Work], groups: impl Iterator<Item = &'a [(u64, u32)]>) -> Vec<Rough> {
    let (mut depths, mut medians) = (Vec::new(), Vec::new());
    let mut cells = Vec::new();
    for group in groups {
        let number = u32::try_from(cells.len()).unwrap_or(u32::MAX);
        cells.extend(rough(work, group, number, &mut depths, &mut medians));
    }
    cells
}

fn members<'a>(work: &'a [Work], group: &'a [(u64, u32)]) -> impl Iterator<Item = &'a Work> {
    group.iter().filter_map(|(_, i)| work.get(*i as usize))
}

/// Passes of one boat share a number.
fn boat_numbers(passes: &[Pass]) -> Vec<u32> {
    let mut numbers = BTreeMap::new();
    let boats = passes.iter().map(|p| &p.boat);
    boats
        .map(|b| {
            let next = numbers.len() as u32;
            *numbers.entry(b).or_insert(next)
        })
        .collect()
}

/// Median of the medians of the passes: good enough to see the slope of the bed.
fn rough(
    work: &[Work],
    group: &[(u64, u32)],
    number: u32,
    depths: &mut Vec<f64>,
    medians: &mut Vec<f64>,
) -> Option<Rough> {
    let anchored = members(work, group).any(|w| w.void.is_none() && w.anchored);
    let used = |w: &&Work| w.void.is_none() && (w.anchored || !anchored);
    let (mut east, mut south, mut n) = (0u64, 0u64, 0u64);
    let mut id = None;
    medians.clear();
    for visit in group.chunk_by(|a, b| pass_of(work, a) == pass_of(work, b)) {
        depths.clear();
        for w in members(work, visit).filter(used) {
            id = Some(w.at.cell());
            east += u64::from(w.at.x() & 0xff);
            south += u64::from(w.at.y() & 0xff);
            n += 1;
            depths.push(w.depth);
        }
        medians.extend(median(depths));
    }
    let places = |sum: u64| (sum as f64 / n as f64 + 0.5) as f32;
    let depth = median(medians)?;
    Some(Rough { id: id?, number, east: places(east), south: places(south), depth, anchored })
}

fn pass_of(work: &[Work], entry: &(u64, u32)) -> Option<u32> {
    work.get(entry.1 as usize).map(|w| w.pass)
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
