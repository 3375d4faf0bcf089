//! Stages: readings that people typed, and series that were imported.

use super::Standing;
use leadline_logbook::{MAX_SERIES, Op, WriteRef};
use leadline_model::{StageReading, Text, UtcMillis};
use std::collections::{BTreeMap, BTreeSet};

/// What stands of the gauges.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct SaidStages {
    pub(super) typed: BTreeMap<(Text, UtcMillis), Vec<Standing<i32>>>,
    pub(super) series: Vec<Standing<Series>>,
}

/// One imported record, or a part of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Series {
    gauge: Text,
    from: Text,
    readings: BTreeMap<UtcMillis, i32>,
}

impl Series {
    pub(super) fn unpack(gauge: &Text, from: &Text, first: UtcMillis, packed: &[(u32, i32)]) -> Self {
        let mut at = first.0;
        let readings = packed.iter().map(|(seconds, level)| {
            at = at.saturating_add(i64::from(*seconds) * 1000);
            (UtcMillis(at), *level)
        });
        Self { gauge: gauge.clone(), from: from.clone(), readings: readings.collect() }
    }
}

/// Readings as writes, at most [`MAX_SERIES`] in each; the first takes the place of `replaces`.
fn pack(gauge: &Text, from: &Text, readings: &BTreeMap<UtcMillis, i32>, replaces: Vec<WriteRef>) -> Vec<Op> {
    let all: Vec<(UtcMillis, i32)> = readings.iter().map(|(t, l)| (*t, *l)).collect();
    let mut replaces = Some(replaces);
    let op = |part: &[(UtcMillis, i32)]| {
        let first = part.first()?.0;
        let mut before = first;
        let packed = part.iter().map(|(t, level)| {
            let seconds = u32::try_from((t.0 - before.0) / 1000).unwrap_or(u32::MAX);
            before = *t;
            (seconds, *level)
        });
        Some(Op::Series {
            gauge: gauge.clone(),
            from: from.clone(),
            first,
            readings: packed.collect(),
            replaces: replaces.take().unwrap_or_default(),
        })
    };
    all.chunks(MAX_SERIES).filter_map(op).collect()
}

/// All that is said of one moment.
#[derive(Default)]
struct Moment {
    levels: BTreeSet<i32>,
    said: usize,
    imported: bool,
}

impl SaidStages {
    /// The readings in force, in the order of gauge and time. The higher water gives the shoaler reduced depth.
    pub(super) fn in_force(&self, conflicts: &mut Vec<String>) -> Vec<StageReading> {
        let mut all: BTreeMap<&Text, BTreeMap<UtcMillis, Moment>> = BTreeMap::new();
        for ((gauge, at), said) in &self.typed {
            let m = all.entry(gauge).or_default().entry(*at).or_default();
            m.levels.extend(said.iter().map(|s| s.what));
            m.said += said.len();
        }
        for Standing { what: Series { gauge, readings, .. }, .. } in &self.series {
            let of = all.entry(gauge).or_default();
            for (at, level) in readings {
                let m = of.entry(*at).or_default();
                m.levels.insert(*level);
                m.said += 1;
                m.imported = true;
            }
        }
        for (gauge, moments) in &all {
            name_conflicts(gauge, moments, conflicts);
        }
        let highest = |(gauge, moments): (&Text, BTreeMap<UtcMillis, Moment>)| {
            let gauge = gauge.clone();
            moments.into_iter().filter_map(move |(at, m)| {
                Some(StageReading { gauge: gauge.clone(), at, level_mm: *m.levels.last()? })
            })
        };
        all.into_iter().flat_map(highest).collect()
    }

    /// The writes that state readings in place of what stands for the same gauges and moments; none for those that
    /// stand already. A series that says otherwise is stated anew without those moments.
    pub(super) fn typed_ops(&self, readings: Vec<StageReading>) -> Vec<Op> {
        let mut ops = Vec::new();
        let mut cuts: BTreeMap<usize, BTreeSet<UtcMillis>> = BTreeMap::new();
        for reading in readings {
            let typed = self.typed.get(&(reading.gauge.clone(), reading.at)).map_or(&[][..], Vec::as_slice);
            let imported: Vec<(usize, i32)> = self.imported_at(&reading.gauge, reading.at).collect();
            let mut said = typed.iter().map(|s| s.what).chain(imported.iter().map(|(_, l)| *l)).peekable();
            if said.peek().is_some() && said.all(|level| level == reading.level_mm) {
                continue;
            }
            for (i, _) in imported.iter().filter(|(_, level)| *level != reading.level_mm) {
                cuts.entry(*i).or_default().insert(reading.at);
            }
            ops.push(Op::Stage { reading, replaces: typed.iter().map(|s| s.write).collect() });
        }
        let (mut anew, emptied) = self.without(&cuts);
        if let Some(Op::Stage { replaces, .. }) = ops.first_mut() {
            replaces.extend(emptied);
        }
        ops.append(&mut anew);
        ops
    }

    /// The writes that state a record of `gauge`, and how many of its readings are new. Earlier series give way where
    /// they say otherwise; what people typed stays, and shows as a conflict.
    pub(super) fn series_ops(
        &self,
        gauge: &Text,
        from: &Text,
        readings: &[(UtcMillis, i32)],
    ) -> (Vec<Op>, usize) {
        let mut new: BTreeMap<UtcMillis, i32> = BTreeMap::new();
        let mut cuts: BTreeMap<usize, BTreeSet<UtcMillis>> = BTreeMap::new();
        let imported = self.imported(gauge);
        for (at, level) in readings {
            // Seconds are all a series keeps.
            let at = UtcMillis(at.0 - at.0.rem_euclid(1000));
            let typed = self.typed.get(&(gauge.clone(), at)).map_or(&[][..], Vec::as_slice);
            let said = imported.get(&at).map_or(&[][..], Vec::as_slice);
            for (i, _) in said.iter().filter(|(_, l)| l != level) {
                cuts.entry(*i).or_default().insert(at);
            }
            let typed_so = !typed.is_empty() && typed.iter().all(|s| s.what == *level);
            let known = said.iter().all(|(_, l)| l == level) && (typed_so || !said.is_empty());
            if !known {
                new.entry(at).and_modify(|l| *l = (*l).max(*level)).or_insert(*level);
            }
        }
        let (mut ops, emptied) = self.without(&cuts);
        ops.extend(pack(gauge, from, &new, emptied));
        (ops, new.len())
    }

    /// What series say of each moment of a gauge: the series' number, and the level.
    fn imported(&self, gauge: &Text) -> BTreeMap<UtcMillis, Vec<(usize, i32)>> {
        let mut all: BTreeMap<UtcMillis, Vec<(usize, i32)>> = BTreeMap::new();
        for (i, s) in self.series.iter().enumerate().filter(|(_, s)| s.what.gauge == *gauge) {
            s.what.readings.iter().for_each(|(at, level)| all.entry(*at).or_default().push((i, *level)));
        }
        all
    }

    fn imported_at(&self, gauge: &Text, at: UtcMillis) -> impl Iterator<Item = (usize, i32)> {
        self.series.iter().enumerate().filter_map(move |(i, s)| {
            let level = s.what.readings.get(&at).filter(|_| s.what.gauge == *gauge)?;
            Some((i, *level))
        })
    }

    /// Series stated anew without some moments, and those of which nothing is left.
    fn without(&self, cuts: &BTreeMap<usize, BTreeSet<UtcMillis>>) -> (Vec<Op>, Vec<WriteRef>) {
        let (mut ops, mut emptied) = (Vec::new(), Vec::new());
        for (i, moments) in cuts {
            let Some(Standing { write, what: Series { gauge, from, readings }, .. }) = self.series.get(*i)
            else {
                continue;
            };
            let mut rest = readings.clone();
            rest.retain(|at, _| !moments.contains(at));
            if rest.is_empty() {
                emptied.push(*write);
            }
            ops.extend(pack(gauge, from, &rest, vec![*write]));
        }
        (ops, emptied)
    }
}

/// Typed readings are named one by one; a record can differ in a thousand moments and is named once.
fn name_conflicts(gauge: &Text, moments: &BTreeMap<UtcMillis, Moment>, conflicts: &mut Vec<String>) {
    let mut records = moments.iter().filter(|(_, m)| m.levels.len() > 1 && m.imported);
    let first = records.next();
    let more = records.count();
    for (at, m) in moments.iter().filter(|(_, m)| m.levels.len() > 1 && !m.imported) {
        let n = m.said;
        conflicts
            .push(format!("{n} different readings of {gauge} at {at}: the highest is used (shoaler depths)"));
    }
    if let Some((at, m)) = first {
        let others = if more > 0 { format!(" and {more} more moments") } else { String::new() };
        let metres = |mm: Option<&i32>| f64::from(mm.copied().unwrap_or_default()) / 1000.0;
        conflicts.push(format!(
            "imported and other readings of {gauge} differ at {at} ({} m and {} m){others}: the highest is used \
             (shoaler depths); `leadline stage add` settles a moment",
            metres(m.levels.first()),
            metres(m.levels.last()),
        ));
    }
}
