//! The trust bench in short: rehearsals without a fault, and every fault of the bench put into them. The long form,
//! with voices, instruments and recordings, is `cargo bench --bench trust`.
#![allow(dead_code)] // the bench uses the rest

#[path = "../../benches/trust/faults.rs"]
mod faults;
#[path = "../../benches/trust/midi.rs"]
mod midi;
#[path = "../../benches/trust/pool.rs"]
mod pool;
#[path = "../../benches/trust/rng.rs"]
mod rng;
#[path = "../../benches/trust/service.rs"]
mod service;

use super::stage::*;
use faults::{FAULTS, How};
use mixwarden::source::rehearsal::script::Act;
use rng::Rng;
use service::{HZ, SORTS};

/// When a fault begins, seconds.
const BEGIN: f64 = 75.0;

fn base(seed: u64) -> std::sync::Arc<Audio> {
    let second = [Act::Reading, Act::Hymn, Act::Talk, Act::Band][seed as usize % 4];
    acts(&[(Act::Talk, 45.0), (second, 25.0), (Act::Talk, 60.0), (Act::Stillness, 12.0), (second, 60.0)], 48_000, seed)
}

#[test]
fn faults_are_found_in_time_and_named() {
    let (mut put, mut found, mut told, mut missed) = (0, 0, 0, Vec::new());
    for (f, fault) in FAULTS.iter().enumerate() {
        // A service with a house feed; a hum needs a pause, which comes late.
        let limit = fault.limit(&SORTS[0]).unwrap();
        for seed in 20..22 {
            let audio = base(seed);
            let end = ((BEGIN + limit + 5.0) * HZ as f64) as usize;
            let mut stream: Vec<[f32; 2]> = audio.samples.chunks_exact(4).take(end).map(|f| [f[0], f[1]]).collect();
            let frames = stream.len();
            fault.put(&mut stream, (BEGIN * HZ as f64) as usize, frames, &mut Rng::new(100 * f as u64 + seed));
            let both = stream.iter().zip(audio.samples.chunks_exact(4));
            let samples = both.flat_map(|(s, h)| [s[0], s[1], h[2], h[3]]).collect();
            let audio = Audio { hz: 48_000, channels: 4, samples };
            let gone = (fault.how == How::Gone).then_some((BEGIN, 1e9));
            let heard = Listening { gone, ..Listening::to(&audio) }.hear();
            let after: Vec<&Told> = heard.shown().into_iter().filter(|t| t.raised >= BEGIN).collect();
            put += 1;
            told += after.len();
            let first = after.first();
            if first.is_some_and(|t| fault.named.contains(&t.condition) && t.raised <= BEGIN + limit) {
                found += 1;
            } else {
                let first = first.map(|t| (t.condition, t.raised - BEGIN));
                missed.push(format!("{} (seed {seed}): {first:?}", fault.name));
            }
        }
    }
    println!("{found} of {put} told in time by their name, {told} told in all; missed: {missed:#?}");
    assert!(found * 100 >= put * 90, "{found} of {put}; missed: {missed:#?}");
    assert!(told * 100 <= put * 120, "{told} told of {put} faults");
}

#[test]
fn rehearsals_without_a_fault_are_quiet() {
    let mut shown = Vec::new();
    for seed in 30..34 {
        let service = acts(
            &[
                (Act::Organ, 30.0),
                (Act::Talk, 70.0),
                (Act::Stillness, 30.0),
                (Act::Hymn, 40.0),
                (Act::Reading, 50.0),
                (Act::Band, 60.0),
                (Act::Applause, 8.0),
                (Act::Talk, 40.0),
            ],
            48_000,
            seed,
        );
        let heard = Listening::to(&service).hear();
        shown.extend(heard.shown().iter().map(|t| format!("seed {seed}: {} at {:.1}", t.condition, t.raised)));
    }
    assert!(shown.is_empty(), "{shown:#?}");
}
