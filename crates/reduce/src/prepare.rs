//! One pass after the other: from joined legs to screened, reduced soundings that still lack the bed's slope.

use crate::budget::{Level, Measured, ONE_DIMENSION_95};
use crate::days::DayPart;
use crate::depth::{BelowSurface, DraftSource, SoundSource, below_surface};
use crate::fix::{axis_sigma, measured};
use crate::levelled::{After, BoatLevels, Levels, day_of};
use crate::passes::{Group, Joined, SetTable};
use crate::screen::{self, Point};
use crate::setups::{Said, Setups, said_at};
use crate::sound::Casts;
use crate::statements::Statements;
use crate::verdicts;
use crate::work::Work;
use crate::{Conditions, Settings, StageHow, StageRecord};
use leadline_model::{
    Flags, Grade, GridPos, LocalFrame, Pass, Scope, Sounding, Text, TileId, UtcMillis, Verdict, VoidReason,
};

/// Prepares pass after pass.
pub(crate) struct Ground<'a> {
    statements: &'a Statements,
    settings: &'a Settings,
    setups: &'a Setups,
    verdicts: &'a [Verdict],
    levels: &'a Levels,
    done: Prepared,
}

/// What is known of the water that a pass was sailed on.
#[derive(Clone, Copy)]
struct Water<'a> {
    stages: &'a StageRecord,
    casts: &'a Casts,
    /// Variance of the datum: the pass is of an adopted survey.
    datum: Option<f32>,
}

/// Passes, prepared.
#[derive(Default)]
pub(crate) struct Prepared {
    pub(crate) passes: Vec<Pass>,
    pub(crate) work: Vec<Work>,
    pub(crate) conditions: Vec<Conditions>,
    /// What each pass had to say of each of its days.
    pub(crate) days: Vec<DayPart>,
    /// Soundings of each pass that were there already.
    pub(crate) again: Vec<u64>,
    pub(crate) sets: SetTable,
}

/// Everything that is done pass after pass.
pub(crate) fn prepare(statements: &Statements, groups: Vec<Group>, sets: SetTable) -> Prepared {
    let mut ground = Ground::new(statements, sets);
    for group in groups {
        ground.take(group);
    }
    let mut prepared = ground.done;
    verdicts::apply(&mut prepared.work, &prepared.passes, &statements.verdicts, None);
    for foreign in &statements.adopted {
        verdicts::apply(&mut prepared.work, &prepared.passes, &foreign.verdicts, Some(&foreign.boats));
    }
    prepared
}

impl<'a> Ground<'a> {
    fn new(statements: &'a Statements, sets: SetTable) -> Self {
        let Statements { settings, setups, verdicts, levels, .. } = statements;
        let done = Prepared { sets, ..Prepared::default() };
        Self { statements, settings, setups, verdicts, levels, done }
    }

    fn water(&self, boat: &Text) -> Water<'a> {
        let own = self.statements;
        match own.foreign(boat) {
            None => Water { stages: &own.stages, casts: &own.casts, datum: None },
            Some(f) => {
                let datum = Some(variance(self.settings.defaults.datum_unknown));
                Water { stages: &f.stages, casts: &f.casts, datum }
            }
        }
    }

    /// Adds one pass.
    fn take(&mut self, group: Group) {
        let boat = group.boat.clone();
        let said = self.setups.of_all(&boat, &group.further);
        let Joined { legs, mut soundings, copies } = group.join(&mut self.done.sets);
        let (Some(first), Some(last)) = (soundings.first().copied(), soundings.last().copied()) else {
            return;
        };
        let line = &*said;
        let water = self.water(&boat);
        let levels = self.levels.of(&boat);
        let more_lag = levels.and_then(BoatLevels::lag).map_or(0, |(ms, _)| ms);
        if more_lag != 0 || line.iter().any(|(_, said)| said.lag_ms.is_some_and(|lag| lag != 0)) {
            shift_by_lag(&mut soundings, line, more_lag, self.settings);
        }
        let mut points = self.points(&soundings, line, &boat, water);
        screen::track(&mut points, self.settings);
        let mut stage_unknown = 0;
        self.done.work.reserve(soundings.len());
        for ((s, set), p) in soundings.iter().zip(&points) {
            let said = said_at(line, s.time);
            let below = below_surface(s, &said, water.casts, &self.settings.defaults);
            let stage = water.stages.find(s.time, s.at);
            let m = measured_of(s, &below, p, &said, stage.u95, self.settings);
            let level = Level::of(&m, &self.settings.defaults);
            let known = stage.how != StageHow::Unknown;
            stage_unknown += u32::from(!known);
            if p.void.is_none() {
                self.day(day_of(s.time), known).add(s.time, &m, &level);
            }
            let stated = Stated { below, m, level, stage: stage.level, known, datum: water.datum };
            let work = self.reduced(s, *set, p, &stated, levels);
            self.done.work.push(work);
        }
        self.done.again.push(copies);
        self.done.conditions.push(self.conditions(&first.0, &last.0, stage_unknown, line, water));
        let soundings = u32::try_from(soundings.len()).unwrap_or(u32::MAX);
        self.done.passes.push(Pass { boat, first: first.0.time, last: last.0.time, soundings, legs });
    }

    fn points(
        &self,
        soundings: &[(Sounding, u16)],
        line: &[(UtcMillis, Said)],
        boat: &Text,
        water: Water<'_>,
    ) -> Vec<Point> {
        let out: Vec<Stretch> =
            self.verdicts.iter().filter_map(|v| Stretch::left_out(v, boat, self.verdicts)).collect();
        let mut ruler = Ruler::default();
        let mut place = (0.0, 0.0, 0.0);
        let mut points = Vec::with_capacity(soundings.len());
        let mut before: Option<GridPos> = None;
        for (s, _) in soundings {
            if let Some(before) = before {
                let (e, n) = ruler.metres(before, s.at);
                place = (place.0 + e, place.1 + n, place.2 + (e * e + n * n).sqrt());
            }
            before = Some(s.at);
            let range = below_surface(s, &said_at(line, s.time), water.casts, &self.settings.defaults).range;
            points.push(Point {
                along: place.2,
                east: place.0 as f32,
                north: place.1 as f32,
                void: self.on_land(s, gate(s, &out, self.settings), water),
                ..Point::lone(s, range)
            });
        }
        self.fill_speeds(&mut points);
        points
    }

    /// On land a depth is none, whatever it says; people, and what the receiver does not stand by, come first. An adopted
    /// survey has a datum of its own, and so perhaps another shore.
    fn on_land(&self, s: &Sounding, void: Option<VoidReason>, water: Water<'_>) -> Option<VoidReason> {
        let open = matches!(void, None | Some(VoidReason::OutOfRange));
        if !open || !self.statements.land.is_drawn() || water.datum.is_some() {
            return void;
        }
        let stage = water.stages.find(s.time, s.at);
        let level = (stage.how != StageHow::Unknown).then_some(stage.level);
        if self.statements.land.holds(s.at, level) { Some(VoidReason::OnLand) } else { void }
    }

    /// The told speed, else that of the track; then the speed ceiling.
    fn fill_speeds(&self, points: &mut [Point]) {
        for i in 0..points.len() {
            let Some(p) = points.get(i).copied() else { continue };
            let speed = match p.told_speed {
                Some(v) => v,
                None if p.no_time => self.settings.defaults.speed as f32,
                None => track_speed(points, i).unwrap_or(self.settings.defaults.speed as f32),
            };
            if let Some(p) = points.get_mut(i) {
                p.speed = speed;
                if p.void.is_none() && f64::from(speed) > self.settings.max_speed {
                    p.void = Some(VoidReason::TooFast);
                }
            }
        }
    }

    /// The open part of this pass and `day`.
    fn day(&mut self, day: i32, known: bool) -> &mut DayPart {
        let pass = u32::try_from(self.done.passes.len()).unwrap_or(u32::MAX);
        let days = &mut self.done.days;
        if days.last().is_none_or(|d| (d.pass, d.day, d.known) != (pass, day, known)) {
            days.push(DayPart::new(pass, day, known));
        }
        days.last_mut().expect("one was pushed")
    }

    fn reduced(
        &self,
        s: &Sounding,
        devices: u16,
        p: &Point,
        stated: &Stated,
        levels: Option<&BoatLevels>,
    ) -> Work {
        let Stated { below, m, level, datum, .. } = stated;
        // Before levelling, a depth of an adopted survey hangs on another datum.
        let anchored = stated.known && datum.is_none();
        let d = &self.settings.defaults;
        let after = After::of(levels, s, (m, below.range, level.settlement), d);
        let mut work = Work {
            time: s.time,
            at: s.at,
            depth: below.depth - stated.stage,
            random: variance(level.heave) * after.noise,
            visit: variance(level.instrument) * after.noise + variance(level.unrest),
            boat: variance(level.boat()),
            tie: 0.0,
            day: variance(level.stage) + datum.unwrap_or(0.0),
            axis: (m.axis_sigma * m.axis_sigma) as f32 * after.place,
            lag: variance(after.lag_s * m.speed),
            range: below.range as f32,
            pass: u32::try_from(self.done.passes.len()).unwrap_or(u32::MAX),
            devices,
            cluster: None,
            cap: cap(s, p, self.settings).max(cap_of_unknown(below, anchored, levels, &after)),
            anchored,
            spike: p.void.filter(|_| p.shoal_spike),
            cut: false,
            contested: false,
            void: p.void,
        };
        if let Some(tied) = after.tied {
            work.depth -= tied.correction;
            work.boat = variance(tied.sound95) + variance(tied.settlement95);
            work.tie = tied.left.own as f32;
            work.day = tied.left.common as f32;
            work.cluster = Some(tied.cluster);
            work.anchored = !tied.floating;
        }
        work
    }

    fn conditions(
        &self,
        first: &Sounding,
        last: &Sounding,
        stage_unknown: u32,
        line: &[(UtcMillis, Said)],
        water: Water<'_>,
    ) -> Conditions {
        let said = said_at(line, first.time);
        let below = below_surface(first, &said, water.casts, &self.settings.defaults);
        Conditions {
            stage: [water.stages.at(first.time, first.at), water.stages.at(last.time, last.at)],
            stage_unknown,
            draft: below.draft,
            sound: below.sound,
            lag_ms: said.lag_ms,
        }
    }
}

/// One sounding as far as instruments and people state it.
struct Stated {
    below: BelowSurface,
    m: Measured,
    level: Level,
    /// Metres above the datum.
    stage: f64,
    /// The stage is known.
    known: bool,
    /// Variance of the datum of an adopted survey.
    datum: Option<f32>,
}

/// What the budget needs of one sounding.
pub(crate) fn measured_of(
    s: &Sounding,
    below: &BelowSurface,
    p: &Point,
    said: &Said,
    stage95: f64,
    settings: &Settings,
) -> Measured {
    let d = &settings.defaults;
    let lag = if said.lag_ms.is_some() { d.lag_typed_s } else { d.lag_unknown_s };
    let held = if s.flags.has(Flags::HELD) { d.lag_held_s } else { 0.0 };
    Measured {
        range: below.range.max(0.0),
        scatter: f64::from(p.scatter),
        speed: f64::from(p.speed),
        axis_sigma: axis_sigma(s, d),
        lag_s: lag + held,
        sound_share: below.sound.uncertainty95_share,
        draft: below.draft.uncertainty95_m,
        reference: below.reference95,
        stage: stage95,
    }
}

fn variance(u95: f64) -> f32 {
    let sigma = u95 / ONE_DIMENSION_95;
    (sigma * sigma) as f32
}

/// First moment and first moment behind a stretch of time.
struct Stretch(UtcMillis, UtcMillis);

impl Stretch {
    /// What `verdict` leaves out of `boat`'s time, whole and undisputed; all other verdicts come after reduction.
    fn left_out(verdict: &Verdict, boat: &Text, all: &[Verdict]) -> Option<Self> {
        match &verdict.scope {
            Scope::Stretch { boat: b, from, to }
                if b == boat && verdicts::is_whole(verdict) && !verdicts::is_contested(verdict, all) =>
            {
                Some(Self(*from, *to))
            }
            _ => None,
        }
    }
}

/// What decides on one sounding alone.
fn gate(s: &Sounding, left_out: &[Stretch], settings: &Settings) -> Option<VoidReason> {
    let hdop = s.hdop_centi.map_or(0.0, |h| f64::from(h) / 100.0);
    let depth = f64::from(s.depth_mm) / 1000.0;
    if left_out.iter().any(|x| x.0 <= s.time && s.time < x.1) {
        Some(VoidReason::LeftOut)
    } else if !measured(s.fix) {
        Some(VoidReason::NoFix)
    } else if hdop > settings.max_hdop {
        Some(VoidReason::PoorFix)
    } else if !(settings.min_depth..=settings.max_depth).contains(&depth) {
        Some(VoidReason::OutOfRange)
    } else {
        None
    }
}

/// The best grade the rules allow, whatever the budget says.
fn cap(s: &Sounding, p: &Point, settings: &Settings) -> Grade {
    let doubtful = s.flags.has(Flags::UNCHECKED) || s.flags.has(Flags::DISAGREES);
    if doubtful || f64::from(p.speed) > settings.fair_speed { Grade::Fair } else { Grade::Sure }
}

/// The best grade of what hangs on something unknown; levelling makes it known.
fn cap_of_unknown(below: &BelowSurface, known: bool, levels: Option<&BoatLevels>, after: &After) -> Grade {
    let levelled = after.tied.is_some_and(|t| !t.floating);
    let scaled = levels.and_then(BoatLevels::scale95).is_some();
    let unknown = (!levelled && (!known || below.draft.source == DraftSource::Unknown))
        || (!scaled && below.sound.source == SoundSource::SounderUnknown);
    if unknown { Grade::Loose } else { Grade::Sure }
}

/// Speed of the track over at least 4 s around point `i`, m/s, where it has neighbours.
fn track_speed(points: &[Point], i: usize) -> Option<f32> {
    const HALF_MS: i64 = 2_000;
    const LONGEST_MS: i64 = 30_000;
    let here = points.get(i)?;
    let far = |p: &&Point| p.time.saturating_sub(here.time).saturating_abs() >= HALF_MS;
    let a = points.get(..i)?.iter().rev().take(64).find(far).unwrap_or(here);
    let b = points.get(i..)?.iter().take(64).find(far).unwrap_or(here);
    let ms = b.time.saturating_sub(a.time);
    (HALF_MS..=LONGEST_MS).contains(&ms).then(|| (screen::distance(a, b) / (ms as f64 / 1000.0)) as f32)
}

/// Moves every position to where the boat was at the moment of the depth: the track, `lag` later.
fn shift_by_lag(
    soundings: &mut [(Sounding, u16)],
    line: &[(UtcMillis, Said)],
    more_ms: i32,
    settings: &Settings,
) {
    let track: Vec<(i64, GridPos)> = soundings.iter().map(|(s, _)| (s.time.0, s.at)).collect();
    for (s, _) in soundings.iter_mut() {
        let lag = said_at(line, s.time).lag_ms.unwrap_or(0).saturating_add(more_ms);
        let target = s.time.0.saturating_add(i64::from(lag));
        let after = track.partition_point(|t| t.0 <= target);
        let ends = after.checked_sub(1).and_then(|i| track.get(i)).zip(track.get(after));
        if let Some((&(ta, a), &(tb, b))) = ends
            && lag != 0
            && tb.saturating_sub(ta) <= settings.neighbour_ms
        {
            let share = target.saturating_sub(ta) as f64 / tb.saturating_sub(ta) as f64;
            s.at = between(a, b, share);
        }
    }
}

fn between(a: GridPos, b: GridPos, share: f64) -> GridPos {
    let mid = |a: u32, b: u32| (f64::from(a) + (f64::from(b) - f64::from(a)) * share) as u32;
    // Across the antimeridian the nearer end is as good.
    if a.x().abs_diff(b.x()) > 1 << 30 {
        return if share < 0.5 { a } else { b };
    }
    GridPos::new(mid(a.x(), b.x()), mid(a.y(), b.y())).unwrap_or(a)
}

/// Metres between places, with the scale of the tile they are in.
#[derive(Default)]
struct Ruler(Option<(TileId, LocalFrame)>);

impl Ruler {
    fn metres(&mut self, a: GridPos, b: GridPos) -> (f64, f64) {
        let frame = match self.0 {
            Some((tile, frame)) if tile == a.tile() => frame,
            _ => LocalFrame::new(GridPos::in_tile(a.tile(), 1 << 15, 1 << 15)),
        };
        self.0 = Some((a.tile(), frame));
        let ((ae, an), (be, bn)) = (frame.metres(a), frame.metres(b));
        (be - ae, bn - an)
    }
}
