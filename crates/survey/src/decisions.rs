//! What people decide about soundings and boats: leave out, take back, call no copies, rename, level.

use crate::actions::write_statement;
use crate::ground::{Ground, canonical_ring, decision_words, scope_words};
use crate::{Error, Store};
use leadline_logbook::{LegClaim, SurveyWrites, WriteRef};
use leadline_model::{Decision, Levelling, Scope, Text, UtcMillis, Verdict};

/// Which reduced depths a verdict is confined to, mm below the sounding datum; `None` = no bound on that side.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct DepthFilter {
    /// Only depths shoaler than this.
    pub shoaler_than_mm: Option<i32>,
    /// Only depths deeper than this.
    pub deeper_than_mm: Option<i32>,
}

/// Leaves out the soundings of a scope that are held: later ones vote anew. False if that stands already.
pub fn leave_out(
    store: &mut Store,
    scope: Scope,
    depths: DepthFilter,
    why: Text,
    now: UtcMillis,
) -> Result<bool, Error> {
    decide(store, scope, depths, Decision::LeaveOut, why, now)
}

/// States that what a boat measured in a stretch of time is no copy of another recording. False if that stands already.
pub fn not_copies(store: &mut Store, stretch: Scope, why: Text, now: UtcMillis) -> Result<bool, Error> {
    if !matches!(stretch, Scope::Stretch { .. }) {
        return Err(Error::Request("copies are recordings: give the boat and the time of one".to_owned()));
    }
    decide(store, stretch, DepthFilter::default(), Decision::NotCopies, why, now)
}

fn decide(
    store: &mut Store,
    scope: Scope,
    depths: DepthFilter,
    decision: Decision,
    why: Text,
    now: UtcMillis,
) -> Result<bool, Error> {
    let writes = store.survey_writes()?;
    let ground = Ground::of(&writes);
    let scope = normal(scope, &ground);
    let verdict =
        Verdict { until: until(&scope, &writes, &ground)?, ..verdict(scope, depths, decision, why) };
    write_statement(store, now, |g| g.verdict_op(verdict))
}

fn verdict(scope: Scope, depths: DepthFilter, decision: Decision, why: Text) -> Verdict {
    let DepthFilter { shoaler_than_mm, deeper_than_mm } = depths;
    Verdict { scope, decision, until: UtcMillis(0), shoaler_than_mm, deeper_than_mm, why }
}

/// One form for one scope.
fn normal(scope: Scope, ground: &Ground) -> Scope {
    match scope {
        Scope::Stretch { boat, from, to } => Scope::Stretch { boat: ground.boat(&boat), from, to },
        Scope::Area(ring) => Scope::Area(canonical_ring(&ring)),
        Scope::Cell(cell) => Scope::Cell(cell),
    }
}

/// The moment up to which a verdict on `scope` binds: what is held now. Refuses a scope in which nothing can lie.
fn until(scope: &Scope, writes: &SurveyWrites, ground: &Ground) -> Result<UtcMillis, Error> {
    let claims = || writes.claims.values().flat_map(|said| said.iter().map(move |s| (said, &s.what)));
    let nothing = |why: String| Err(Error::Request(why));
    match scope {
        Scope::Stretch { boat, from, to } => {
            let of_boat = || claims().filter(|(said, _)| ground.boat_of(said).as_ref() == Some(boat));
            if of_boat().next().is_none() {
                return nothing(format!(
                    "no boat called {boat} has soundings here; `leadline boat list` shows them"
                ));
            }
            let inside = |c: &LegClaim| span(c).is_some_and(|(first, last)| first < *to && last >= *from);
            if !of_boat().any(|(_, c)| inside(c)) {
                return nothing(format!(
                    "{boat} has no soundings from {from} to {to}; `leadline passes` lists when it measured"
                ));
            }
            Ok(*to)
        }
        Scope::Area(_) | Scope::Cell(_) => {
            let near = claims().any(|(_, c)| c.strips.iter().any(|s| may_hold(scope, s.tile)));
            let newest = claims().filter_map(|(_, c)| Some(span(c)?.1)).max();
            match newest.filter(|_| near) {
                Some(t) => Ok(t),
                None => nothing(format!(
                    "nothing was measured near {}; check that longitude comes before latitude",
                    scope_words(scope)
                )),
            }
        }
    }
}

/// First and last sounding of a leg.
fn span(c: &LegClaim) -> Option<(UtcMillis, UtcMillis)> {
    let at = |ms: u32| UtcMillis(c.window.start().0.saturating_add(i64::from(ms)));
    let first = c.strips.iter().map(|s| s.first_ms).min()?;
    Some((at(first), at(c.strips.iter().map(|s| s.last_ms).max()?)))
}

/// Whether a sounding on `tile` can lie in `scope`: exact for a cell's tile, by the box around an area.
fn may_hold(scope: &Scope, tile: leadline_model::TileId) -> bool {
    match scope {
        Scope::Stretch { .. } => true,
        Scope::Cell(cell) => cell.tile() == tile,
        Scope::Area(ring) => {
            let within = |of: fn(leadline_model::TileId) -> u32| {
                let edges = || ring.iter().map(|p| of(p.tile()));
                edges().min() <= Some(of(tile)) && Some(of(tile)) <= edges().max()
            };
            within(|t| t.x()) && within(|t| t.y())
        }
    }
}

/// Takes back every leave-out of exactly this scope; with a filter, those of these depths.
pub fn take_back(
    store: &mut Store,
    scope: Scope,
    depths: DepthFilter,
    why: Text,
    now: UtcMillis,
) -> Result<(), Error> {
    let writes = store.survey_writes()?;
    let ground = Ground::of(&writes);
    let scope = normal(scope, &ground);
    let said = ground.verdicts.iter().filter(|s| s.what.scope == scope).map(|s| s.what.until).max();
    let what = scope_words(&scope);
    let keep = verdict(scope, depths, Decision::Keep, why);
    let keep = Verdict { until: said.unwrap_or_default(), ..keep };
    if write_statement(store, now, |g| g.take_back_op(keep, None))? {
        return Ok(());
    }
    Err(Error::Request(format!(
        "nothing to take back: no leave-out of exactly {what} is in force{}",
        standing(&ground)
    )))
}

/// Takes back the one decision whose write begins with `id`, as the list of verdicts shows it.
pub fn take_back_one(store: &mut Store, id: &str, why: Text, now: UtcMillis) -> Result<(), Error> {
    let ground = Ground::of(&store.survey_writes()?);
    let takes = |s: &&crate::Standing<Verdict>| s.what.decision != Decision::Keep;
    let named: Vec<_> = ground
        .verdicts
        .iter()
        .filter(takes)
        .filter(|s| id.len() >= 4 && s.write.to_string().starts_with(id))
        .collect();
    let one = match named[..] {
        [one] => one,
        [] => {
            return Err(Error::Request(format!(
                "nothing to take back: no verdict {id} is in force{}",
                standing(&ground)
            )));
        }
        _ => return Err(Error::Request(format!("several verdicts begin with {id}; give more of it"))),
    };
    let which: WriteRef = one.write;
    let keep = Verdict { decision: Decision::Keep, why, ..one.what.clone() };
    write_statement(store, now, |g| g.take_back_op(keep, Some(which))).map(drop)
}

/// What could be meant instead.
fn standing(ground: &Ground) -> String {
    let mut takes = ground.verdicts.iter().filter(|s| s.what.decision != Decision::Keep).peekable();
    if takes.peek().is_none() {
        return "; no verdict is".to_owned();
    }
    let list: Vec<String> = takes
        .take(3)
        .map(|s| format!("{} ({})", scope_words(&s.what.scope), decision_words(s.what.decision)))
        .collect();
    format!(": there is {}; `leadline leave-out --list` shows all and how to take each back", list.join(", "))
}

/// Gives a boat another name in everything that is and will be said of it. False if it has that name already.
pub fn rename_boat(store: &mut Store, boat: &Text, to: &Text, now: UtcMillis) -> Result<bool, Error> {
    let writes = store.survey_writes()?;
    let ground = Ground::of(&writes);
    if !ground.boats(&writes).contains(boat) && !ground.is_renamed(boat) {
        return Err(Error::Request(format!(
            "there is no boat called {boat}; `leadline boat list` shows them"
        )));
    }
    let taken = ground.boat(to);
    if boat != to && taken != *to && taken != ground.boat(boat) {
        return Err(Error::Request(format!(
            "{to} is a former name of {taken}; take another name for {boat}"
        )));
    }
    write_statement(store, now, |g| g.rename_op(boat, to))
}

/// Applies a levelling in place of all that stand. False if it alone stands already.
pub fn apply_levelling(store: &mut Store, levelling: Levelling, now: UtcMillis) -> Result<bool, Error> {
    write_statement(store, now, |g| g.level_op(levelling))
}

/// Takes back every levelling. False if none stands.
pub fn undo_levelling(store: &mut Store, now: UtcMillis) -> Result<bool, Error> {
    write_statement(store, now, Ground::unlevel_op)
}
