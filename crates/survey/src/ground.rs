//! What people said about boats, water and soundings, as it stands: replaced statements are gone, conflicts are named
//! and read on the safe side until someone settles them.

mod adopted;
mod boats;
mod inputs;
mod levels;
mod live;
mod shore;
mod speeds;
mod stages;
mod verdicts;
mod water;

pub use adopted::AdoptedSurvey;
pub use live::Standing;
pub use verdicts::{canonical_ring, decision_words, scope_words};

use boats::{Renames, SaidSetups};
use leadline_logbook::{LegClaim, Op, Said, SurveyWrites, WriteRef};
use leadline_model::{
    Digest, Gauge, GridPos, Levelling, Mark, Scope, Setup, Shoreline, SpeedLimits, StageReading, SurveyId,
    Text, UtcMillis, Verdict, WaterCast,
};
use live::{Names, standing};
use stages::{SaidStages, Series};
use std::collections::{BTreeMap, BTreeSet};
use water::SaidWater;

/// All statements in force. Boats are under the names they have now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ground {
    /// Setups in the order of boat and date.
    pub setups: Vec<Setup>,
    /// Readings, typed and imported, in the order of gauge and time, above their gauge's own zero.
    pub stages: Vec<StageReading>,
    /// Casts of the water in the order of time.
    pub casts: Vec<WaterCast>,
    /// Gauges by name; one that is not here has its zero at the sounding datum.
    pub gauges: Vec<Gauge>,
    /// Centre line of flowing water; empty = none.
    pub river: Vec<GridPos>,
    /// The edge of the water, where somebody drew it.
    pub shore: Option<Shoreline>,
    /// Speed limits, where somebody stated them.
    pub speeds: Option<SpeedLimits>,
    /// Former names of boats, each with its name in force.
    pub renames: Vec<(Text, Text)>,
    /// Verdicts by their writes. What was taken back stands as kept.
    pub verdicts: Vec<Standing<Verdict>>,
    /// The levelling in force.
    pub levelling: Option<Standing<Levelling>>,
    /// Other levellings that were applied and not replaced.
    pub other_levellings: Vec<Standing<Levelling>>,
    /// Adopted surveys with their names.
    pub adoptions: Vec<Standing<(SurveyId, Text)>>,
    /// Marks shared with the crew, as they stand.
    pub marks: Vec<Standing<Mark>>,
    /// Statements that contradict each other, in words.
    pub conflicts: Vec<String>,
    /// Digest of what a levelling is solved from: all of the above without the levellings, and the legs.
    pub inputs: Digest,
    names: Renames,
    said_setups: SaidSetups,
    said_stages: SaidStages,
    said_water: SaidWater,
    said_speeds: Vec<Standing<SpeedLimits>>,
    said_shores: Vec<Standing<Shoreline>>,
}

impl Ground {
    /// From the survey document's writes.
    pub fn of(writes: &SurveyWrites) -> Self {
        let devices = Names::of(writes);
        let mut conflicts = Vec::new();
        let names = Renames::of(said_names(writes), &mut conflicts);
        name_doubtful_legs(writes, &names, &mut conflicts);
        let said = Sorted::of(writes, &names);
        let setups = boats::setups(&said.setups, &mut conflicts);
        let stages = said.stages.in_force(&mut conflicts);
        let casts = said.water.casts(&mut conflicts);
        let gauges = said.water.gauges(&mut conflicts);
        let river = said.water.river(&mut conflicts, |s| devices.words(&s.device));
        let shore = shore::in_force(&said.shores, &mut conflicts, |s| devices.words(&s.device));
        let speeds = speeds::in_force(&said.speeds, &mut conflicts);
        crate::marks::name_conflicts(&said.marks, &mut conflicts);
        verdicts::name_conflicts(&said.verdicts, &|s| devices.words(&s.device), &mut conflicts);
        let by = |s: &Standing<Levelling>| devices.words(&s.device);
        let (levelling, other_levellings) = levels::settle(said.levellings, &mut conflicts, &by);
        let mut ground = Self {
            setups,
            stages,
            casts,
            gauges,
            river,
            shore,
            speeds,
            renames: names.former(),
            verdicts: said.verdicts,
            levelling,
            other_levellings,
            adoptions: said.adoptions,
            marks: said.marks.into_iter().map(|(mark, _)| mark).collect(),
            conflicts,
            inputs: Digest([0; 32]),
            names,
            said_setups: said.setups,
            said_stages: said.stages,
            said_water: said.water,
            said_speeds: said.speeds,
            said_shores: said.shores,
        };
        ground.inputs = inputs::digest(&ground, writes);
        ground
    }

    /// The name of `boat` in force.
    pub fn boat(&self, boat: &Text) -> Text {
        self.names.name(boat)
    }

    /// The readings with their gauge's zero added: stages above the sounding datum.
    pub fn stages_above_datum(&self) -> Vec<StageReading> {
        let zeros: BTreeMap<&Text, i32> = self.gauges.iter().map(|g| (&g.name, g.zero_mm)).collect();
        let zero = |gauge: &Text| zeros.get(gauge).copied().unwrap_or_default();
        let above = |r: &StageReading| StageReading {
            level_mm: r.level_mm.saturating_add(zero(&r.gauge)),
            ..r.clone()
        };
        self.stages.iter().map(above).collect()
    }

    /// All boats that were measured with or spoken of, under the names they have now.
    pub fn boats(&self, writes: &SurveyWrites) -> BTreeSet<Text> {
        let claimed = writes.claims.values().flatten().map(|c| self.boat(&c.what.boat));
        claimed.chain(self.setups.iter().map(|s| s.boat.clone())).collect()
    }

    /// The boat of a leg: all claims should name the same; of several the first by name, so that every device agrees.
    pub fn boat_of(&self, said: &[Said<LegClaim>]) -> Option<Text> {
        said.iter().map(|c| self.boat(&c.what.boat)).min()
    }

    /// The write that states `setup`, in place of what stands for the same boat and date; values not stated are
    /// taken over. `None` if it says nothing new.
    pub fn setup_op(&self, setup: Setup) -> Option<Op> {
        let setup = Setup { boat: self.boat(&setup.boat), ..setup };
        boats::setup_op(&self.said_setups, &self.setups, setup)
    }

    /// The writes that state readings, in place of what stands for the same gauges and moments. None for those that
    /// stand already.
    pub fn stage_ops(&self, readings: Vec<StageReading>) -> Vec<Op> {
        self.said_stages.typed_ops(readings)
    }

    /// The writes that state the record of a gauge, and how many of its readings are new. Earlier records give way
    /// where they say otherwise; what people typed stays.
    pub fn series_ops(&self, gauge: &Text, from: &Text, readings: &[(UtcMillis, i32)]) -> (Vec<Op>, usize) {
        self.said_stages.series_ops(gauge, from, readings)
    }

    /// The write that states a cast. `None` if the same stands already.
    pub fn cast_op(&self, cast: WaterCast) -> Option<Op> {
        self.said_water.cast_op(cast)
    }

    /// The write that states a gauge; what is not said is taken over. `None` if it says nothing new.
    pub fn gauge_op(&self, name: &Text, zero_mm: Option<i32>, place: Option<GridPos>) -> Option<Op> {
        self.said_water.gauge_op(name, zero_mm, place, &self.gauges)
    }

    /// The write that states the river's line. `None` if the same stands already.
    pub fn river_op(&self, line: Vec<GridPos>) -> Option<Op> {
        self.said_water.river_op(line)
    }

    /// The write that states the edge of the water. `None` if the same stands already.
    pub fn shore_op(&self, shore: Shoreline) -> Option<Op> {
        shore::op(&self.said_shores, shore)
    }

    /// The write that states speed limits. `None` if the same stands already.
    pub fn speeds_op(&self, limits: SpeedLimits) -> Option<Op> {
        speeds::op(&self.said_speeds, limits)
    }

    /// The write that gives `boat` the name `to`. `None` if it has that name already.
    pub fn rename_op(&self, boat: &Text, to: &Text) -> Option<Op> {
        self.names.op(boat, to)
    }

    /// Whether a renaming speaks of `name`.
    pub fn is_renamed(&self, name: &Text) -> bool {
        self.names.knows(name)
    }

    /// The write of a leave-out or of "these are no copies". `None` if the same stands already.
    pub fn verdict_op(&self, verdict: Verdict) -> Option<Op> {
        verdicts::decide_op(&self.verdicts, self.under_its_name(verdict))
    }

    /// The write that takes back the leave-outs of a scope, or the one decision `which`. `None` if there is nothing to
    /// take back.
    pub fn take_back_op(&self, keep: Verdict, which: Option<WriteRef>) -> Option<Op> {
        verdicts::take_back_op(&self.verdicts, self.under_its_name(keep), which)
    }

    /// The write that applies a levelling. `None` if it alone stands already.
    pub fn level_op(&self, levelling: Levelling) -> Option<Op> {
        levels::apply_op(&self.levellings(), levelling)
    }

    /// The write that takes back every levelling. `None` if none stands.
    pub fn unlevel_op(&self) -> Option<Op> {
        levels::undo_op(&self.levellings())
    }

    fn levellings(&self) -> Vec<&Standing<Levelling>> {
        self.levelling.iter().chain(&self.other_levellings).collect()
    }

    fn under_its_name(&self, verdict: Verdict) -> Verdict {
        named(verdict, &self.names)
    }
}

/// Standing statements by what they speak of.
#[derive(Default)]
struct Sorted {
    setups: SaidSetups,
    stages: SaidStages,
    water: SaidWater,
    verdicts: Vec<Standing<Verdict>>,
    levellings: Vec<Standing<Levelling>>,
    speeds: Vec<Standing<SpeedLimits>>,
    shores: Vec<Standing<Shoreline>>,
    adoptions: Vec<Standing<(SurveyId, Text)>>,
    /// With what each takes the place of.
    marks: Vec<(Standing<Mark>, Vec<WriteRef>)>,
}

impl Sorted {
    fn of(writes: &SurveyWrites, names: &Renames) -> Self {
        let mut all = Self::default();
        for s in standing(writes) {
            match s.what {
                Op::Setup { setup, .. } => {
                    let setup = Setup { boat: names.name(&setup.boat), ..setup.clone() };
                    let key = (setup.boat.clone(), setup.from);
                    all.setups.entry(key).or_default().push(s.map(|_| setup));
                }
                Op::Stage { reading, .. } => {
                    let key = (reading.gauge.clone(), reading.at);
                    all.stages.typed.entry(key).or_default().push(s.map(|_| reading.level_mm));
                }
                Op::Series { gauge, from, first, readings, .. } => {
                    let series = Series::unpack(gauge, from, *first, readings);
                    all.stages.series.push(s.map(|_| series));
                }
                Op::Water { cast, .. } => {
                    all.water.casts.entry(cast.at).or_default().push(s.map(|_| cast.clone()));
                }
                Op::Gauge { gauge, .. } => {
                    all.water.gauges.entry(gauge.name.clone()).or_default().push(s.map(|_| gauge.clone()));
                }
                Op::River { line, .. } => all.water.rivers.push(s.map(|_| line.clone())),
                Op::Verdict { verdict, .. } => all.verdicts.push(s.map(|_| named(verdict.clone(), names))),
                Op::Level { levelling, .. } => {
                    all.levellings.push(s.map(|_| levels::renamed(levelling, &|b| names.name(b))));
                }
                Op::Shore { shore, .. } => all.shores.push(s.map(|_| shore.clone())),
                Op::Speeds { limits, .. } => all.speeds.push(s.map(|_| *limits)),
                Op::Adopt { survey, name, .. } => all.adoptions.push(s.map(|_| (*survey, name.clone()))),
                Op::Mark { mark: Some(mark), replaces } => {
                    all.marks.push((s.map(|_| mark.clone()), replaces.clone()));
                }
                Op::Unlevel { .. }
                | Op::Rename { .. }
                | Op::Found(_)
                | Op::Member(_)
                | Op::Invite(_)
                | Op::Leg(_)
                | Op::Standing(_)
                | Op::Secret { .. }
                | Op::DeviceName { .. }
                | Op::Unadopt { .. }
                | Op::Mark { mark: None, .. } => {}
            }
        }
        all
    }
}

fn said_names(writes: &SurveyWrites) -> BTreeMap<Text, Vec<Standing<Text>>> {
    let mut said: BTreeMap<Text, Vec<Standing<Text>>> = BTreeMap::new();
    for s in standing(writes) {
        if let Op::Rename { boat, to, .. } = s.what {
            said.entry(boat.clone()).or_default().push(s.map(|_| to.clone()));
        }
    }
    said
}

fn named(verdict: Verdict, names: &Renames) -> Verdict {
    named_by(verdict, &|boat| names.name(boat))
}

fn named_by(verdict: Verdict, name: &dyn Fn(&Text) -> Text) -> Verdict {
    let scope = match verdict.scope {
        Scope::Stretch { boat, from, to } => Scope::Stretch { boat: name(&boat), from, to },
        other => other,
    };
    Verdict { scope, ..verdict }
}

/// One leg that is claimed for two boats: the same log, imported under two names.
fn name_doubtful_legs(writes: &SurveyWrites, names: &Renames, conflicts: &mut Vec<String>) {
    let mut legs: BTreeMap<Vec<Text>, usize> = BTreeMap::new();
    for said in writes.claims.values().filter(|said| said.len() > 1) {
        let boats: BTreeSet<Text> = said.iter().map(|c| names.name(&c.what.boat)).collect();
        if boats.len() > 1 {
            *legs.entry(boats.into_iter().collect()).or_default() += 1;
        }
    }
    for (boats, n) in legs {
        let all: Vec<String> = boats.iter().map(ToString::to_string).collect();
        let (first, all) = (all.first().cloned().unwrap_or_default(), all.join(" and for "));
        conflicts.push(format!(
            "{n} legs are claimed for {all}: {first} is used; `leadline boat rename` joins two names of one boat"
        ));
    }
}

#[cfg(test)]
mod tests;
