//! Meetings and parcels against a naive store.

mod hostile;
mod live;
mod meetings;
mod model;
mod parcels;
