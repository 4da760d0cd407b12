//! What the comparison costs, beside the meter of the same two feeds in the same run.

use crate::desk::{Comp, Stereo};
use crate::sources::{Dice, Speak, chordal, talk};
use mixwarden::feed::{FeedPatch, Hop, Role};
use mixwarden::likeness::{Comparer, Kin};
use mixwarden::measure::Meter;
use mixwarden::units::SampleRate;

const SECONDS: usize = 600;

/// Seconds that this thread has been on a core (Linux).
fn worked() -> f64 {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    text.split(' ').next().and_then(|ns| ns.parse::<f64>().ok()).unwrap_or(f64::NAN) / 1e9
}

/// Seconds of work for the comparison over `SECONDS` of audio, and what it says in the end.
fn compare(stream: &[f32], house: &[f32]) -> (f64, Kin) {
    let rate = SampleRate::HZ_48000;
    let mut comparer = Comparer::new((rate, 2), (rate, 2));
    let began = worked();
    for (s, h) in stream.chunks_exact(960).zip(house.chunks_exact(960)) {
        comparer.hop(Some(s), Some(h));
    }
    (worked() - began, comparer.likeness().kin)
}

fn meter(sound: &[f32]) -> f64 {
    let patch = FeedPatch::new("stream", Role::Stream, &[0, 1]);
    let mut meter = Meter::new(SampleRate::HZ_48000, &patch);
    let began = worked();
    for samples in sound.chunks_exact(960) {
        std::hint::black_box(meter.hop(&Hop { samples, channels: 2, missing_frames: 0, cleaned: 0 }));
    }
    worked() - began
}

pub fn print() {
    let n = SECONDS * 48_000;
    let mut dice = Dice::new(3);
    let stereo = |x: Vec<f32>, dice: &mut Dice| -> Vec<f32> {
        x.into_iter().flat_map(|v| [v + 0.001 * dice.white() as f32, v * 0.8]).collect()
    };
    let (one, other) = (stereo(talk(n, 1), &mut dice), stereo(talk(n, 2), &mut dice));
    let two_meters = meter(&one) + meter(&other);
    print_row("following talk alone", compare(&one, &one), two_meters);
    print_row("searching", compare(&one, &other), two_meters);
    let [speech, song] = [talk(n, 1), chordal(n, 4, 220.0, 0.6, 1, Speak::Organ)];
    // By turns of 24 s; a compressor works on all.
    let turns = |talk_gain: f32| {
        (0..n).map(|i| if i / (24 * 48_000) % 2 == 0 { talk_gain * speech[i] } else { song[i] }).collect()
    };
    let house = stereo(turns(1.0), &mut dice);
    let two_meters = 2.0 * meter(&house);
    print_row("following a plain copy", compare(&house, &house), two_meters);
    print_row("following an own mix", compare(&stereo(turns(2.0), &mut dice), &house), two_meters);
    let mut stream = Stereo([0, 1].map(|side| house.iter().skip(side).step_by(2).copied().collect()));
    let comp = Comp { threshold_db: stream.rms_db(), ratio: 3.0, attack: 0.01, release: 0.1, knee: 6.0 };
    comp.run(&mut stream);
    let stream: Vec<f32> = stream.0[0].iter().zip(&stream.0[1]).flat_map(|(l, r)| [*l, *r]).collect();
    print_row("following a compressed copy", compare(&stream, &house), meter(&stream) + meter(&house));
}

fn print_row(name: &str, (work, kin): (f64, Kin), two_meters: f64) {
    println!(
        "{name} ({kin:?} in the end): {:.3} % of this core, {:.2} times the meter of the same two feeds",
        100.0 * work / SECONDS as f64,
        work / two_meters
    );
}
