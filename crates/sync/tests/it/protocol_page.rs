//! The examples of docs/protocol.md.
