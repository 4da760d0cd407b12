//! What a booth costs: a daemon that listens to stream and house on a real sound server, keeps its log and serves its
//! page's events to twenty clients. Processor time by thread over a minute (or as many seconds as the first argument
//! says), as a share of one core; capture apart from the rest.
#![allow(clippy::unwrap_used)] // a bench may fall where it stands

#[path = "../tests/booth/mod.rs"]
mod booth;

use booth::pulse::Pulse;
use booth::{Daemon, Events, wait};
use std::collections::BTreeMap;
use std::time::{Duration, Instant};

/// Clients of the page's event stream.
const CLIENTS: usize = 20;
/// Length of what is played over and over, seconds.
const LOOP_SECONDS: usize = 40;

fn main() {
    let seconds: u64 = std::env::args().find_map(|a| a.parse().ok()).unwrap_or(60);
    let pulse = Pulse::start(&[("desk", 4)]);
    let _player = pulse.repeat("desk", 4, &service());
    let daemon = Daemon::watch(
        "[feed.stream]\ndevice = \"pulse:desk.monitor\"\nchannels = [1, 2]\n\
         [feed.house]\ndevice = \"pulse:desk.monitor\"\nchannels = [3, 4]\n",
        &pulse.environment(),
    );
    wait("sound", || (daemon.now()["feeds"][0]["signal"] == "sound").then_some(()));
    // Until the delay of the two mixes is found, and all that fills at the start is full.
    std::thread::sleep(Duration::from_secs(20));
    let clients: Vec<Events> = (0..CLIENTS).map(|_| Events::open(&daemon)).collect();
    std::thread::sleep(Duration::from_secs(2));
    let (before, began) = (by_thread(daemon.id()), Instant::now());
    std::thread::sleep(Duration::from_secs(seconds));
    let (after, took) = (by_thread(daemon.id()), began.elapsed().as_secs_f64());
    assert!(clients.iter().all(|c| !c.closed()), "all clients are still there");
    println!("two feeds on one sound server, {CLIENTS} clients of the page's events, {took:.0} s: share of one core");
    let share = |name: &str| 100.0 * (after[name] - before.get(name).unwrap_or(&0.0)) / took;
    for name in after.keys() {
        println!("  {name:<20} {:.3} %", share(name));
    }
    let all: f64 = after.keys().map(|name| share(name)).sum();
    let capture = share(CAPTURE);
    println!("  all {all:.2} %, of it capture {capture:.2} %, analysis, log and page {:.2} %", all - capture);
    println!("  alerts that stand: {}", daemon.now()["alerts"]);
}

/// Name of the threads that open and read the input, the sound library's own among them.
const CAPTURE: &str = "device";

/// Processor time so far, seconds, by name of thread.
fn by_thread(process: u32) -> BTreeMap<String, f64> {
    let mut times = BTreeMap::new();
    for task in std::fs::read_dir(format!("/proc/{process}/task")).unwrap().flatten() {
        let read = |what: &str| std::fs::read_to_string(task.path().join(what)).unwrap_or_default();
        let nanoseconds: f64 =
            read("schedstat").split_whitespace().next().and_then(|n| n.parse().ok()).unwrap_or_default();
        *times.entry(read("comm").trim().to_string()).or_default() += nanoseconds / 1e9;
    }
    times
}

/// Talk, then a band, in a stream mix of its own (channels 1 and 2) and in the house (3 and 4). Invented.
fn service() -> Vec<f32> {
    let mut seed = 1u32;
    let mut noise = move || {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(seed >> 8) / f64::from(1u32 << 23) - 1.0
    };
    let sine = |hz: f64, t: f64| (std::f64::consts::TAU * hz * t).sin();
    let mut low = 0.0;
    let mut out = Vec::with_capacity(LOOP_SECONDS * 48_000 * 4);
    for i in 0..LOOP_SECONDS * 48_000 {
        let t = i as f64 / 48_000.0;
        low += 0.2 * (noise() - low);
        let [voice, keys, bass] = if t < LOOP_SECONDS as f64 / 2.0 {
            let syllable = sine(2.1, t).max(0.0) * (0.6 + 0.4 * sine(0.37, t));
            let pitch = 120.0 + 15.0 * sine(0.8, t);
            [
                0.1 * syllable * ((1..12).map(|k| sine(pitch * f64::from(k), t) / f64::from(k)).sum::<f64>() + low),
                0.0,
                0.0,
            ]
        } else {
            let beat = (t * 2.0).fract();
            let root = [220.0, 247.0, 196.0, 262.0][(t as usize / 2) % 4];
            let keys = (-3.0 * beat).exp() * [1.0, 1.26, 1.5, 2.0].iter().map(|k| sine(root * k, t)).sum::<f64>();
            [0.0, 0.05 * keys, 0.1 * (-4.0 * beat).exp() * sine(root / 4.0, t) + 0.03 * (-30.0 * beat).exp() * noise()]
        };
        let hiss = 1e-4 * noise();
        for [v, k, b] in [[1.0, 0.8, 0.5], [1.0, 0.5, 0.5], [0.6, 0.8, 0.9], [0.6, 1.0, 0.9]] {
            out.push((v * voice + k * keys + b * bass + hiss) as f32);
        }
    }
    out
}
