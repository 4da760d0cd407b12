//! Own mix or copy, on synthesised services that nothing was tuned on; and what the comparison costs.
//!
//! `cargo bench --bench own_mix -- [FIRST_SEED] [SESSIONS] [SECONDS] [features]`, or `-- real`
//! for real recordings. Thresholds were tried on seeds under 1000;
//! the table is for seeds from 1000 on. Each session is one invented multitrack with 22 to 25 cases.

mod cases;
mod cost;
mod desk;
mod play;
mod real;
mod sources;
mod table;

use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

/// Length of a session, seconds; those with a change of patch are longer.
const SECONDS: f64 = 200.0;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with("--")).collect();
    let numbers: Vec<u64> = words.iter().filter_map(|a| a.parse().ok()).collect();
    let (first, sessions) = (numbers.first().copied().unwrap_or(1_000), numbers.get(1).copied().unwrap_or(40));
    let seconds = numbers.get(2).map_or(SECONDS, |n| *n as f64);
    let features = words.iter().any(|w| w == "features");
    if words.iter().any(|w| w == "real") {
        return real::print();
    }
    let next = AtomicU64::new(first);
    let results = Mutex::new(Vec::new());
    let workers = std::thread::available_parallelism().map_or(1, |n| n.get().min(2));
    std::thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(|| {
                loop {
                    let seed = next.fetch_add(1, Ordering::Relaxed);
                    if seed >= first + sessions {
                        break;
                    }
                    play::session(seed, seconds, &mut |played| {
                        if features {
                            played.features.iter().for_each(|line| println!("{line}"));
                        }
                        results.lock().expect("no other worker has failed").push(played.result);
                    });
                }
            });
        }
    });
    let results = results.into_inner().expect("all workers are done");
    table::print(&results);
    if !features {
        cost::print();
    }
}
