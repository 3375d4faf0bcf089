//! Casts, gauges and the river's line.

use super::Standing;
use leadline_logbook::{Op, WriteRef};
use leadline_model::{Gauge, GridPos, Layer, Text, UtcMillis, WaterCast};
use std::collections::BTreeMap;

/// What stands of the water.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct SaidWater {
    pub(super) casts: BTreeMap<UtcMillis, Vec<Standing<WaterCast>>>,
    pub(super) gauges: BTreeMap<Text, Vec<Standing<Gauge>>>,
    pub(super) rivers: Vec<Standing<Vec<GridPos>>>,
}

fn refs<T>(said: &[Standing<T>]) -> Vec<WriteRef> {
    said.iter().map(|s| s.write).collect()
}

fn differ<T: PartialEq>(said: &[Standing<T>]) -> bool {
    said.windows(2).any(|w| matches!(w, [a, b] if a.what != b.what))
}

impl SaidWater {
    /// Casts in the order of time. Of several at one moment the less salty and colder holds: slower sound, shoaler
    /// depths.
    pub(super) fn casts(&self, conflicts: &mut Vec<String>) -> Vec<WaterCast> {
        let mut out = Vec::with_capacity(self.casts.len());
        for (at, said) in &self.casts {
            let all = said.iter().map(|s| &s.what);
            let salt = all.clone().map(|c| c.salinity_centi).min().unwrap_or_default();
            // An empty list says nothing of the temperature.
            let coldest = all.map(|c| &c.layers).filter(|l| !l.is_empty()).min_by(|a, b| colder(a, b));
            if differ(said) {
                let n = said.len();
                conflicts.push(format!(
                    "{n} different casts of the water at {at}: the colder, less salty one is used (shoaler depths); \
                     `leadline water add` settles it"
                ));
            }
            let layers = coldest.cloned().unwrap_or_default();
            out.push(WaterCast { at: *at, salinity_centi: salt, layers });
        }
        out
    }

    /// Gauges by name. Of several statements the higher zero holds: higher water, shoaler depths.
    pub(super) fn gauges(&self, conflicts: &mut Vec<String>) -> Vec<Gauge> {
        let mut out = Vec::with_capacity(self.gauges.len());
        for (name, said) in &self.gauges {
            let zero_mm = said.iter().map(|s| s.what.zero_mm).max().unwrap_or_default();
            let highest = said.iter().filter(|s| s.what.zero_mm == zero_mm);
            let place = highest.chain(said).find_map(|s| s.what.place);
            if differ(said) {
                let n = said.len();
                conflicts.push(format!(
                    "{n} different statements of gauge {name}: the higher zero is used (shoaler depths); \
                     `leadline gauge add` settles it"
                ));
            }
            out.push(Gauge { name: name.clone(), zero_mm, place });
        }
        out
    }

    /// The line of the river; of several that of the smaller write, since no line is safer than another.
    pub(super) fn river(
        &self,
        conflicts: &mut Vec<String>,
        by: impl Fn(&Standing<Vec<GridPos>>) -> String,
    ) -> Vec<GridPos> {
        let Some(first) = self.rivers.iter().min_by_key(|s| s.write) else { return Vec::new() };
        if differ(&self.rivers) {
            let n = self.rivers.len();
            conflicts.push(format!(
                "{n} different lines of the river: the one of {} points by {} is used; `leadline gauge river` settles it",
                first.what.len(),
                by(first)
            ));
        }
        first.what.clone()
    }

    pub(super) fn cast_op(&self, cast: WaterCast) -> Option<Op> {
        let stands = self.casts.get(&cast.at).map_or(&[][..], Vec::as_slice);
        let same = matches!(stands, [one] if one.what == cast);
        (!same).then(|| Op::Water { cast, replaces: refs(stands) })
    }

    /// What is not said is taken over.
    pub(super) fn gauge_op(
        &self,
        name: &Text,
        zero_mm: Option<i32>,
        place: Option<GridPos>,
        in_force: &[Gauge],
    ) -> Option<Op> {
        let stands = self.gauges.get(name).map_or(&[][..], Vec::as_slice);
        let old = in_force.iter().find(|g| g.name == *name);
        let gauge = Gauge {
            name: name.clone(),
            zero_mm: zero_mm.or(old.map(|g| g.zero_mm)).unwrap_or_default(),
            place: place.or(old.and_then(|g| g.place)),
        };
        let same = matches!(stands, [one] if one.what == gauge);
        (!same).then(|| Op::Gauge { gauge, replaces: refs(stands) })
    }

    pub(super) fn river_op(&self, line: Vec<GridPos>) -> Option<Op> {
        let same = match &self.rivers[..] {
            [] => line.is_empty(),
            [one] => one.what == line,
            _ => false,
        };
        (!same).then(|| Op::River { line, replaces: refs(&self.rivers) })
    }
}

/// By mean temperature without dividing, then by content.
fn colder(a: &[Layer], b: &[Layer]) -> std::cmp::Ordering {
    let sum = |l: &[Layer]| l.iter().map(|l| i64::from(l.temp_centi)).sum::<i64>();
    let (n, m) = (a.len() as i64, b.len() as i64);
    (sum(a) * m).cmp(&(sum(b) * n)).then_with(|| a.cmp(b))
}
