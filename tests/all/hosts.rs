//! Hosts: network namespaces on bridges, the real program in each. Needs root and iproute2; a named skip elsewhere, a
//! failure in CI. What is waited for is waited for with a limit against hanging; what must happen within a time says so.

mod adopted;
mod find;
mod gifts;
mod helper;
mod join;
mod lab;
mod links;
mod page;
mod stranger;
