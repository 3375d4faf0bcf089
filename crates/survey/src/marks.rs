//! Marks: private to this device until they are shared with the crew.

use crate::{Error, Ground, Standing, Store};
use leadline_logbook::{Op, WriteRef};
use leadline_model::{Mark, Nonce, Text, UtcMillis};
use std::collections::BTreeMap;

/// Written where a mark has no note.
const NO_NOTE: &str = "-";

/// A mark as it is listed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KnownMark {
    /// Its id, by which it is shared or removed.
    pub id: String,
    /// The mark.
    pub mark: Mark,
    /// The crew has it; else it is on this device alone.
    pub shared: bool,
}

impl KnownMark {
    /// Its note, if it has one.
    pub fn note(&self) -> Option<&Text> {
        Some(&self.mark.note).filter(|n| n.as_str() != NO_NOTE)
    }
}

/// The text of a note, or of none.
pub fn mark_note(note: Option<&str>) -> Result<Text, Error> {
    crate::field("note", note.map_or(NO_NOTE, str::trim).trim()).or_else(|e| match note {
        Some(n) if n.trim().is_empty() => crate::field("note", NO_NOTE),
        _ => Err(e),
    })
}

impl Store {
    /// All marks: the crew's as they stand, by write, then those of this device alone.
    pub fn marks(&self) -> Result<Vec<KnownMark>, Error> {
        let ground = Ground::of(&self.survey_writes()?);
        let shared = ground.marks.iter().map(|s| KnownMark {
            id: s.write.to_string(),
            mark: s.what.clone(),
            shared: true,
        });
        let own = self.private_marks()?;
        let own = own.into_iter().map(|(id, mark)| KnownMark { id: id.to_string(), mark, shared: false });
        Ok(shared.chain(own).collect())
    }

    /// The one mark whose id begins with `id`.
    fn mark(&self, id: &str) -> Result<KnownMark, Error> {
        let mut all: Vec<KnownMark> =
            self.marks()?.into_iter().filter(|m| id.len() >= 4 && m.id.starts_with(id)).collect();
        match (all.len(), all.pop()) {
            (1, Some(one)) => Ok(one),
            (0, _) => Err(Error::Request(format!(
                "there is no mark {id}; `leadline mark list` shows them (at least 4 digits of the id are needed)"
            ))),
            _ => Err(Error::Request(format!("several marks begin with {id}; give more of it"))),
        }
    }
}

/// Shares a mark of this device with the crew. False if it was shared before.
pub fn share_mark(store: &mut Store, id: &str, now: UtcMillis) -> Result<bool, Error> {
    let known = store.mark(id)?;
    if known.shared {
        return Ok(false);
    }
    // First the entry, then the row: a crash between the two leaves both, never none. The row goes next time.
    let stands = Ground::of(&store.survey_writes()?).marks.iter().any(|s| s.what == known.mark);
    if !stands {
        store.append(vec![vec![Op::Mark { mark: Some(known.mark), replaces: Vec::new() }]], &[], now)?;
    }
    if let Ok(id) = known.id.parse::<Nonce>() {
        store.drop_mark(&id)?;
    }
    Ok(true)
}

/// Removes a mark, for the whole crew if it is shared.
pub fn remove_mark(store: &mut Store, id: &str, now: UtcMillis) -> Result<KnownMark, Error> {
    let known = store.mark(id)?;
    if !known.shared {
        if let Ok(id) = known.id.parse::<Nonce>() {
            store.drop_mark(&id)?;
        }
        return Ok(known);
    }
    let write: WriteRef =
        known.id.parse().map_err(|_| Error::Request(format!("{id} is not the id of a mark")))?;
    store.append(vec![vec![Op::Mark { mark: None, replaces: vec![write] }]], &[], now)?;
    Ok(known)
}

/// Names marks that were changed in two ways: both stay and both are shown.
pub(crate) fn name_conflicts(said: &[(Standing<Mark>, Vec<WriteRef>)], conflicts: &mut Vec<String>) {
    let mut of: BTreeMap<WriteRef, Vec<&Mark>> = BTreeMap::new();
    for (s, replaces) in said {
        replaces.iter().for_each(|r| of.entry(*r).or_default().push(&s.what));
    }
    for marks in of.into_values().filter(|m| m.windows(2).any(|w| w[0] != w[1])) {
        let names: Vec<String> = marks.iter().map(|m| m.name.to_string()).collect();
        conflicts.push(format!(
            "a mark was changed to {}: all are shown; `leadline mark remove ID` takes one away",
            names.join(" and to ")
        ));
    }
}
