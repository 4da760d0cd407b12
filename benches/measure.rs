//! What measuring costs: this meter beside the `ebur128` crate, libebur128 (C) and ffmpeg's `ebur128` filter, all
//! in one run, rounds interleaved, medians and spread. CPU seconds per hour of 48 kHz stereo; every figure
//! (M, S, I, LRA, true peak of each channel) refreshed ten times a second.
//!
//! Like is compared with like in the rows "levels": M, S, I, LRA, true peak, sample peak of each channel, which the
//! others give too (and mean square, DC, correlation, runs, which they do not). "Levels and spectrum" adds third-octave
//! bands, peaks and the look at the mains; "whole chain" adds holes, clicks, repeats, cut tops and every condition.
//!
//! The clock is the thread's CPU time. In the rows of this process, ours and the crate's, it runs around the work
//! alone, a second of audio at a time, which was copied into a small buffer just before: as capture or a decoder leaves
//! it, in the cache. The C program's clock does the same around each block that it has read; ffmpeg's row is the whole
//! process, reading and parsing included, for that is how it runs.
//!
//! `cargo bench --bench measure`; a first argument sets the seconds of audio (default 300), a second the rounds, words
//! run only the rows that have them in their names (`-- 60 5 "spectrum, AVX2"`).

use mixwarden::chain::{Chain, ChainSettings, LaneSpec};
use mixwarden::feed::{Arrival, Block, Cutter, FeedPatch, Role};
use mixwarden::measure::simd::Isa;
use mixwarden::measure::{Meter, Reading, Texture};
use mixwarden::units::SampleRate;
use rustix::time::{ClockId, clock_gettime};
use std::hint::black_box;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const RATE_HZ: usize = 48_000;

fn main() {
    let mut numbers = std::env::args().skip(1).filter_map(|a| a.parse::<usize>().ok());
    let seconds = numbers.next().unwrap_or(300);
    let rounds = numbers.next().unwrap_or(5);
    let programme = programme(seconds);
    println!("{seconds} s of a synthesised programme (invented: syllables, band, applause, pauses), {rounds} rounds");
    let file = std::env::temp_dir().join(format!("mixwarden-bench-{}.f32", std::process::id()));
    let bytes: Vec<u8> = programme.iter().flat_map(|x| x.to_le_bytes()).collect();
    std::fs::write(&file, bytes).expect("the temporary directory takes the programme");
    let c_program = build_c_program();
    let path = file.to_string_lossy().into_owned();
    let mut runs: Vec<Run> = Vec::new();
    for (name, spectrum) in [("levels", false), ("levels and spectrum", true)] {
        for isa in Isa::all() {
            let programme = &programme;
            runs.push(Run::new(format!("{name}, {}", isa.name()), move || ours(isa, spectrum, programme)));
        }
    }
    runs.push(Run::new("holes, clicks, repeats, cut tops".into(), || fine_structure(&programme)));
    runs.push(Run::new("whole chain, all conditions".into(), || whole_chain(&programme)));
    runs.push(Run::new("ebur128 crate, polled".into(), || crate_polled(&programme)));
    match &c_program {
        Ok(program) => {
            let path = path.clone();
            let program = program.clone();
            runs.push(Run::new("libebur128 (C), polled".into(), move || {
                let out = Command::new(&program).arg(&path).output().expect("the program was just built");
                String::from_utf8_lossy(&out.stdout).trim().parse().expect("it prints CPU seconds")
            }));
        }
        Err(why) => println!("libebur128 (C): left out, {why}"),
    }
    if Command::new("ffmpeg").arg("-version").stdout(Stdio::null()).stderr(Stdio::null()).status().is_ok() {
        let path = path.clone();
        runs.push(Run::new("ffmpeg ebur128=peak=true, whole process".into(), move || ffmpeg(&path)));
    } else {
        println!("ffmpeg: left out, it is not installed");
    }
    let wanted = std::env::args().skip(1).find(|a| a.parse::<usize>().is_err() && !a.starts_with('-'));
    if let Some(word) = &wanted {
        runs.retain(|r| r.name.contains(word.as_str()));
    }
    for _ in 0..rounds {
        for run in &mut runs {
            let cpu = (run.once)();
            run.taken.push(cpu * 3_600.0 / seconds as f64);
        }
    }
    let ours_median = runs.first().map_or(f64::NAN, |first| median(&mut first.taken.clone()));
    println!("{:<42} {:>9} {:>17} {:>11} {:>12}", "programme", "CPU s/h", "least - most", "x real time", "x first row");
    for run in &mut runs {
        let m = median(&mut run.taken);
        let (least, most) = (run.taken[0], run.taken[run.taken.len() - 1]);
        println!(
            "{:<42} {m:>9.3} {:>17} {:>11.0} {:>12.1}",
            run.name,
            format!("{least:.3} - {most:.3}"),
            3_600.0 / m,
            m / ours_median
        );
    }
    if wanted.is_none() {
        worst_cases(seconds.min(120), rounds);
        live(1_000, 5);
    }
    let _ = std::fs::remove_file(&file);
    if let Ok(program) = c_program {
        let _ = std::fs::remove_file(program);
    }
}

struct Run<'a> {
    name: String,
    once: Box<dyn FnMut() -> f64 + 'a>,
    taken: Vec<f64>,
}

impl<'a> Run<'a> {
    fn new(name: String, once: impl FnMut() -> f64 + 'a) -> Self {
        Self { name, once: Box::new(once), taken: Vec::new() }
    }
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// CPU seconds of this thread.
fn cpu_seconds() -> f64 {
    let time = clock_gettime(ClockId::ThreadCPUTime);
    time.tv_sec as f64 + time.tv_nsec as f64 / 1e9
}

/// CPU seconds of ended child processes (clock ticks of 10 ms).
fn cpu_seconds_of_children() -> f64 {
    let text = std::fs::read_to_string("/proc/self/stat").expect("Linux");
    let fields: Vec<&str> = text.rsplit(") ").next().unwrap_or("").split(' ').collect();
    fields[13..15].iter().filter_map(|f| f.parse::<f64>().ok()).sum::<f64>() / 100.0
}

fn timed(work: impl FnOnce()) -> f64 {
    let before = cpu_seconds();
    work();
    cpu_seconds() - before
}

/// CPU seconds of `work` on all of `samples` in blocks of `frames`, without what it costs to bring them near.
fn timed_in_blocks(samples: &[f32], frames: usize, mut work: impl FnMut(&[f32])) -> f64 {
    let mut near = Vec::with_capacity(2 * RATE_HZ);
    let seconds = samples.chunks(2 * RATE_HZ).map(|second| {
        near.clear();
        near.extend_from_slice(second);
        timed(|| near.chunks(2 * frames).for_each(&mut work))
    });
    seconds.sum()
}

fn stereo() -> (FeedPatch, Cutter) {
    let patch = FeedPatch::new("stream", Role::Stream, &[0, 1]);
    let cutter = Cutter::new(SampleRate::HZ_48000, 2, std::slice::from_ref(&patch)).expect("two channels");
    (patch, cutter)
}

/// Through the cutter and the meter, in blocks of 480 frames, as it runs live.
fn ours(isa: Isa, spectrum: bool, samples: &[f32]) -> f64 {
    let (patch, mut cutter) = stereo();
    let meter = Meter::on(isa, SampleRate::HZ_48000, &patch);
    let mut meter = if spectrum { meter } else { meter.without_spectrum() };
    timed_in_blocks(samples, 480, |block| {
        cutter.block(Block { samples: block }, &mut |_, hop| {
            black_box::<Option<Reading>>(meter.hop(&hop));
        });
    })
}

fn fine_structure(samples: &[f32]) -> f64 {
    let (_, mut cutter) = stereo();
    let (mut texture, mut hops) = (Texture::new(SampleRate::HZ_48000, 2), 0u32);
    timed_in_blocks(samples, 480, |block| {
        cutter.block(Block { samples: block }, &mut |_, hop| {
            texture.hop(&hop);
            hops += 1;
            if hops.is_multiple_of(10) {
                black_box(texture.close());
            }
        });
    })
}

fn whole_chain(samples: &[f32]) -> f64 {
    let lane = LaneSpec { rate: SampleRate::HZ_48000, channels: 2, feeds: vec![stereo().0] };
    let mut chain = Chain::new(ChainSettings::default(), vec![lane]).expect("two channels");
    let mut out = Vec::new();
    timed_in_blocks(samples, 480, |block| {
        chain.step(0, Arrival::Block(Block { samples: block }), &mut out);
        black_box(&mut out).clear();
    })
}

fn crate_polled(samples: &[f32]) -> f64 {
    use ebur128::{EbuR128, Mode};
    let mut other = EbuR128::new(2, RATE_HZ as u32, Mode::all() & !Mode::HISTOGRAM).expect("stereo at 48 kHz");
    timed_in_blocks(samples, RATE_HZ / 10, |block| {
        other.add_frames_f32(block).expect("whole frames");
        let polled = (
            other.loudness_momentary(),
            other.loudness_shortterm(),
            other.loudness_global(),
            other.loudness_range(),
            [other.prev_true_peak(0), other.prev_true_peak(1), other.true_peak(0), other.true_peak(1)],
        );
        black_box(polled).0.expect("the mode was asked for");
    })
}

const C_SOURCE: &str = r#"
#include <ebur128.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>
static float block[9600];
int main(int argc, char **argv) {
    FILE *f = fopen(argv[argc - 1], "rb");
    ebur128_state *st = ebur128_init(2, 48000,
        EBUR128_MODE_M | EBUR128_MODE_S | EBUR128_MODE_I | EBUR128_MODE_LRA | EBUR128_MODE_TRUE_PEAK);
    double cpu = 0, m, s, i, r, p; size_t n; volatile double sink = 0;
    if (!f || !st) return 1;
    while ((n = fread(block, sizeof(float) * 2, 4800, f)) > 0) {
        struct timespec a, b;
        clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &a);
        ebur128_add_frames_float(st, block, n);
        ebur128_loudness_momentary(st, &m); ebur128_loudness_shortterm(st, &s);
        ebur128_loudness_global(st, &i); ebur128_loudness_range(st, &r);
        sink += m + s + i + r;
        for (unsigned c = 0; c < 2; c++) {
            ebur128_prev_true_peak(st, c, &p); sink += p;
            ebur128_true_peak(st, c, &p); sink += p;
        }
        clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &b);
        cpu += (b.tv_sec - a.tv_sec) + (b.tv_nsec - a.tv_nsec) * 1e-9;
    }
    printf("%.9f\n", cpu);
    return 0;
}
"#;

fn build_c_program() -> Result<std::path::PathBuf, String> {
    let stem = std::env::temp_dir().join(format!("mixwarden-bench-{}", std::process::id()));
    let source = stem.with_extension("c");
    std::fs::write(&source, C_SOURCE).map_err(|e| e.to_string())?;
    let built = Command::new("cc").args(["-O2", "-o"]).arg(&stem).arg(&source).args(["-lebur128", "-lm"]).output();
    let _ = std::fs::remove_file(&source);
    match built {
        Ok(out) if out.status.success() => Ok(stem),
        Ok(_) => Err("cc found no libebur128 (Debian: libebur128-dev)".into()),
        Err(e) => Err(format!("no C compiler: {e}")),
    }
}

fn ffmpeg(path: &str) -> f64 {
    let before = cpu_seconds_of_children();
    let status = Command::new("ffmpeg")
        .args(["-nostdin", "-v", "quiet", "-threads", "1", "-f", "f32le", "-ar", "48000", "-ac", "2", "-i", path])
        .args(["-af", "ebur128=peak=true", "-f", "null", "-"])
        .status();
    assert!(status.expect("it was there a moment ago").success(), "ffmpeg could not read the programme");
    cpu_seconds_of_children() - before
}

fn worst_cases(seconds: usize, rounds: usize) {
    let sine = |hz: f64| -> Vec<f32> {
        let step = std::f64::consts::TAU * hz / RATE_HZ as f64;
        (0..seconds * RATE_HZ)
            .flat_map(|n| [(step * n as f64).sin() as f32, (step * n as f64 + 1.0).sin() as f32])
            .collect()
    };
    let mut seed = 1u32;
    let noise: Vec<f32> = (0..2 * seconds * RATE_HZ).map(|_| random(&mut seed)).collect();
    println!("signals that the true-peak skip helps least with, {seconds} s, levels");
    let signals = [
        ("white noise at full scale", noise),
        ("sine 997 Hz at full scale", sine(997.0)),
        ("sine 3150 Hz at full scale", sine(3_150.0)),
        ("sine 11 kHz at full scale", sine(11_000.0)),
        ("digital silence", vec![0.0; 2 * seconds * RATE_HZ]),
    ];
    for (name, samples) in signals {
        for isa in Isa::all() {
            let mut taken: Vec<f64> =
                (0..rounds).map(|_| ours(isa, false, &samples) * 3_600.0 / seconds as f64).collect();
            let m = median(&mut taken);
            println!("  {name:<28} {:<9} {m:>7.3} CPU s/h {:>7.0} x real time", isa.name(), 3_600.0 / m);
        }
    }
}

/// Many feeds at the pace of their clocks on this one thread: every 10 ms one hop of each, levels and spectrum. Feeds
/// begin when they begin, so that a tenth of them closes its tick at each hop.
fn live(feeds: usize, seconds: usize) {
    let samples = programme(seconds + 11);
    let hop = |n: usize| Block { samples: &samples[n * 960..(n + 1) * 960] };
    let mut lanes: Vec<(Cutter, Meter)> = (0..feeds)
        .map(|_| {
            let (patch, cutter) = stereo();
            (cutter, Meter::new(SampleRate::HZ_48000, &patch))
        })
        .collect();
    let mut take = |from: usize, to: usize, now: usize| {
        for (i, (cutter, meter)) in lanes.iter_mut().enumerate().filter(|(i, _)| (from..to).contains(&(i % 10))) {
            // Each feed is elsewhere in the programme.
            cutter.block(hop(now + i % 1_000), &mut |_, hop| {
                black_box::<Option<Reading>>(meter.hop(&hop));
            });
        }
    };
    (1..10).for_each(|early| take(early, 10, early));
    let begin = Instant::now();
    let (mut late, mut latest) = (0, Duration::ZERO);
    let cpu = timed(|| {
        for now in 0..seconds * 100 {
            let due = Duration::from_millis(10 * (now as u64 + 1));
            std::thread::sleep(due.saturating_sub(begin.elapsed()));
            take(0, 10, 10 + now);
            let behind = begin.elapsed().saturating_sub(due + Duration::from_millis(10));
            late += usize::from(behind > Duration::ZERO);
            latest = latest.max(behind);
        }
    });
    let share = cpu / seconds as f64;
    println!(
        "live: {feeds} stereo feeds, every 10 ms one hop of each, for {seconds} s: {:.0} % of a core, {late} of {} hops late (by {latest:?} at most), so {:.0} feeds a core",
        100.0 * share,
        seconds * 100,
        feeds as f64 / share
    );
}

fn random(seed: &mut u32) -> f32 {
    *seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
    (*seed >> 8) as f32 / (1u32 << 23) as f32 - 1.0
}

/// Speech-like syllables with sibilants, a band with a beat and partials, applause, room tone, digital zero.
fn programme(seconds: usize) -> Vec<f32> {
    let mut seed = 7u32;
    let mut out = Vec::with_capacity(2 * seconds * RATE_HZ);
    // Claps and cymbals fall off above some 6 kHz, as microphones in a room hear them (one pole).
    let (mut low, mut room, mut soft) = (0.0f64, 0.0f64, [0.0f64; 2]);
    for n in 0..seconds * RATE_HZ {
        let t = n as f64 / RATE_HZ as f64;
        let noise = f64::from(random(&mut seed));
        let other = f64::from(random(&mut seed));
        low += 0.08 * (noise - low);
        room += 0.02 * (other - room);
        soft = [soft[0] + 0.54 * (noise - soft[0]), soft[1] + 0.54 * (other - soft[1])];
        let tone = |hz: f64| (std::f64::consts::TAU * hz * t).sin();
        let (left, right) = match t as usize / 10 % 6 {
            0..=2 => {
                let syllable = tone(1.9).max(0.0) * (0.6 + 0.4 * tone(0.23));
                let pitch = 120.0 + 20.0 * (0.7 * t).sin();
                let voice: f64 = (1..=12).map(|k| tone(pitch * f64::from(k)) / f64::from(k)).sum();
                let sibilant = if (t * 3.8).fract() < 0.12 { 0.12 * (noise - low) } else { 0.0 };
                let x = 0.18 * syllable * voice + sibilant;
                (x + 0.002 * room, x + 0.002 * low)
            }
            3 | 4 => {
                let beat = (-((t * 2.0).fract()) * 12.0).exp();
                let chord = tone(220.0) + tone(277.2) + tone(329.6) + 0.5 * tone(1_318.5) + 0.2 * tone(5_274.0);
                let cymbal = 0.35 * (-((t * 4.0).fract()) * 20.0).exp();
                let drum = 0.5 * beat * tone(60.0);
                (0.12 * chord + drum + cymbal * soft[0], 0.10 * chord + drum + cymbal * soft[1])
            }
            _ if t as usize % 10 < 8 => {
                let clap = (0.4 + 0.6 * tone(7.3).abs()) * 0.35;
                (clap * soft[0], clap * soft[1])
            }
            _ => (0.0, 0.0),
        };
        out.extend([left as f32, right as f32]);
    }
    out
}
