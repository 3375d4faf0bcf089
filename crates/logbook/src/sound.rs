//! Bounds of writes that their layout alone does not give. What passes here is still only what a member said.

use crate::op::{MAX_CUTS, MAX_SERIES};
use crate::{LegClaim, Limits, Op};
use leadline_model::{
    BoatLevel, CellId, ClusterLevel, DayLevel, GridPos, LEG_MILLIS, Levelling, MAX_AREA_CORNERS,
    MAX_BOAT_DAYS, MAX_LAYERS, MAX_RIVER_POINTS, MAX_SHORE_CORNERS, MAX_SHORE_RINGS, Scope, Setup, UtcMillis,
    Verdict, WaterCast,
};
use std::ops::RangeInclusive;

/// 10 km: beyond any lake above or below any datum.
const MAX_LEVEL_MM: u32 = 10_000_000;
/// Temperatures of water, hundredths of °C.
const TEMPERATURES: RangeInclusive<i16> = -300..=5_000;
/// Practical salinity, hundredths: the scale is defined up to 42 (PSS-78), with room for brines.
const MAX_SALINITY_CENTI: u16 = 5_000;
/// Deeper than any water, mm.
const MAX_DEPTH_MM: i32 = 12_000_000;
/// A minute: beyond any delay between two instruments of one boat, ms.
const MAX_LAG_MS: i32 = 60_000;
/// 100 m/s: beyond any boat, mm/s.
const MAX_SPEED_MM_S: u32 = 100_000;
/// Half of the depth, millionths: beyond any error of a sound speed.
const MAX_SCALE_PPM: i32 = 500_000;
/// 1980 to 2200 in days since 1970, as [`plausible`].
const DAYS: std::ops::Range<i32> = 3_652..84_006;
/// Per cent of the budget: a hundredth of it to a hundred times it.
const SHARES: RangeInclusive<u16> = 1..=10_000;
/// Cells along one side of the world.
const CELLS: u32 = 1 << 23;

/// Whether `op` keeps to the bounds that its layout alone does not give.
pub(crate) fn is_sound(op: &Op, limits: &Limits) -> bool {
    op.replaces().len() <= limits.writes
        && match op {
            Op::Found(_)
            | Op::Member(_)
            | Op::Rename { .. }
            | Op::Unlevel { .. }
            | Op::DeviceName { .. }
            | Op::Adopt { .. }
            | Op::Unadopt { .. } => true,
            Op::Standing(s) => s.cuts.len() <= MAX_CUTS && s.cuts.windows(2).all(|w| w[0].epoch < w[1].epoch),
            Op::Secret { generation, .. } => *generation >= 1,
            Op::Mark { mark, .. } => {
                mark.as_ref().is_none_or(|m| on_grid(m.place) && m.depth_mm.is_none_or(is_level))
            }
            Op::Invite(i) => plausible(i.expires),
            Op::Leg(claim) => is_sound_claim(claim, limits),
            Op::Setup { setup, .. } => is_sound_setup(setup),
            Op::Stage { reading, .. } => plausible(reading.at) && is_level(reading.level_mm),
            Op::Verdict { verdict, .. } => is_sound_verdict(verdict),
            Op::Water { cast, .. } => is_sound_cast(cast),
            Op::Gauge { gauge, .. } => is_level(gauge.zero_mm) && gauge.place.is_none_or(on_grid),
            Op::River { line, .. } => {
                (line.is_empty() || (2..=MAX_RIVER_POINTS).contains(&line.len()))
                    && line.iter().all(|p| on_grid(*p))
            }
            Op::Series { first, readings, .. } => is_sound_series(*first, readings),
            Op::Level { levelling, .. } => is_sound_levelling(levelling),
            Op::Speeds { limits, .. } => {
                (1..=limits.void_mm_s).contains(&limits.fair_mm_s) && limits.void_mm_s <= MAX_SPEED_MM_S
            }
            Op::Shore { shore, .. } => {
                is_level(shore.stage_mm)
                    && shore.rings.len() <= MAX_SHORE_RINGS
                    && shore.corners() <= MAX_SHORE_CORNERS
                    && shore.rings.iter().all(|r| r.len() >= 3 && r.iter().all(|p| on_grid(*p)))
            }
        }
}

/// Years 1980 to 2200: a receiver's clock can be wrong, but not that wrong.
pub(crate) fn plausible(t: UtcMillis) -> bool {
    (315_532_800_000..7_258_118_400_000).contains(&t.0)
}

fn is_level(mm: i32) -> bool {
    mm.unsigned_abs() <= MAX_LEVEL_MM
}

/// A place is read as two numbers; only those below 2^31 are places.
fn on_grid(p: GridPos) -> bool {
    GridPos::new(p.x(), p.y()).is_some()
}

fn is_sound_claim(c: &LegClaim, limits: &Limits) -> bool {
    let soundings = c.strips.iter().fold(0u64, |n, s| n.saturating_add(s.count.into()));
    let strips_ok = c.strips.iter().all(|s| {
        s.count >= 1
            && s.count as usize <= limits.strip_soundings
            && s.first_ms <= s.last_ms
            && i64::from(s.last_ms) < LEG_MILLIS
    });
    // A leg's soundings may be fewer than its readings but never none: an empty leg has no id.
    !c.strips.is_empty()
        && c.strips.len() <= limits.writes
        && c.strips.windows(2).all(|w| w[0].tile < w[1].tile)
        && strips_ok
        && soundings <= limits.strip_soundings as u64
        && c.counts.len() <= 64
        && plausible(c.window.start())
}

fn is_sound_setup(s: &Setup) -> bool {
    let within = |v: Option<i32>, lo: i32, hi: i32| v.is_none_or(|v| (lo..=hi).contains(&v));
    plausible(s.from)
        && within(s.draft_mm, -10_000, 50_000)
        && within(s.sound_speed_mm_s, 1_300_000, 1_700_000)
        && s.temp_centi.is_none_or(|t| TEMPERATURES.contains(&t))
        && within(s.lag_ms, -MAX_LAG_MS, MAX_LAG_MS)
}

fn is_sound_verdict(v: &Verdict) -> bool {
    let scope = match &v.scope {
        Scope::Stretch { from, to, .. } => plausible(*from) && plausible(*to) && from < to,
        Scope::Area(ring) => (3..=MAX_AREA_CORNERS).contains(&ring.len()) && ring.iter().all(|p| on_grid(*p)),
        Scope::Cell(CellId { x, y }) => *x < CELLS && *y < CELLS,
    };
    scope
        && plausible(v.until)
        && v.shoaler_than_mm.is_none_or(is_level)
        && v.deeper_than_mm.is_none_or(is_level)
}

fn is_sound_cast(c: &WaterCast) -> bool {
    plausible(c.at)
        && c.salinity_centi <= MAX_SALINITY_CENTI
        && c.layers.len() <= MAX_LAYERS
        && c.layers
            .iter()
            .all(|l| (0..=MAX_DEPTH_MM).contains(&l.depth_mm) && TEMPERATURES.contains(&l.temp_centi))
        && c.layers.windows(2).all(|w| w[0].depth_mm < w[1].depth_mm)
}

fn is_sound_series(first: UtcMillis, readings: &[(u32, i32)]) -> bool {
    // At most 4,000 times 2^32 seconds: no overflow.
    let last = readings.iter().fold(first.0, |t, (s, _)| t.saturating_add(i64::from(*s) * 1000));
    (1..=MAX_SERIES).contains(&readings.len())
        && plausible(first)
        && plausible(UtcMillis(last))
        && readings.iter().enumerate().all(|(i, (s, level))| (*s == 0) == (i == 0) && is_level(*level))
}

fn is_sound_levelling(l: &Levelling) -> bool {
    let size = |n: usize| n <= MAX_BOAT_DAYS;
    size(l.boats.len())
        && size(l.days.len())
        && size(l.clusters.len())
        && l.boats.iter().all(is_sound_boat)
        && l.boats.windows(2).all(|w| w[0].boat < w[1].boat)
        && l.days.iter().all(|d| {
            usize::from(d.boat) < l.boats.len()
                && usize::from(d.cluster) < l.clusters.len()
                && is_sound_day(d)
        })
        && l.days.windows(2).all(|w| (w[0].boat, w[0].day) < (w[1].boat, w[1].day))
        && l.clusters.iter().all(|ClusterLevel { common95_mm, .. }| *common95_mm <= MAX_LEVEL_MM)
}

fn is_sound_boat(b: &BoatLevel) -> bool {
    b.lag_ms.is_none_or(|v| v.unsigned_abs() <= MAX_LAG_MS.unsigned_abs())
        && b.lag95_ms <= MAX_LAG_MS.unsigned_abs()
        && b.scale_ppm.is_none_or(|v| v.unsigned_abs() <= MAX_SCALE_PPM.unsigned_abs())
        && b.scale95_ppm <= MAX_SCALE_PPM.unsigned_abs()
        && SHARES.contains(&b.noise_percent)
        && SHARES.contains(&b.place_percent)
}

fn is_sound_day(d: &DayLevel) -> bool {
    DAYS.contains(&d.day)
        && is_level(d.offset_mm)
        && d.own95_mm <= MAX_LEVEL_MM
        && d.pivot_mm.unsigned_abs() <= MAX_DEPTH_MM.unsigned_abs()
        && d.speed_mm_s <= MAX_SPEED_MM_S
}
