//! Adopting another survey of the same water, and taking that back.

use crate::actions::write_statement;
use crate::{Error, Home, Store};
use leadline_model::{SurveyId, Text, UtcMillis};
use leadline_reduce::DatumFound;

/// What adopting a survey did.
#[derive(Clone, Debug, PartialEq)]
pub struct Adoption {
    /// What the survey is called here.
    pub name: Text,
    /// Where its datum lies, as crossings show; nothing of it is applied until the levelling is.
    pub datum: DatumFound,
    /// Its legs that were here already.
    pub shared_legs: usize,
    /// False if it was adopted before.
    pub new: bool,
}

/// Adopts the survey `other` of `home`: from now on its soundings are read together with those of `store`. Refused if
/// no tracks of the two cross, because then nothing can tell how far their datums are apart.
pub fn adopt_survey(
    home: &Home,
    store: &mut Store,
    other: &SurveyId,
    now: UtcMillis,
) -> Result<Adoption, Error> {
    if *other == store.survey() {
        return Err(Error::Request("a survey cannot adopt itself; name the other one".to_owned()));
    }
    if store.is_guest()? {
        return Err(Error::Guest(store.told_name()?.unwrap_or_default()));
    }
    let theirs = home.store(other)?;
    let Some((name, _)) = theirs.name()? else {
        return Err(Error::Request(
            "the other survey's first entry is not here yet, so it cannot be read; meet its crew, or read a whole parcel of it"
                .to_owned(),
        ));
    };
    let (proposal, adopted) = store.propose_with(other, &name)?;
    let found = adopted.iter().position(|a| a.survey == *other);
    let both = found.and_then(|i| Some((adopted.get(i)?, *proposal.datums.get(i)?)));
    let Some((survey, datum)) = both else {
        return Err(Error::Request("the other survey cannot be read".to_owned()));
    };
    if datum.crossings == 0 {
        return Err(Error::Request(no_crossings(
            store,
            survey.claims.is_empty(),
            survey.shared_legs,
            &name,
        )?));
    }
    let (shown, shared_legs) = (survey.name.clone(), survey.shared_legs);
    let new = write_statement(store, now, |g| g.adopt_op(*other, name))?;
    Ok(Adoption { name: shown, datum, shared_legs, new })
}

fn no_crossings(store: &Store, empty: bool, shared: usize, name: &Text) -> Result<String, Error> {
    let why = if store.survey_writes()?.claims.is_empty() {
        "this survey has no soundings yet; import some first".to_owned()
    } else if empty && shared > 0 {
        format!("all {shared} legs of it that are here are in this survey already")
    } else if empty {
        "no soundings of it are here".to_owned()
    } else {
        "no track of one crosses or comes near a track of the other, so nothing tells how far their datums are apart; drive a line across theirs, import it, and adopt then".to_owned()
    };
    Ok(format!("\"{name}\" cannot be adopted: {why}. Nothing was changed"))
}

/// Takes the adoption of a survey back. False if it is not adopted.
pub fn unadopt_survey(store: &mut Store, other: &SurveyId, now: UtcMillis) -> Result<bool, Error> {
    write_statement(store, now, |g| g.unadopt_op(other))
}
