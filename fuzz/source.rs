//! What `src/source/mod.rs` has, but for devices and pipes.

#[path = "../src/source/decode.rs"]
mod decode;
#[path = "../src/source/file.rs"]
pub mod file;
#[path = "../src/source/polled.rs"]
mod polled;
#[path = "../src/source/riff.rs"]
mod riff;

pub use polled::{Format, Polled, Source};
