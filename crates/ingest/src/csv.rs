//! CSV and XYZ tables: one sounding a row.

mod columns;
mod row;
mod split;
mod table;

pub(crate) use row::CsvLog;
pub(crate) use split::{Delimiter, MAX_FIELDS, split};
pub(crate) use table::Table;
