//! The commands: each file runs one and returns its exit status.

pub mod selfcheck;
