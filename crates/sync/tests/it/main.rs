//! Meetings and parcels against a naive store; the examples of docs/protocol.md.

mod hostile;
mod meetings;
mod model;
mod parcels;
mod protocol_page;
