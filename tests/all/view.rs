//! The map page at the level of HTTP: the real program, real sockets, requests written by hand.

mod acts;
mod doors;
pub(crate) mod http;
mod map;
mod pocket;
