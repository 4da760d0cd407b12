//! Listens to inputs by the program's own sources and prints what it hears: one line of JSON per input and half
//! second, with each channel's level and strongest tone. Allocations on the audio callback's thread are counted.
//!
//! Arguments: `INPUT...`. Lines on standard input: `rest SECONDS` (do not empty the rings for so long).
#![allow(clippy::unwrap_used)] // a test may fall where it stands

use assert_no_alloc::{AllocDisabler, assert_no_alloc, violation_count};
use mixwarden::feed::Arrival;
use mixwarden::source::{Format, Polled, Source, inputs};
use mixwarden::units::db_of_power;
use std::io::BufRead as _;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::channel;
use std::time::Duration;

#[global_allocator]
static ALLOCATOR: AllocDisabler = AllocDisabler;

static CALLS: AtomicU64 = AtomicU64::new(0);
static ALLOCATIONS: AtomicU64 = AtomicU64::new(0);

/// Runs on the audio callback's thread.
fn counting(body: &mut dyn FnMut()) {
    let before = violation_count();
    assert_no_alloc(body);
    ALLOCATIONS.fetch_add(u64::from(violation_count() - before), Ordering::Relaxed);
    CALLS.fetch_add(1, Ordering::Relaxed);
}

/// What one input has delivered since the last line.
struct Heard {
    format: Format,
    samples: Vec<f32>,
    lost: u64,
}

/// Power of `hz` in one channel, by Goertzel's recurrence.
fn power_at(samples: impl Iterator<Item = f32>, hz: f64, rate: f64) -> f64 {
    let turn = 2.0 * (std::f64::consts::TAU * hz / rate).cos();
    let (mut a, mut b) = (0.0, 0.0);
    for x in samples {
        (a, b) = (f64::from(x) + turn * a - b, a);
    }
    a * a + b * b - turn * a * b
}

fn line(id: &str, heard: &Heard) -> String {
    let n = heard.format.channels;
    let frames = heard.samples.len() / n;
    let mut channels = Vec::new();
    for c in 0..n {
        let side = || heard.samples.iter().skip(c).step_by(n).copied();
        let mean_square = side().map(|x| f64::from(x) * f64::from(x)).sum::<f64>() / frames.max(1) as f64;
        // The tests' tones stand 100 Hz apart, from 100 Hz to 5 kHz.
        let strongest = (1..=50)
            .map(|k| (k * 100, power_at(side(), f64::from(k) * 100.0, f64::from(heard.format.rate.hz()))))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        let rms = db_of_power(mean_square);
        channels.push(serde_json::json!({
            "rms_dbfs": rms.is_finite().then_some(rms),
            "tone_hz": strongest.filter(|_| rms.is_finite()).map(|s| s.0),
        }));
    }
    serde_json::json!({
        "input": id,
        "frames": frames,
        "lost_frames": heard.lost,
        "callbacks": CALLS.load(Ordering::Relaxed),
        "allocations_in_callback": ALLOCATIONS.load(Ordering::Relaxed),
        "channels": channels,
    })
    .to_string()
}

fn main() {
    // A counter that counts nothing proves nothing.
    counting(&mut || drop(std::hint::black_box(Box::new(1))));
    assert!(ALLOCATIONS.swap(0, Ordering::Relaxed) > 0);
    let ids: Vec<String> = std::env::args().skip(1).collect();
    let mut sources: Vec<_> = ids.iter().map(|id| inputs::open(id).unwrap().with(counting)).collect();
    let mut heard: Vec<Option<Heard>> = ids.iter().map(|_| None).collect();
    let (say, said) = channel::<f64>();
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines().map_while(Result::ok) {
            let _ = line.strip_prefix("rest ").and_then(|s| s.parse().ok()).map(|s| say.send(s));
        }
        std::process::exit(0);
    });
    loop {
        for (i, source) in sources.iter_mut().enumerate() {
            let polled = source.poll(&mut |arrival| {
                let Some(heard) = &mut heard[i] else { return };
                match arrival {
                    Arrival::Block(block) => heard.samples.extend_from_slice(block.samples),
                    Arrival::Lost { frames } => heard.lost += frames,
                    _ => {}
                }
            });
            if let Polled::Format(format) = polled {
                heard[i] = Some(Heard { format, samples: Vec::new(), lost: 0 });
            }
            if let Some(heard) = &mut heard[i]
                && heard.samples.len() >= heard.format.rate.hz() as usize / 2 * heard.format.channels
            {
                println!("{}", line(&ids[i], heard));
                heard.samples.clear();
            }
        }
        if let Ok(seconds) = said.try_recv() {
            std::thread::sleep(Duration::from_secs_f64(seconds));
        }
        std::thread::sleep(Duration::from_millis(20));
    }
}
