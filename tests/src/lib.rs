//! The package of the tests that need more than one crate, and of the benchmarks. It has no code of its own:
//! see `all/` (one test binary), `benches/`, `outside/` (checks against independent programs) and `run`, which
//! runs everything.
