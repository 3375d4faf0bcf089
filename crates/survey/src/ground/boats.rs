//! What boats are called, and their setups.

use super::Standing;
use leadline_logbook::{Op, WriteRef};
use leadline_model::{Setup, Text, UtcMillis};
use std::collections::{BTreeMap, BTreeSet};

/// Renamings in force.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Renames {
    /// What stands, by the name in claims and statements.
    said: BTreeMap<Text, Vec<Standing<Text>>>,
    /// The name in force of each of them.
    last: BTreeMap<Text, Text>,
}

impl Renames {
    pub(super) fn of(said: BTreeMap<Text, Vec<Standing<Text>>>, conflicts: &mut Vec<String>) -> Self {
        // One step for each: where people differ, the smaller name.
        let mut next = BTreeMap::new();
        for (boat, to) in &said {
            let names: BTreeSet<&Text> = to.iter().map(|s| &s.what).collect();
            let Some(first) = names.first() else { continue };
            if names.len() > 1 {
                let all: Vec<String> = names.iter().map(ToString::to_string).collect();
                conflicts.push(format!(
                    "{boat} was renamed to {}: {first} is used; `leadline boat rename` settles it",
                    all.join(" and to ")
                ));
            }
            next.insert(boat, *first);
        }
        let last = ends(&next, conflicts);
        Self { said, last }
    }

    /// The name of `boat` in force.
    pub(super) fn name(&self, boat: &Text) -> Text {
        self.last.get(boat).unwrap_or(boat).clone()
    }

    /// Former names, each with the name in force.
    pub(super) fn former(&self) -> Vec<(Text, Text)> {
        self.last.iter().filter(|(boat, name)| boat != name).map(|(b, n)| (b.clone(), n.clone())).collect()
    }

    /// The write that names `boat` `to`; `None` if that stands already. A renaming of `to` that leads back to `boat`
    /// goes, so that names can be given back.
    pub(super) fn op(&self, boat: &Text, to: &Text) -> Option<Op> {
        let of = |name: &Text| self.said.get(name).map_or(&[][..], Vec::as_slice);
        let stands = of(boat);
        if stands.iter().all(|s| s.what == *to) && self.name(boat) == *to {
            return None;
        }
        let back = if boat == to { &[][..] } else { of(to) };
        let replaces: Vec<WriteRef> = stands.iter().chain(back).map(|s| s.write).collect();
        Some(Op::Rename { boat: boat.clone(), to: to.clone(), replaces })
    }

    /// Whether anything is said of that name.
    pub(super) fn knows(&self, name: &Text) -> bool {
        self.said.contains_key(name)
    }
}

/// Where each name leads, however long the chain; each step is taken once. A ring ends at its smallest name.
fn ends(next: &BTreeMap<&Text, &Text>, conflicts: &mut Vec<String>) -> BTreeMap<Text, Text> {
    let mut last: BTreeMap<Text, Text> = BTreeMap::new();
    for start in next.keys() {
        let (mut path, mut place, mut at) = (Vec::<&Text>::new(), BTreeMap::new(), *start);
        let end = loop {
            if let Some(end) = last.get(at) {
                break end.clone();
            }
            if let Some(ring) = place.get(at).and_then(|begin| path.get(*begin..)) {
                let end: Text = ring.iter().copied().min().unwrap_or(at).clone();
                if ring.len() > 1 {
                    conflicts.push(format!(
                        "boats were renamed in a ring around {end}: all of them are {end}; \
                         `leadline boat rename` settles it"
                    ));
                }
                break end;
            }
            let Some(to) = next.get(at) else { break at.clone() };
            place.insert(at, path.len());
            path.push(at);
            at = *to;
        };
        last.extend(path.into_iter().map(|name| (name.clone(), end.clone())));
    }
    last
}

/// What stands of each boat and date.
pub(super) type SaidSetups = BTreeMap<(Text, UtcMillis), Vec<Standing<Setup>>>;

/// The setups in force, in the order of boat and date.
pub(super) fn setups(said: &SaidSetups, conflicts: &mut Vec<String>) -> Vec<Setup> {
    let mut out = Vec::with_capacity(said.len());
    for ((boat, from), said) in said {
        let mut all = said.iter().map(|s| &s.what);
        let Some(first) = all.next() else { continue };
        let safe = all.clone().fold(first.clone(), |a, b| shoaler_setup(&a, b));
        if all.any(|s| s != first) {
            let n = said.len();
            conflicts.push(format!(
                "{n} different setups of {boat} from {from}: the one giving shoaler depths is used"
            ));
        }
        out.push(safe);
    }
    out
}

/// The write that states `setup`, in place of what stands for the same boat and date; values not stated are taken
/// over. `None` if it says nothing new.
pub(super) fn setup_op(said: &SaidSetups, in_force: &[Setup], setup: Setup) -> Option<Op> {
    let stands = said.get(&(setup.boat.clone(), setup.from)).map_or(&[][..], Vec::as_slice);
    let old = in_force.iter().find(|s| s.boat == setup.boat && s.from == setup.from);
    let full = Setup {
        draft_mm: setup.draft_mm.or(old.and_then(|o| o.draft_mm)),
        sound_speed_mm_s: setup.sound_speed_mm_s.or(old.and_then(|o| o.sound_speed_mm_s)),
        temp_centi: setup.temp_centi.or(old.and_then(|o| o.temp_centi)),
        lag_ms: setup.lag_ms.or(old.and_then(|o| o.lag_ms)),
        ..setup
    };
    let same = matches!(stands, [one] if one.what == full);
    (!same).then(|| Op::Setup { setup: full, replaces: stands.iter().map(|s| s.write).collect() })
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
        lag_ms: pick(a.lag_ms, b.lag_ms, |x, y| if (x.abs(), x) >= (y.abs(), y) { x } else { y }),
    }
}
