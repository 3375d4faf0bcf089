//! Meetings and parcels against a naive store.

mod hostile;
mod meetings;
mod model;
mod parcels;
