//! Adopted surveys: another survey of the same water, read together with this one. Its entries stay as they were
//! signed, in a store of their own; its boats are shown with the survey's name, because a boat of the same name there
//! need not be the same boat.

use super::{Ground, named_by};
use crate::{Error, Store};
use leadline_logbook::{Domain, LegClaim, Op, Said, SurveyWrites};
use leadline_model::{
    BoatLevel, ClusterLevel, DayLevel, Digest, LegId, Levelling, MAX_TEXT_BYTES, Scope, Setup, SurveyId,
    Text, Verdict,
};
use leadline_reduce::Settings;
use std::collections::{BTreeMap, BTreeSet};

/// One adopted survey, as it is read here.
#[derive(Debug)]
pub struct AdoptedSurvey {
    /// Its id.
    pub survey: SurveyId,
    /// What it is called here.
    pub name: Text,
    /// What its people say, in the names of boats that they have there.
    pub ground: Ground,
    /// Claims of its legs.
    pub claims: BTreeMap<LegId, Vec<Said<LegClaim>>>,
    /// Its legs that this survey holds as well: they count once, as this survey's.
    pub shared_legs: usize,
    /// All its boats under their names here, whatever part of its legs is looked at.
    pub(crate) boats: BTreeSet<Text>,
}

impl AdoptedSurvey {
    /// The name here of its boat.
    pub fn boat(&self, boat: &Text) -> Text {
        labelled(&self.ground.boat(boat), &self.name)
    }

    /// The name here of the boat of one of its legs.
    pub(crate) fn boat_of(&self, said: &[Said<LegClaim>]) -> Option<Text> {
        self.ground.boat_of(said).map(|b| labelled(&b, &self.name))
    }

    fn all_boats(&self) -> BTreeSet<Text> {
        let claimed = self.claims.values().filter_map(|said| self.boat_of(said));
        claimed.chain(self.ground.setups.iter().map(|s| self.boat(&s.boat))).collect()
    }

    pub(crate) fn setups(&self) -> impl Iterator<Item = Setup> {
        self.ground.setups.iter().map(|s| Setup { boat: self.boat(&s.boat), ..s.clone() })
    }

    /// Its verdicts: those on stretches of its boats' time, and those on areas and cells.
    pub(crate) fn verdicts(&self) -> (Vec<Verdict>, Vec<Verdict>) {
        let all = self.ground.verdicts.iter().map(|s| named_by(s.what.clone(), &|b| self.boat(b)));
        all.partition(|v| matches!(v.scope, Scope::Stretch { .. }))
    }
}

/// `Coot (Thornmere north)`, cut to what a text may have.
fn labelled(boat: &Text, survey: &Text) -> Text {
    let behind = format!(" ({})", survey.as_str());
    let mut end = boat.as_str().len().min(MAX_TEXT_BYTES.saturating_sub(behind.len()));
    while !boat.as_str().is_char_boundary(end) {
        end -= 1;
    }
    let name = format!("{}{behind}", boat.as_str().get(..end).unwrap_or_default());
    Text::new(&name).unwrap_or_else(|_| boat.clone())
}

impl Ground {
    /// The surveys adopted, each with the name it was adopted under; by id.
    pub fn adopted(&self) -> BTreeMap<SurveyId, Text> {
        self.adoptions.iter().map(|s| (s.what.0, s.what.1.clone())).collect()
    }

    /// The write that adopts a survey. `None` if it is adopted already.
    pub fn adopt_op(&self, survey: SurveyId, name: Text) -> Option<Op> {
        let known = self.adoptions.iter().any(|s| s.what.0 == survey);
        (!known).then_some(Op::Adopt { survey, name, replaces: Vec::new() })
    }

    /// The write that takes the adoption of a survey back. `None` if it is not adopted.
    pub fn unadopt_op(&self, survey: &SurveyId) -> Option<Op> {
        let replaces: Vec<_> =
            self.adoptions.iter().filter(|s| s.what.0 == *survey).map(|s| s.write).collect();
        (!replaces.is_empty()).then_some(Op::Unadopt { replaces })
    }

    /// The same ground together with that of adopted surveys: their conflicts are shown, and what a levelling is
    /// solved from has another digest.
    pub(crate) fn joined(mut self, adopted: &[AdoptedSurvey], missing: &[Text]) -> Self {
        for name in missing {
            self.conflicts.push(format!(
                "the survey {name} is adopted and is not in this home, so its soundings are missing here: read a parcel of it (`leadline parcel read`)"
            ));
        }
        for a in adopted {
            self.conflicts.extend(a.ground.conflicts.iter().map(|c| format!("in {}: {c}", a.name)));
        }
        if !adopted.is_empty() {
            let mut h = Domain::Inputs.hasher();
            h.update(&self.inputs.0);
            for a in adopted {
                h.update(&a.survey.0);
                h.update(&a.ground.inputs.0);
            }
            self.inputs = Digest(h.finish().0);
        }
        self
    }

    /// The levelling to reduce with: this survey's, and for boats of adopted surveys that it does not name, that of
    /// their own survey, which hangs on no datum of this one.
    pub(crate) fn levelling_with(&self, adopted: &[AdoptedSurvey], settings: &Settings) -> Option<Levelling> {
        let own = self.levelling.as_ref().map(|l| l.what.clone());
        let named: BTreeSet<Text> = own.iter().flat_map(|l| &l.boats).map(|b| b.boat.clone()).collect();
        let mut all = own;
        for a in adopted {
            if let Some(theirs) = a.ground.levelling.as_ref().filter(|_| named.is_disjoint(&a.boats)) {
                let empty = Levelling {
                    inputs: self.inputs,
                    boats: Vec::new(),
                    days: Vec::new(),
                    clusters: Vec::new(),
                };
                append(all.get_or_insert(empty), &theirs.what, a, settings.defaults.datum_unknown);
            }
        }
        all
    }
}

/// Adds the levelling of an adopted survey, floating.
fn append(all: &mut Levelling, theirs: &Levelling, a: &AdoptedSurvey, datum95_m: f64) {
    let (boats, clusters) = (all.boats.len(), all.clusters.len());
    let shifted = |n: u16, by: usize| u16::try_from(usize::from(n) + by).ok();
    all.boats.extend(theirs.boats.iter().map(|b| BoatLevel { boat: a.boat(&b.boat), ..b.clone() }));
    all.clusters.extend(theirs.clusters.iter().map(|c| {
        let own = f64::from(c.common95_mm) / 1000.0;
        let both = (own * own + datum95_m * datum95_m).sqrt() * 1000.0;
        ClusterLevel { common95_mm: both.round() as u32, floating: true }
    }));
    all.days.extend(theirs.days.iter().filter_map(|d| {
        Some(DayLevel { boat: shifted(d.boat, boats)?, cluster: shifted(d.cluster, clusters)?, ..*d })
    }));
}

/// Adopted surveys, each with its store.
type Found = Vec<(AdoptedSurvey, Store)>;

impl Store {
    /// The store of another survey in the same home, if it is there.
    pub(crate) fn beside(&self, survey: &SurveyId) -> Result<Option<Self>, Error> {
        let path = self.path().with_file_name(format!("{survey}.sqlite"));
        if *survey == self.survey() || !path.is_file() {
            return Ok(None);
        }
        let key = leadline_logbook::DeviceKey::from_seed(&self.key().seed());
        Self::open(&path, *survey, key).map(Some)
    }

    /// The adopted surveys that are in this home, by id, each with its store, and the names of those that are not.
    pub(crate) fn adopted(
        &self,
        ground: &Ground,
        writes: &SurveyWrites,
    ) -> Result<(Found, Vec<Text>), Error> {
        let (mut found, mut missing) = (Vec::new(), Vec::new());
        for (survey, said) in ground.adopted() {
            match self.beside(&survey)? {
                Some(store) => found.push((adopted_survey(&store, said, writes)?, store)),
                None => missing.push(said),
            }
        }
        let own = self.name()?.map(|(name, _)| name);
        let names: Vec<Text> = found.iter().map(|(a, _)| a.name.clone()).collect();
        let boats = ground.boats(writes);
        for (a, _) in &mut found {
            let twice = names.iter().filter(|n| **n == a.name).count() > 1 || own.as_ref() == Some(&a.name);
            if twice || !a.all_boats().is_disjoint(&boats) {
                let id = a.survey.short();
                let full = format!("{} {id}", a.name.as_str());
                a.name = Text::new(&full).or_else(|_| Text::new(&id)).unwrap_or_else(|_| a.name.clone());
            }
            a.boats = a.all_boats();
        }
        Ok((found, missing))
    }
}

fn adopted_survey(store: &Store, said: Text, own: &SurveyWrites) -> Result<AdoptedSurvey, Error> {
    let name = store.name()?.map_or(said, |(name, _)| name);
    let writes = store.survey_writes()?;
    let ground = Ground::of(&writes);
    let mut claims = writes.claims;
    let before = claims.len();
    // The same log imported into both: content names itself, so a leg that is here counts here.
    claims.retain(|leg, _| !own.claims.contains_key(leg));
    let shared_legs = before - claims.len();
    let boats = BTreeSet::new();
    Ok(AdoptedSurvey { survey: store.survey(), name, ground, claims, shared_legs, boats })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_label_keeps_to_a_texts_length() {
        let (coot, long) =
            (Text::new("Coot").expect("short"), Text::new(&"ü".repeat(120)).expect("240 bytes"));
        let north = Text::new("Thornmere north").expect("short");
        assert_eq!(labelled(&coot, &north).as_str(), "Coot (Thornmere north)");
        let cut = labelled(&long, &north);
        assert!(cut.as_str().ends_with("ü (Thornmere north)") && cut.as_str().len() <= MAX_TEXT_BYTES);
        assert!(labelled(&coot, &long).as_str().starts_with("Coot (üü"));
    }
}
