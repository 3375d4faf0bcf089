//! What people said about boats and water, as it stands: replaced statements are gone, conflicts are named and
//! read on the safe side until someone settles them.

use leadline_logbook::{Op, Said, SurveyWrites, WriteRef};
use leadline_model::{Setup, StageReading, Text, UtcMillis};
use std::collections::{BTreeMap, BTreeSet};

/// Setups and stages in force.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Ground {
    /// Setups in the order of boat and date.
    pub setups: Vec<Setup>,
    /// Readings in the order of gauge and time.
    pub stages: Vec<StageReading>,
    /// Statements that contradict each other, in words.
    pub conflicts: Vec<String>,
    setup_refs: BTreeMap<(Text, UtcMillis), Vec<(WriteRef, Setup)>>,
    stage_refs: BTreeMap<(Text, UtcMillis), Vec<(WriteRef, StageReading)>>,
}

impl Ground {
    /// From the survey document's writes.
    pub fn of(writes: &SurveyWrites) -> Self {
        let replaced: BTreeSet<WriteRef> =
            writes.said.values().flat_map(|s| replaces(&s.what)).copied().collect();
        let mut g = Self::default();
        for (n, Said { what, .. }) in writes.said.iter().filter(|(n, _)| !replaced.contains(n)) {
            match what {
                Op::Setup { setup, .. } => {
                    g.setup_refs
                        .entry((setup.boat.clone(), setup.from))
                        .or_default()
                        .push((*n, setup.clone()));
                }
                Op::Stage { reading, .. } => {
                    g.stage_refs
                        .entry((reading.gauge.clone(), reading.at))
                        .or_default()
                        .push((*n, reading.clone()));
                }
                _ => {}
            }
        }
        g.settle();
        g
    }

    fn settle(&mut self) {
        for ((boat, from), said) in &self.setup_refs {
            let mut all = said.iter().map(|(_, s)| s);
            let Some(first) = all.next() else { continue };
            let safe = all.clone().fold(first.clone(), |a, b| shoaler_setup(&a, b));
            if all.any(|s| s != first) {
                let n = said.len();
                self.conflicts.push(format!(
                    "{n} different setups of {boat} from {from}: the one giving shoaler depths is used"
                ));
            }
            self.setups.push(safe);
        }
        for ((gauge, at), said) in &self.stage_refs {
            // The higher water gives the shoaler reduced depth.
            let Some(high) = said.iter().map(|(_, r)| r).max_by_key(|r| r.level_mm) else { continue };
            if said.iter().any(|(_, r)| r.level_mm != high.level_mm) {
                let n = said.len();
                self.conflicts.push(format!(
                    "{n} different readings of {gauge} at {at}: the highest is used (shoaler depths)"
                ));
            }
            self.stages.push(high.clone());
        }
    }

    /// The write that states `setup`, in place of what stands for the same boat and date; values not stated are
    /// taken over. `None` if it says nothing new.
    pub fn setup_op(&self, setup: Setup) -> Option<Op> {
        let stands = self.setup_refs.get(&(setup.boat.clone(), setup.from)).map_or(&[][..], Vec::as_slice);
        let old = self.setups.iter().find(|s| s.boat == setup.boat && s.from == setup.from);
        let full = Setup {
            draft_mm: setup.draft_mm.or(old.and_then(|o| o.draft_mm)),
            sound_speed_mm_s: setup.sound_speed_mm_s.or(old.and_then(|o| o.sound_speed_mm_s)),
            temp_centi: setup.temp_centi.or(old.and_then(|o| o.temp_centi)),
            lag_ms: setup.lag_ms.or(old.and_then(|o| o.lag_ms)),
            ..setup
        };
        let same = stands.len() == 1 && stands[0].1 == full;
        (!same).then(|| Op::Setup { setup: full, replaces: stands.iter().map(|(r, _)| *r).collect() })
    }

    /// The write that states a reading, in place of what stands for the same gauge and moment. `None` if the same
    /// stands already.
    pub fn stage_op(&self, reading: StageReading) -> Option<Op> {
        let stands = self.stage_refs.get(&(reading.gauge.clone(), reading.at)).map_or(&[][..], Vec::as_slice);
        let same = stands.len() == 1 && stands[0].1 == reading;
        (!same).then(|| Op::Stage { reading, replaces: stands.iter().map(|(r, _)| *r).collect() })
    }
}

fn replaces(op: &Op) -> &[WriteRef] {
    match op {
        Op::Setup { replaces, .. } | Op::Stage { replaces, .. } => replaces,
        _ => &[],
    }
}

/// Field by field the value that gives the shoaler depth: less draft, a higher assumed sound speed, colder water.
fn shoaler_setup(a: &Setup, b: &Setup) -> Setup {
    fn pick<T: Ord + Copy>(x: Option<T>, y: Option<T>, f: fn(T, T) -> T) -> Option<T> {
        match (x, y) {
            (Some(x), Some(y)) => Some(f(x, y)),
            (x, y) => x.or(y),
        }
    }
    Setup {
        boat: a.boat.clone(),
        from: a.from,
        draft_mm: pick(a.draft_mm, b.draft_mm, i32::min),
        sound_speed_mm_s: pick(a.sound_speed_mm_s, b.sound_speed_mm_s, i32::max),
        temp_centi: pick(a.temp_centi, b.temp_centi, i16::min),
        lag_ms: pick(a.lag_ms, b.lag_ms, |x, y| if x.abs() >= y.abs() { x } else { y }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use leadline_model::{DeviceId, Nonce};

    fn text(s: &str) -> Text {
        Text::new(s).expect("short")
    }

    fn reading(level_mm: i32) -> StageReading {
        StageReading { gauge: text("landing"), at: UtcMillis(1_800_000_000_000), level_mm }
    }

    fn said(ops: Vec<Op>) -> SurveyWrites {
        let mut w = SurveyWrites::default();
        for (i, what) in ops.into_iter().enumerate() {
            let n = WriteRef { nonce: Nonce([i as u8; 16]), n: 0 };
            w.said.insert(n, Said { device: DeviceId([0; 32]), claimed: UtcMillis(0), what });
        }
        w
    }

    #[test]
    fn a_conflict_is_named_and_read_on_the_safe_side_until_settled() {
        let stage = |level, replaces| Op::Stage { reading: reading(level), replaces };
        let both = said(vec![stage(850, vec![]), stage(350, vec![])]);
        let g = Ground::of(&both);
        assert_eq!((g.stages[0].level_mm, g.conflicts.len()), (850, 1));
        let Some(Op::Stage { replaces, .. }) = g.stage_op(reading(350)) else {
            panic!("a decision is needed")
        };
        assert_eq!(replaces.len(), 2);
        let settled = Ground::of(&said(vec![stage(850, vec![]), stage(350, vec![]), stage(350, replaces)]));
        assert_eq!((settled.stages[0].level_mm, settled.conflicts.len()), (350, 0));
        assert_eq!(settled.stage_op(reading(350)), None);
    }

    #[test]
    fn a_later_statement_keeps_what_it_does_not_say() {
        let base = Setup {
            boat: text("Heron"),
            from: UtcMillis(1_800_000_000_000),
            draft_mm: Some(300),
            sound_speed_mm_s: None,
            temp_centi: None,
            lag_ms: None,
        };
        let g = Ground::of(&said(vec![Op::Setup { setup: base.clone(), replaces: vec![] }]));
        let more = Setup { draft_mm: None, sound_speed_mm_s: Some(1_500_000), ..base.clone() };
        let Some(Op::Setup { setup, replaces }) = g.setup_op(more) else { panic!("something new") };
        assert_eq!((setup.draft_mm, setup.sound_speed_mm_s, replaces.len()), (Some(300), Some(1_500_000), 1));
        assert_eq!(g.setup_op(base), None);
    }
}
