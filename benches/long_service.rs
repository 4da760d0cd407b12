//! Three hours of a synthesised service: judged live and from its recording, all the same; then its review: how large,
//! how fast it is answered, how fast a browser shows it. Needs 5 GB of disk for the recording.
#![allow(clippy::unwrap_used)] // a bench may fall where it stands

#[path = "../tests/booth/mod.rs"]
mod booth;
#[path = "../tests/twice/mod.rs"]
mod twice;

use booth::{Daemon, browser::Browser, mixwarden};
use std::path::Path;
use std::time::Instant;

fn main() {
    let seconds = std::env::var("SECONDS").ok().and_then(|s| s.parse().ok()).unwrap_or(10_800.0);
    let dir = tempfile::tempdir().unwrap();
    let began = Instant::now();
    let told = twice::compare(seconds, dir.path(), Path::new(env!("CARGO_BIN_EXE_mixwarden")));
    println!("compared in {:.0} s of wall time, {told} alerts", began.elapsed().as_secs_f64());
    let state = tempfile::tempdir_in(dir.path()).unwrap();
    std::fs::copy(dir.path().join("state/log.sqlite"), state.path().join("log.sqlite")).unwrap();
    let daemon = Daemon::start_in(mixwarden().args(["rehearse", "--clean"]), state);
    for _ in 0..3 {
        let asked = Instant::now();
        let page = daemon.get("reviews/1").1;
        println!(
            "review of {seconds:.0} s: {} bytes, answered in {:.0} ms",
            page.len(),
            asked.elapsed().as_secs_f64() * 1e3
        );
    }
    let browser = Browser::open(true);
    for _ in 0..3 {
        browser.go(&format!("{}reviews/1", daemon.address));
        let loaded = browser.run("const n = performance.getEntriesByType('navigation')[0]; return n.loadEventEnd");
        println!("opened in a browser in {loaded} ms");
    }
}
