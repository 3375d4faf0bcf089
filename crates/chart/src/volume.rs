//! Area and volume of the water against its stage.
//!
//! The depths come from the best surface, one a spot (a square of the survey grid with its true area). Parts where
//! nothing is known are counted as unknown, never as dry and never as zero.

mod band;
pub mod rules;

use crate::units::fixed;
use crate::water::{Spot, Spots, Water};
use crate::{ChartInfo, Surface};
use band::{Band, Known};
use leadline_model::{CAUTION, PRODUCT, escaped};
use std::io;

/// Most rows of a table.
pub const MAX_STAGES: usize = 500;

/// A figure with its band.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Banded {
    /// Best value.
    pub best: f64,
    /// Lower end of the 95 % band.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// The water at one stage.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StageRow {
    /// Metres above the sounding datum.
    pub stage_m: f64,
    /// Area under water, m², of what was surveyed.
    pub area_m2: Banded,
    /// Volume above the surveyed bed, m³.
    pub volume_m3: Banded,
    /// Greatest depth, metres; 0 where all is dry.
    pub deepest_m: f64,
    /// Share of the rim of what was surveyed that is under water, 0 to 1: there the water goes on beyond the figures.
    pub open_rim: f64,
}

impl StageRow {
    /// Volume over area, metres; `None` where all is dry.
    pub fn mean_depth_m(&self) -> Option<f64> {
        (self.area_m2.best > 0.0).then(|| self.volume_m3.best / self.area_m2.best)
    }
}

/// Area and volume against stage.
#[derive(Clone, Debug, PartialEq)]
pub struct VolumeTable {
    /// By stage, rising.
    pub rows: Vec<StageRow>,
    /// Area with known depths (dry bed too), m².
    pub known_m2: f64,
    /// Area inside the water's outline where nothing is known, m²; in none of the rows.
    pub unknown_m2: f64,
    /// Side of the squares that were added up, in cells of the survey grid.
    pub square_cells: u32,
    /// The part of the depths' uncertainty taken as common to all of them, 95 %, metres (median over the area).
    pub shared95_m: f64,
}

/// Area and volume of `water` at each of `stages` (metres above the sounding datum; those that are no number and
/// those beyond the first [`MAX_STAGES`] are left out).
///
/// The band: what the soundings' own bands allow is taken as one error common to the whole map (it does not average
/// away); what the way between soundings adds is taken as common within squares of the surface's largest gap and as
/// independent from square to square.
pub fn volume_table(surface: &Surface, water: &Water, stages: &[f64]) -> VolumeTable {
    let mut stages: Vec<f64> = stages.iter().copied().filter(|s| s.is_finite()).take(MAX_STAGES).collect();
    stages.sort_by(f64::total_cmp);
    stages.dedup();
    let spots = water.spots();
    let known = Known::of(surface, &spots);
    let rim = rim(&spots, &known);
    let rows = stages.iter().map(|s| row(*s, &known, &rim)).collect();
    let known_m2: f64 = known.depths.iter().map(|d| d.area_m2).sum();
    VolumeTable {
        rows,
        known_m2,
        unknown_m2: (spots.total_area_m2() - known_m2).max(0.0),
        square_cells: u32::try_from(spots.side).unwrap_or(u32::MAX),
        shared95_m: known.shared95_m,
    }
}

/// Stages in steps, both ends included as far as the step reaches them.
pub fn stages(from_m: f64, to_m: f64, step_m: f64) -> Vec<f64> {
    if !(from_m.is_finite() && to_m.is_finite() && step_m > 0.0 && to_m >= from_m) {
        return Vec::new();
    }
    let n = libm::floor((to_m - from_m) / step_m + 1e-9).min(MAX_STAGES as f64 - 1.0) as usize;
    (0..=n).map(|i| from_m + step_m * i as f64).collect()
}

fn row(stage_m: f64, known: &Known, rim: &[f64]) -> StageRow {
    let area = known.band(|d, area| if d + stage_m > 0.0 { area } else { 0.0 });
    let volume = known.band(|d, area| (d + stage_m).max(0.0) * area);
    let deepest = known.depths.iter().map(|d| d.depth_m).fold(f64::NEG_INFINITY, f64::max);
    let wet = rim.iter().filter(|d| **d + stage_m > 0.0).count();
    StageRow {
        stage_m,
        area_m2: banded(area),
        volume_m3: banded(volume),
        deepest_m: if deepest.is_finite() { (deepest + stage_m).max(0.0) } else { 0.0 },
        open_rim: if rim.is_empty() { 0.0 } else { wet as f64 / rim.len() as f64 },
    }
}

fn banded(b: Band) -> Banded {
    Banded { best: b.best, low: b.low, high: b.high }
}

/// Depths of the known spots that have no known spot on one of their sides.
fn rim(spots: &Spots, known: &Known) -> Vec<f64> {
    let depth_of = |s: &Spot| known.depth_at(s.row, s.column);
    let open = |i: usize| {
        let beside = spots.neighbours(i).filter_map(|n| spots.list.get(n)).filter_map(depth_of);
        beside.count() < 4
    };
    (0..spots.list.len()).filter(|i| open(*i)).filter_map(|i| depth_of(spots.list.get(i)?)).collect()
}

/// Column names of [`volume_csv`].
pub(crate) const HEADER: &str = "stage_m,area_m2,area_low_m2,area_high_m2,volume_m3,volume_low_m3,volume_high_m3,\
                                 mean_depth_m,deepest_m,open_rim";

/// Writes the table, one row a stage. Comment lines (`#`) say what it is of and what is unknown.
///
/// # Errors
/// Only those of `out`.
pub fn volume_csv(table: &VolumeTable, info: &ChartInfo, out: &mut dyn io::Write) -> io::Result<()> {
    writeln!(
        out,
        "# {PRODUCT}: area and volume of {}, datum: {}",
        escaped(&info.survey),
        escaped(&info.datum)
    )?;
    writeln!(
        out,
        "# known area {} m2; unknown and in no row {} m2; bands are 95 %",
        fixed(table.known_m2, 0),
        fixed(table.unknown_m2, 0)
    )?;
    let newest = info.passes.iter().map(|p| p.last).max();
    writeln!(
        out,
        "# soundings up to {}, by {}",
        newest.map_or_else(|| "?".to_owned(), |t| t.to_string()),
        info.boats().into_iter().map(escaped).collect::<Vec<_>>().join(", ")
    )?;
    writeln!(out, "# {CAUTION}")?;
    writeln!(out, "{HEADER}")?;
    for r in &table.rows {
        let mean = r.mean_depth_m().map(|m| fixed(m, 3)).unwrap_or_default();
        let of = |b: Banded| format!("{},{},{}", fixed(b.best, 1), fixed(b.low, 1), fixed(b.high, 1));
        writeln!(
            out,
            "{},{},{},{mean},{},{}",
            fixed(r.stage_m, 3),
            of(r.area_m2),
            of(r.volume_m3),
            fixed(r.deepest_m, 3),
            fixed(r.open_rim, 3)
        )?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::SurfaceSettings;
    use crate::sample;
    use leadline_model::{Cell, GridPos, LocalFrame, LonLat, Pass, Text, UtcMillis};
    use proptest::prelude::*;

    fn at(lon: f64, lat: f64) -> GridPos {
        GridPos::from_lonlat(LonLat { lon, lat }).expect("on the grid")
    }

    /// One sounding in the middle of every cell within `radius` metres of `middle`.
    fn sounded(middle: GridPos, radius: f64, tvu95_m: f64, depth: impl Fn(f64) -> f64) -> Vec<Cell> {
        let frame = LocalFrame::new(middle);
        let (low, high) = (frame.place(-radius, radius).cell(), frame.place(radius, -radius).cell());
        let ids =
            (low.y..=high.y).flat_map(|y| (low.x..=high.x).map(move |x| leadline_model::CellId { x, y }));
        ids.filter_map(|id| {
            let (e, n) = frame.metres(id.middle());
            let r = e.hypot(n);
            let depth_m = depth(r);
            (r <= radius).then(|| Cell { tvu95_m, ..sample::cell(id.middle(), depth_m) })
        })
        .collect()
    }

    fn table(cells: &[Cell], stages: &[f64]) -> VolumeTable {
        let surface = Surface::new(cells, &SurfaceSettings::default());
        volume_table(&surface, &Water::around(cells), stages)
    }

    #[test]
    fn cone_and_paraboloid_of_cells_at_three_latitudes() {
        // Geometry: π R² Z / 3 and π R² Z / 2. R = 250 m, so that the shore's staircase of cells is fine enough.
        let (r, z) = (250.0, 10.0);
        let disc = std::f64::consts::PI * r * r;
        for lat in [0.0, 48.2, -62.0] {
            let cone = sounded(at(7.4, lat), 290.0, 0.2, |d| z * (1.0 - d / r));
            let bowl = sounded(at(7.4, lat), 290.0, 0.2, |d| z * (1.0 - d * d / r / r));
            for (cells, volume) in [(cone, disc * z / 3.0), (bowl, disc * z / 2.0)] {
                let t = table(&cells, &[0.0]);
                let row = t.rows[0];
                assert!((row.area_m2.best / disc - 1.0).abs() < 0.01, "{lat}: {row:?}");
                assert!((row.volume_m3.best / volume - 1.0).abs() < 0.005, "{lat}: {row:?} {volume}");
                assert!(row.volume_m3.low < volume && volume < row.volume_m3.high);
                assert_eq!(row.open_rim, 0.0, "the shore lies inside what was sounded");
            }
        }
    }

    #[test]
    fn stages_shift_the_cone() {
        // At stage s the water's cone is (z + s) deep and r (z + s) / z wide.
        let cells = sounded(at(7.4, 48.2), 290.0, 0.2, |d| 10.0 * (1.0 - d / 250.0));
        let t = table(&cells, &[-12.0, -5.0, 1.0]);
        let full = std::f64::consts::PI * 250.0 * 250.0 * 10.0 / 3.0;
        assert_eq!((t.rows[0].volume_m3.best, t.rows[0].area_m2.best, t.rows[0].deepest_m), (0.0, 0.0, 0.0));
        assert_eq!(t.rows[0].mean_depth_m(), None);
        for (row, share) in [(t.rows[1], 0.125), (t.rows[2], 1.331)] {
            assert!((row.volume_m3.best / full / share - 1.0).abs() < 0.01, "{row:?}");
        }
        assert!(
            (t.rows[1].mean_depth_m().expect("wet") - 5.0 / 3.0).abs() < 0.03,
            "a cone's mean is a third"
        );
        // The volume is the area summed over the stage (trapezoid): the two columns agree with each other.
        let fine = table(&cells, &stages(-10.0, 0.0, 0.1));
        let areas: Vec<f64> = fine.rows.iter().map(|r| r.area_m2.best).collect();
        let summed = rules::trapezoid_volume(&areas, 0.1);
        assert!((summed / fine.rows[100].volume_m3.best - 1.0).abs() < 0.002, "{summed}");
    }

    #[test]
    fn a_common_error_does_not_average_away() {
        // Flat bed, every cell ±0.20 m: by hand the volume is as uncertain as area × 0.20 m, however many cells.
        for radius in [60.0, 240.0] {
            let cells = sounded(at(7.4, 48.2), radius, 0.2, |_| 5.0);
            let row = table(&cells, &[0.0]).rows[0];
            let half = (row.volume_m3.high - row.volume_m3.low) / 2.0;
            assert!((half / (row.area_m2.best * 0.2) - 1.0).abs() < 0.02, "{radius}: {row:?}");
            assert_eq!(row.open_rim, 1.0);
        }
    }

    #[test]
    fn what_nobody_sounded_is_unknown_not_zero() {
        let all = sounded(at(7.4, 48.2), 300.0, 0.2, |_| 5.0);
        let frame = LocalFrame::new(at(7.4, 48.2));
        // A hole 160 m wide in the middle: wider than the largest gap.
        let holed: Vec<Cell> = all
            .iter()
            .filter(|c| {
                let (e, n) = frame.metres(c.at);
                e.hypot(n) > 80.0
            })
            .cloned()
            .collect();
        let (full, part) = (table(&all, &[0.0]), table(&holed, &[0.0]));
        let hole = std::f64::consts::PI * 80.0 * 80.0;
        assert!((part.unknown_m2 - full.unknown_m2) / hole > 0.9, "{} {}", part.unknown_m2, full.unknown_m2);
        let total = |t: &VolumeTable| t.known_m2 + t.unknown_m2;
        assert!((total(&full) / total(&part) - 1.0).abs() < 1e-9);
        assert!(
            (part.rows[0].mean_depth_m().expect("wet") - 5.0).abs() < 1e-9,
            "the mean is that of known water"
        );
        assert_eq!(table(&[], &[0.0]).known_m2, 0.0);
    }

    #[test]
    fn stages_in_steps() {
        assert_eq!(stages(-1.0, 1.0, 0.5), [-1.0, -0.5, 0.0, 0.5, 1.0]);
        assert_eq!(stages(0.0, 0.3, 0.1).len(), 4);
        assert!(stages(1.0, 0.0, 0.1).is_empty() && stages(0.0, 1.0, 0.0).is_empty());
        assert_eq!(stages(0.0, 1e9, 0.001).len(), MAX_STAGES);
    }

    #[test]
    fn csv_carries_what_is_unknown() {
        let cells = sounded(at(7.4, 48.2), 60.0, 0.2, |_| 5.0);
        let mut out = Vec::new();
        let pass = Pass {
            boat: Text::new("Wren").expect("short"),
            first: UtcMillis(0),
            last: UtcMillis(1_777_000_000_000),
            soundings: 1,
            legs: Vec::new(),
        };
        let info = ChartInfo { survey: "Mere\n1,2".into(), passes: vec![pass], ..ChartInfo::default() };
        volume_csv(&table(&cells, &[-1.0, 0.0]), &info, &mut out).expect("written");
        let text = String::from_utf8(out).expect("UTF-8");
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines.len(), 7, "{text}");
        assert!(lines[1].contains("unknown") && lines[3].contains("not for navigation"));
        assert!(lines[2].contains("2026-04-24") && lines[2].contains("Wren"), "{}", lines[2]);
        assert_eq!((lines[4], lines[6].split(',').count()), (HEADER, 10));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]
        /// Area and volume never fall while the water rises, bands hold the best value, input order does not matter.
        #[test]
        fn rises_with_the_stage(a in 1.0..9.0f64, b in -0.05..0.05f64, tvu in 0.0..1.0f64) {
            let mut cells = sounded(at(7.4, 48.2), 60.0, tvu, |d| a + b * d + (d * 0.3).sin());
            let t = table(&cells, &stages(-12.0, 2.0, 0.7));
            for w in t.rows.windows(2) {
                prop_assert!(w[1].area_m2.best >= w[0].area_m2.best && w[1].volume_m3.best >= w[0].volume_m3.best);
            }
            for r in &t.rows {
                for v in [r.area_m2, r.volume_m3] {
                    prop_assert!(v.low <= v.best && v.best <= v.high && v.low >= 0.0);
                }
                prop_assert!(r.area_m2.best <= t.known_m2 * (1.0 + 1e-12));
            }
            cells.reverse();
            prop_assert_eq!(table(&cells, &stages(-12.0, 2.0, 0.7)), t);
        }
    }
}
