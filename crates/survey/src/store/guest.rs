//! Surveys that this device reads as a guest: it is not of their crew and writes nothing into them.

use super::Store;
use crate::Error;
use leadline_model::Text;
use rusqlite::OptionalExtension;

impl Store {
    /// Notes that this survey came as a gift.
    pub(crate) fn begin_guest(&mut self, name: &Text) -> Result<(), Error> {
        self.write(|tx| {
            tx.execute(
                "INSERT OR REPLACE INTO meta VALUES ('guest', 1), ('name', CAST(?1 AS BLOB))",
                [name.as_str()],
            )
            .map(drop)
        })
    }

    /// Whether nothing was ever put into it: what was to begin it was cut off.
    pub fn is_blank(&self) -> Result<bool, Error> {
        let query = "SELECT NOT EXISTS (SELECT 1 FROM entry) AND NOT EXISTS (SELECT 1 FROM waiting)
                     AND NOT EXISTS (SELECT 1 FROM masked)
                     AND NOT EXISTS (SELECT 1 FROM meta WHERE key IN ('name', 'invite', 'guest'))";
        self.sql(|db| db.query_row(query, [], |r| r.get(0)))
    }

    /// Whether this device reads the survey as a guest.
    pub fn is_guest(&self) -> Result<bool, Error> {
        self.has_note("guest")
    }

    /// Keeps to the giver's request not to pass the survey on.
    pub(crate) fn keep_to_itself(&mut self) -> Result<(), Error> {
        self.write(|tx| tx.execute("INSERT OR REPLACE INTO meta VALUES ('kept', 1)", []).map(drop))
    }

    /// Whether nobody asked not to pass the survey on. A crew passes on what is its own.
    pub fn may_pass_on(&self) -> Result<bool, Error> {
        Ok(!(self.is_guest()? && self.has_note("kept")?))
    }

    /// Refuses to write into a survey of others.
    pub(super) fn refuse_guest(&self) -> Result<(), Error> {
        if self.is_guest()? {
            return Err(Error::Guest(self.told_name()?.unwrap_or_default()));
        }
        Ok(())
    }

    fn has_note(&self, key: &str) -> Result<bool, Error> {
        let row = self.sql(|db| {
            db.prepare_cached("SELECT 1 FROM meta WHERE key = ?1")?.query_row([key], |_| Ok(())).optional()
        })?;
        Ok(row.is_some())
    }
}
