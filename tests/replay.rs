//! Replay is live: three quarters of an hour of a synthesised service with faults, judged by the running program and
//! by `measure` from its recording. Three hours of it are in `benches/long_service.rs`.
#![allow(clippy::unwrap_used)] // a test may fall where it stands

mod twice;

use std::path::Path;

#[test]
fn a_service_live_and_from_its_recording_says_the_same() {
    let dir = tempfile::tempdir().unwrap();
    // It ends while the second wrong scene stands, of which only a note is left by then.
    let told = twice::compare(2_800.0, dir.path(), Path::new(env!("CARGO_BIN_EXE_mixwarden")));
    assert!(told >= 8, "{told} alerts: too few to compare");
}
