//! The program `leadline`.
fn main() {}
