//! Eight hours of the rehearsal through the chain, flat out (or as many as the first argument says).
#![allow(clippy::unwrap_used)] // a bench may fall where it stands

#[path = "../tests/booth/soak.rs"]
mod soak;

fn main() {
    let hours = std::env::args().find_map(|a| a.parse().ok()).unwrap_or(8.0);
    let began = std::time::Instant::now();
    let soak = soak::run(hours);
    println!("{hours} h of audio at {:.0} times real time", hours * 3600.0 / began.elapsed().as_secs_f64());
    soak.check();
    println!("{} faults, {} warnings", soak.faults.len(), soak.warnings.len());
}
