//! Levellings: one whole solution in force, the others shown.

use super::Standing;
use leadline_logbook::Op;
use leadline_model::{BoatLevel, DayLevel, Levelling, Text};
use std::cmp::Reverse;
use std::collections::BTreeMap;

/// The levelling in force and the others that stand, best first: most boat-days, then the smaller sum of their own
/// uncertainties, then the smaller write.
pub(super) fn settle(
    mut all: Vec<Standing<Levelling>>,
    conflicts: &mut Vec<String>,
    by: &dyn Fn(&Standing<Levelling>) -> String,
) -> (Option<Standing<Levelling>>, Vec<Standing<Levelling>>) {
    all.sort_by_cached_key(|s| {
        let own: u64 = s.what.days.iter().map(|d| u64::from(d.own95_mm)).sum();
        (Reverse(s.what.days.len()), own, s.write)
    });
    let mut all = all.into_iter();
    let first = all.next();
    let others: Vec<_> = all.collect();
    if let Some(first) = first.as_ref().filter(|f| others.iter().any(|o| o.what != f.what)) {
        conflicts.push(format!(
            "{} levellings were applied; the one of {} boat-days by {} is in force; `leadline level --apply` settles it",
            others.len() + 1,
            first.what.days.len(),
            by(first)
        ));
    }
    (first, others)
}

/// The levelling with its boats under the names in force. Where two of them are one boat by now, of two offsets of one
/// day the greater stays, which gives the shoaler depths.
pub(super) fn renamed(l: &Levelling, name: &dyn Fn(&Text) -> Text) -> Levelling {
    let mut boats: BTreeMap<Text, BoatLevel> = BTreeMap::new();
    for b in &l.boats {
        let boat = name(&b.boat);
        boats.entry(boat.clone()).or_insert_with(|| BoatLevel { boat, ..b.clone() });
    }
    let number: BTreeMap<&Text, u16> = boats.keys().zip(0u16..).collect();
    let mut days: BTreeMap<(u16, i32), DayLevel> = BTreeMap::new();
    for d in &l.days {
        let boat = l.boats.get(usize::from(d.boat)).map(|b| name(&b.boat));
        let Some(boat) = boat.and_then(|b| number.get(&b).copied()) else { continue };
        let day = DayLevel { boat, ..*d };
        let kept = days.entry((boat, d.day)).or_insert(day);
        if day.offset_mm > kept.offset_mm {
            *kept = day;
        }
    }
    let days = days.into_values().collect();
    Levelling { inputs: l.inputs, days, clusters: l.clusters.clone(), boats: boats.into_values().collect() }
}

/// The write that applies `levelling` in place of all that stand; `None` if it alone stands already.
pub(super) fn apply_op(all: &[&Standing<Levelling>], levelling: Levelling) -> Option<Op> {
    let same = matches!(all, [one] if one.what == levelling);
    (!same).then(|| Op::Level { levelling, replaces: all.iter().map(|s| s.write).collect() })
}

/// The write that takes back all that stand; `None` if none does.
pub(super) fn undo_op(all: &[&Standing<Levelling>]) -> Option<Op> {
    (!all.is_empty()).then(|| Op::Unlevel { replaces: all.iter().map(|s| s.write).collect() })
}
