//! What goes into a parcel: entries with their strips, and the entries that tell who belongs to the crew.

use super::lock::Keys;
use super::read::{self, Piece};
use super::{ParcelArea, ParcelRequest, Since};
use crate::store::documents::is_of_crew;
use crate::{Error, Home, Store};
use leadline_logbook::{Entry, Have, LegClaim, Op, StripRef};
use leadline_model::{EntryId, StripDigest, UtcMillis};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// All that was chosen.
pub(super) struct Chosen {
    /// What tells who belongs to the crew: in every part.
    pub(super) crew: Vec<Entry>,
    /// The rest, in the order in which they came.
    pub(super) units: Vec<Unit>,
    /// What the receiver is taken to have.
    pub(super) presupposes: Option<Have>,
}

/// An entry, and the strips it brings along.
pub(super) struct Unit {
    pub(super) entry: Entry,
    pub(super) strips: Vec<Strip>,
}

/// A strip that goes along.
#[derive(Clone, Copy)]
pub(super) struct Strip {
    pub(super) of: StripRef,
    /// Times of its first and last sounding.
    pub(super) span: (UtcMillis, UtcMillis),
}

/// What the receiver has.
#[derive(Default)]
struct Theirs {
    have: Option<Have>,
    entries: BTreeSet<EntryId>,
    strips: BTreeSet<StripDigest>,
}

pub(super) fn choose(home: &Home, store: &Store, request: &ParcelRequest) -> Result<Chosen, Error> {
    let kept = store.held_back()?;
    let held: BTreeSet<StripDigest> =
        store.strip_digests()?.into_iter().filter(|digest| !kept.contains(digest)).collect();
    let entries = store.entries_in_force()?;
    let theirs = match &request.since {
        None => Theirs::default(),
        Some(since) => theirs(home, store, since, &entries)?,
    };
    let mut chosen = Chosen { crew: Vec::new(), units: Vec::new(), presupposes: theirs.have };
    let mut given = theirs.strips;
    let behind_cuts = store.masked_behind_cuts()?.into_iter().filter(|e| !theirs.entries.contains(&e.id()));
    chosen.units.extend(behind_cuts.map(|entry| Unit { entry, strips: Vec::new() }));
    for entry in entries {
        if is_of_crew(&entry) {
            chosen.crew.push(entry);
            continue;
        }
        let (says, strips) = wanted(&entry, request);
        let fresh = strips.into_iter().filter(|s| held.contains(&s.of.digest) && given.insert(s.of.digest));
        let fresh: Vec<Strip> = fresh.collect();
        if !fresh.is_empty() || (says && !theirs.entries.contains(&entry.id())) {
            chosen.units.push(Unit { entry, strips: fresh });
        }
    }
    Ok(chosen)
}

/// Whether the entry is needed, and the strips of its legs that are.
fn wanted(entry: &Entry, request: &ParcelRequest) -> (bool, Vec<Strip>) {
    let all = request.area.is_none() && request.from.is_none() && request.to.is_none();
    let (mut says, mut strips) = (all || entry.ops().is_empty(), Vec::new());
    for op in entry.ops() {
        match op {
            Op::Leg(claim) => {
                let before = strips.len();
                strips.extend(strips_of(claim).filter(|s| request.keeps(s)));
                says |= strips.len() > before;
            }
            Op::Mark { mark: Some(mark), .. } => {
                says |= request.area.as_ref().is_none_or(|a| a.holds(mark.place));
            }
            _ => says = true,
        }
    }
    (says, strips)
}

fn strips_of(claim: &LegClaim) -> impl Iterator<Item = Strip> {
    let start = claim.window.start().0;
    let at = move |ms: u32| UtcMillis(start.saturating_add(i64::from(ms)));
    claim.strips.iter().map(move |s| Strip { of: *s, span: (at(s.first_ms), at(s.last_ms)) })
}

impl ParcelRequest {
    fn keeps(&self, strip: &Strip) -> bool {
        let touched = |a: &ParcelArea| a.touches(strip.of.tile);
        self.area.as_ref().is_none_or(touched)
            && self.from.is_none_or(|t| strip.span.1 >= t)
            && self.to.is_none_or(|t| strip.span.0 < t)
    }
}

fn theirs(home: &Home, store: &Store, since: &Since, entries: &[Entry]) -> Result<Theirs, Error> {
    let places = store.places()?;
    let (have, mut known, mut strips) = match since {
        Since::Device(device) => {
            let have = store.peer_have(device)?.ok_or_else(|| {
                Error::Request(format!(
                    "what {} has is not known here: it was not met by this device yet. Give the last parcel written for it (--since FILE), or write a full one",
                    device.short()
                ))
            })?;
            (Some(have), BTreeSet::new(), BTreeSet::new())
        }
        Since::Parcel(path) => earlier(home, store, path)?,
    };
    let lacks: Option<BTreeSet<EntryId>> = have.map(|h| h.missing_of(&places).into_iter().collect());
    if let Some(lacks) = &lacks {
        let here = places.iter().map(|p| p.id).filter(|id| !lacks.contains(id));
        known.extend(here);
        // Whoever finished a meeting or read what is presupposed has the strips of those entries as well.
        let has = |e: &&Entry| !lacks.contains(&e.id());
        for claim in entries.iter().filter(has).flat_map(Entry::ops).filter_map(leg) {
            strips.extend(claim.strips.iter().map(|s| s.digest));
        }
    }
    let all: BTreeMap<EntryId, _> = places.iter().map(|p| (p.id, *p)).collect();
    let places: Vec<_> = known.iter().filter_map(|id| all.get(id).copied()).collect();
    Ok(Theirs { have: Some(Have::of(&places)), entries: known, strips })
}

type Earlier = (Option<Have>, BTreeSet<EntryId>, BTreeSet<StripDigest>);

/// What an earlier parcel presupposed, and what is in it.
fn earlier(home: &Home, store: &Store, path: &Path) -> Result<Earlier, Error> {
    let limits = *store.limits();
    let (mut entries, mut strips) = (BTreeSet::new(), BTreeSet::new());
    let keys = Keys::of(home, None)?;
    let came = read::for_each(path, &keys, Some(store.survey()), limits, |piece| {
        match piece {
            Piece::Entries(all) => entries.extend(all.iter().filter_map(|b| leadline_logbook::entry_id(b))),
            Piece::Strips(all) => {
                strips.extend(all.iter().filter_map(|p| leadline_logbook::strip_digest(p, &limits).ok()));
            }
        }
        Ok(())
    })?;
    if !came.end.is_whole() {
        return Err(Error::Parcel {
            path: path.to_owned(),
            why: "it is cut or damaged, so that what was in it is not known; give a whole one to --since"
                .to_owned(),
        });
    }
    Ok((came.header.presupposes, entries, strips))
}

fn leg(op: &Op) -> Option<&LegClaim> {
    match op {
        Op::Leg(claim) => Some(claim),
        _ => None,
    }
}
