//! All tests that need more than one crate, as one binary.
#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "figures and named skips belong into the test log"
)]

mod adopt;
mod backup;
mod carrying;
mod chart_tools;
mod compare;
mod coverage;
mod crew;
mod csb;
mod e2e;
mod exports;
#[cfg(target_os = "linux")]
mod faults;
mod home;
mod hosts;
mod house;
mod kept_back;
mod levelling;
mod logs;
mod parcels;
mod passphrase;
mod picture;
mod pixels;
mod plan;
mod record;
mod refusals;
mod sim;
mod structure;
mod truth;
mod verdicts;
mod view;
