//! An invented winding reservoir with a known bed, sounded by two boats, as cells. Names are invented.

use leadline_model::{Cell, CellId, Grade, GridPos, LocalFrame, LonLat, Pass, StageReading, Text, UtcMillis};
use std::collections::BTreeMap;

/// Where the survey's zero lies; open ocean, on purpose.
pub(crate) const MIDDLE: LonLat = LonLat { lon: -38.25, lat: 44.5 };

/// Shape and density of the survey.
#[derive(Clone, Copy)]
pub(crate) struct Plan {
    /// Size against the usual 1.8 km.
    pub(crate) scale: f64,
    /// Distance of the main lines, metres.
    pub(crate) spacing: f64,
    /// Rotation of the valley, degrees.
    pub(crate) turn: f64,
    /// Standard deviation of the sounding noise, metres.
    pub(crate) noise: f64,
    /// Share of weed readings in the weed bay.
    pub(crate) weed: f64,
}

impl Default for Plan {
    fn default() -> Self {
        Self { scale: 1.0, spacing: 25.0, turn: 0.0, noise: 0.05, weed: 0.06 }
    }
}

/// True depth at valley coordinates (metres along and across), positive in the water.
pub(crate) fn bed(plan: &Plan, u: f64, v: f64) -> f64 {
    let (u, v) = (u / plan.scale, v / plan.scale);
    let across = v - 190.0 * libm::sin(u / 250.0);
    let width = 70.0 + 75.0 * u / 1800.0 + 25.0 * libm::sin(u / 90.0);
    let r = across / width;
    let deepest = 3.5 + 9.0 * u / 1800.0;
    let channel = 2.0 * libm::exp(-(across + 18.0) * (across + 18.0) / 200.0);
    let hump = |cu: f64, cv: f64, high: f64, size: f64| {
        let d2 = (u - cu) * (u - cu) + (across - cv) * (across - cv);
        high * libm::exp(-d2 / (2.0 * size * size))
    };
    deepest * (1.0 - r * r) + channel - hump(1250.0, 30.0, 5.0, 32.0) - hump(700.0, -25.0, 2.6, 22.0)
}

/// Cells and passes of the survey.
pub(crate) struct Survey {
    pub(crate) cells: Vec<Cell>,
    pub(crate) passes: Vec<Pass>,
    pub(crate) readings: Vec<StageReading>,
    pub(crate) frame: LocalFrame,
}

/// Numbers that look random and are the same everywhere.
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as f64 / (1u64 << 31) as f64
    }
    /// About normal, standard deviation 1.
    fn bell(&mut self) -> f64 {
        (0..12).map(|_| self.next()).sum::<f64>() - 6.0
    }
}

struct Sum {
    n: u32,
    east: f64,
    north: f64,
    depth: f64,
    shoalest: f64,
    time: i64,
    passes: Vec<u32>,
}

pub(crate) fn survey(plan: &Plan) -> Survey {
    let frame = LocalFrame::new(GridPos::from_lonlat(MIDDLE).expect("on the grid"));
    let mut dice = Dice(7);
    let mut sums: BTreeMap<CellId, Sum> = BTreeMap::new();
    let start: UtcMillis = "2026-05-01T08:00:00Z".parse().expect("a time");
    let (sin, cos) = (libm::sin(plan.turn.to_radians()), libm::cos(plan.turn.to_radians()));
    let length = 1800.0 * plan.scale;
    let mut time = start.0;
    let mut passes = Vec::new();
    for (pass, (boat, path)) in paths(plan, length).into_iter().enumerate() {
        let (first, mut count) = (time, 0);
        for (u, v) in path {
            time += 700;
            let truth = bed(plan, u, v);
            if truth < 0.6 {
                continue;
            }
            let (cu, cv) = (u - length / 2.0, v);
            let (east, north) = (cu * cos - cv * sin, cu * sin + cv * cos);
            let weed =
                if (300.0..420.0).contains(&(u / plan.scale)) && dice.next() < plan.weed { 0.9 } else { 0.0 };
            let depth = truth - weed + plan.noise * dice.bell();
            let cell = frame.place(east, north).cell();
            let sum = sums.entry(cell).or_insert_with(|| Sum {
                n: 0,
                east: 0.0,
                north: 0.0,
                depth: 0.0,
                shoalest: 99.0,
                time,
                passes: Vec::new(),
            });
            sum.n += 1;
            sum.east += east;
            sum.north += north;
            sum.depth += depth;
            sum.shoalest = sum.shoalest.min(depth);
            sum.time = time;
            sum.passes.push(pass as u32);
            count += 1;
        }
        passes.push(Pass {
            boat: Text::new(boat).expect("short"),
            first: UtcMillis(first),
            last: UtcMillis(time),
            soundings: count,
            legs: Vec::new(),
        });
        time += 20 * 3_600_000;
    }
    let cells = sums.into_iter().map(|(id, s)| cell(plan, &frame, id, s)).collect();
    let level = |day: i64, mm| StageReading {
        gauge: Text::new("ramp staff").expect("short"),
        at: UtcMillis(start.0 + day * 86_400_000),
        level_mm: mm,
    };
    Survey { cells, passes, readings: vec![level(0, 420), level(1, 310), level(2, 270)], frame }
}

fn cell(plan: &Plan, frame: &LocalFrame, id: CellId, s: Sum) -> Cell {
    let n = f64::from(s.n);
    let (east, north) = (s.east / n, s.north / n);
    let mut passes = s.passes.clone();
    passes.dedup();
    let loose = *passes.last().expect("one") == 2 && east > 480.0 * plan.scale;
    let disputed = s.depth / n - s.shoalest > 0.45;
    Cell {
        id,
        at: frame.place(east, north),
        depth_m: s.depth / n,
        tvu95_m: if loose { 1.3 } else { 0.16 + 0.01 * s.depth / n },
        shoalest_m: s.shoalest,
        grade: if loose {
            Grade::Loose
        } else if s.n > 1 {
            Grade::Sure
        } else {
            Grade::Fair
        },
        soundings: s.n,
        passes: passes.len() as u32,
        devices: 1,
        main_pass: passes[0],
        newest: UtcMillis(s.time),
        disputed,
    }
}

type Path = Vec<(f64, f64)>;

/// Main lines across the valley by one boat, cross lines along it by the other.
fn paths(plan: &Plan, length: f64) -> Vec<(&'static str, Path)> {
    let reach = 400.0 * plan.scale;
    let mut day = vec![Vec::new(), Vec::new()];
    let mut u = 15.0;
    let mut up = true;
    while u < length {
        let half = usize::from(u > length * 0.55);
        let n = (2.0 * reach / 2.0) as i64;
        for i in 0..=n {
            let v = if up { -reach + 2.0 * i as f64 } else { reach - 2.0 * i as f64 };
            day[half].push((u + 4.0 * libm::sin(v / 37.0), v));
        }
        up = !up;
        u += plan.spacing;
    }
    let mut along = Vec::new();
    for (k, off) in [-70.0, -15.0, 35.0, 85.0].iter().enumerate() {
        let n = (length / 2.2) as i64;
        for i in 0..n {
            let i = if k % 2 == 0 { i } else { n - 1 - i };
            let u = 2.2 * i as f64;
            along.push((u, (190.0 * libm::sin(u / plan.scale / 250.0) + off) * plan.scale));
        }
    }
    let second = day.pop().unwrap_or_default();
    let first = day.pop().unwrap_or_default();
    vec![("Heron", first), ("Heron", second), ("Little Auk", along)]
}
