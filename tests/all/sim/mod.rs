//! Deterministic simulation: several devices, their stores, and everything that can go wrong between them, out of
//! one number, the seed. No clock, no threads, no sockets inside a world.
//!
//! `LEADLINE_SIM_SEEDS=10000` runs so many seeds instead of 500, `LEADLINE_SIM_SEED=17` only that one, with all it
//! last did; with `LEADLINE_SIM_WORDS=0` keepers neither dismiss devices nor change roles. The promises stand in `check` (after every step) and `heal` (at the end); `reference` is the model.

mod check;
mod dice;
mod flaws;
mod folder;
mod heal;
mod hostile;
mod link;
mod memory;
mod ops;
mod reference;
mod run;
mod seeds;
mod site;
mod wire;
mod world;

pub(crate) use dice::Dice;
