//! Whole logs in, legs and reports out.

#[path = "ingest/common.rs"]
mod common;
#[path = "ingest/formats.rs"]
mod formats;
#[path = "ingest/golden.rs"]
mod golden;
#[path = "ingest/identity.rs"]
mod identity;
#[path = "ingest/mutations.rs"]
mod mutations;
#[path = "ingest/parsers.rs"]
mod parsers;
#[path = "ingest/tables.rs"]
mod tables;
#[path = "ingest/time.rs"]
mod time;
