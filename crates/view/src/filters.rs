//! Choices of boats, days and passes: who gave what.

use crate::asked::{self, Query};
use crate::refusal::Refusal;
use crate::shown::{Look, Shown};
use leadline_chart::Between;
use leadline_model::{LegId, Pass, UtcMillis, escaped};
use leadline_survey::Only;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex};

/// Choices that are remembered.
const MOST: usize = 256;
/// Choices whose map is kept in memory: each is as large as the part of the survey it shows.
const KEPT: usize = 3;
/// Boats or passes named in one choice.
const MOST_NAMED: usize = 1_000;

/// What a choice says.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Choice {
    boats: Option<BTreeSet<String>>,
    /// Legs of the passes that were named: the numbers of passes change with what comes.
    legs: Option<BTreeSet<LegId>>,
    from: Option<UtcMillis>,
    before: Option<UtcMillis>,
}

/// All choices of this run.
#[derive(Default)]
pub(crate) struct Filters {
    known: Mutex<BTreeMap<String, Choice>>,
    made: Mutex<Vec<(String, Arc<Shown>)>>,
    /// Held by whoever computes one, so that two tiles of one choice do not compute it twice.
    pub(crate) computing: tokio::sync::Mutex<()>,
}

impl Choice {
    /// From `boats=a,b&from=&to=&passes=1,2`.
    pub(crate) fn of(q: &Query, whole: &Shown) -> Result<Self, Refusal> {
        let passes = &whole.computed.reduced.passes;
        let boats = names(q, "boats")?;
        if let Some(unknown) = boats.iter().flatten().find(|b| !passes.iter().any(|p| is_called(p, b))) {
            return Err(Refusal::bad(
                &format!("no boat called {unknown} has measured here"),
                "see boats in /api/chart",
            ));
        }
        let legs = names(q, "passes")?.map(|list| legs(&list, passes)).transpose()?;
        let (from, before) =
            (asked::time_of(q, "from", asked::moment)?, asked::time_of(q, "to", asked::end)?);
        if from.zip(before).is_some_and(|(f, b)| f >= b) {
            return Err(Refusal::bad("from does not lie before to", "swap them"));
        }
        Ok(Self { boats, legs, from, before })
    }

    fn is_all(&self) -> bool {
        *self == Self::default()
    }

    /// What is to be computed of a survey as it is now.
    pub(crate) fn look(&self, whole: &Shown, between: Between) -> Look {
        let passes = whole.computed.reduced.passes.iter();
        let legs = (self.boats.is_some() || self.legs.is_some()).then(|| {
            let of_boat =
                passes.filter(|p| self.boats.as_ref().is_none_or(|b| b.iter().any(|b| is_called(p, b))));
            let asked = |l: &&LegId| self.legs.as_ref().is_none_or(|legs| legs.contains(*l));
            of_boat.flat_map(|p| &p.legs).filter(asked).copied().collect()
        });
        Look { only: Only { from: self.from, before: self.before, boat: None, legs }, between }
    }
}

impl Filters {
    /// Remembers a choice and gives its id; `all` is everything.
    pub(crate) fn add(&self, choice: Choice) -> String {
        if choice.is_all() {
            return "all".to_owned();
        }
        let id = blake3::hash(format!("{choice:?}").as_bytes()).to_hex()[..12].to_owned();
        if let Ok(mut known) = self.known.lock() {
            if known.len() >= MOST && !known.contains_key(&id) {
                known.pop_first();
            }
            known.insert(id.clone(), choice);
        }
        id
    }

    pub(crate) fn look(&self, id: &str, whole: &Shown, between: Between) -> Option<Look> {
        Some(self.known.lock().ok()?.get(id)?.look(whole, between))
    }

    pub(crate) fn kept(&self, key: &str) -> Option<Arc<Shown>> {
        let mut made = self.made.lock().ok()?;
        let at = made.iter().position(|(k, _)| k == key)?;
        let found = made.remove(at);
        let shown = Arc::clone(&found.1);
        made.push(found);
        Some(shown)
    }

    pub(crate) fn keep(&self, key: String, shown: &Arc<Shown>) {
        if let Ok(mut made) = self.made.lock() {
            made.push((key, Arc::clone(shown)));
            if made.len() > KEPT {
                made.remove(0);
            }
        }
    }
}

/// Names come back as they were shown.
fn is_called(p: &Pass, name: &str) -> bool {
    p.boat.as_str() == name || escaped(p.boat.as_str()) == name
}

fn names(q: &Query, what: &str) -> Result<Option<BTreeSet<String>>, Refusal> {
    let Some(text) = q.get(what).filter(|t| !t.is_empty()) else { return Ok(None) };
    let all: BTreeSet<String> = text.split(',').map(|t| t.trim().to_owned()).collect();
    if all.len() > MOST_NAMED {
        return Err(Refusal::bad(&format!("more than {MOST_NAMED} {what}"), "name fewer"));
    }
    Ok(Some(all))
}

fn legs(list: &BTreeSet<String>, passes: &[Pass]) -> Result<BTreeSet<LegId>, Refusal> {
    let mut out = BTreeSet::new();
    for text in list {
        let pass = text.parse::<usize>().ok().and_then(|n| passes.get(n.checked_sub(1)?));
        let pass = pass.ok_or_else(|| {
            Refusal::bad(&format!("there is no pass {text}"), "passes are numbered from 1, see /api/chart")
        })?;
        out.extend(pass.legs.iter().copied());
    }
    Ok(out)
}
