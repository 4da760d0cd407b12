//! The ear on a venue's stream mix.
//!
//! Data flows one way: `source` delivers arrivals; `feed`, `measure` and `judge` (with `likeness`, joined in
//! `chain`) are a pure core without clock, I/O or log; `keep`, `show` and `tell` are doors that know the core
//! and not each other; `run` and `cmd` wire them. DEVELOPERS.md has the map and the invariants.

pub mod chain;
pub mod cmd;

pub mod feed;
pub mod judge;
pub mod keep;
pub mod ledger;
pub mod likeness;
pub mod measure;
pub mod run;
pub mod settings;
pub mod show;
pub mod source;
pub mod tell;
pub mod units;
pub mod words;
