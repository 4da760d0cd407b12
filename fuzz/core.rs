//! The parts of the program that take what comes from outside, without its doors.
#![allow(missing_docs, dead_code, reason = "documented and used where they live")]

#[path = "../src/feed/mod.rs"]
pub mod feed;
#[path = "../src/measure/mod.rs"]
pub mod measure;
#[path = "../src/units.rs"]
pub mod units;

pub mod source;
