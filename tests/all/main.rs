//! All tests that need more than one crate, as one binary.

mod e2e;
mod home;
mod hosts;
mod house;
mod refusals;
mod truth;
