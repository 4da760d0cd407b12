//! Sound that is broken: holes, repeated pieces, clicks, tops cut off upstream; and what is not.

use super::stage::*;
use super::{band, one, quiet, talk};
use mixwarden::source::rehearsal::script::Act;

/// Times from `from` to `to`, about `every` seconds apart.
fn times(from: f64, to: f64, every: f64) -> Vec<f64> {
    let mut noise = Noise(7);
    let mut at = from;
    let mut all = Vec::new();
    while at < to {
        all.push(at);
        at += every * (1.0 + 0.3 * noise.next());
    }
    all
}

/// Holes of `seconds` each, filled with noise of `db` dBFS (or zeros), where the sound is loud.
pub fn holes(mut audio: Audio, from: f64, to: f64, every: f64, seconds: f64, db: Option<f64>) -> Audio {
    let mut noise = Noise(3);
    let gain = db.map_or(0.0, |db| 10f64.powf(db / 20.0));
    for at in times(from, to, every) {
        let at = audio.loud_near(at);
        audio = audio.change(at, at + seconds, |_, _| [gain * noise.next(), gain * noise.next()]);
    }
    audio
}

/// The last `frames` frames come again in place of the next.
pub fn repeated(mut audio: Audio, from: f64, to: f64, every: f64, frames: usize) -> Audio {
    for at in times(from, to, every) {
        let n = audio.channels;
        let a = audio.frame(audio.loud_near(at)) * n;
        audio.samples.copy_within(a - frames * n..a, a);
    }
    audio
}

/// The wave jumps: `frames` frames are left out and the rest moves up.
pub fn slipped(mut audio: Audio, from: f64, to: f64, every: f64, frames: usize) -> Audio {
    for at in times(from, to, every) {
        let n = audio.channels;
        let a = audio.frame(audio.loud_near(at)) * n;
        audio.samples.drain(a..a + frames * n);
    }
    audio
}

pub fn impulses(mut audio: Audio, from: f64, to: f64, every: f64, height: f64) -> Audio {
    for at in times(from, to, every) {
        let a = audio.frame(at) * audio.channels;
        audio.samples[a] += height as f32;
        audio.samples[a + 1] += height as f32;
    }
    audio
}

/// A preamp that cuts off `over_db` under the loud peaks, then the console's high-pass (first order), then level.
pub fn cut_off(audio: Audio, from: f64, to: f64, over_db: f64, high_pass_hz: f64) -> Audio {
    let tenths = audio.samples.chunks(audio.hz as usize / 10 * audio.channels);
    let mut peaks: Vec<f32> = tenths.map(|c| c.iter().fold(0.0f32, |t, x| t.max(x.abs()))).collect();
    peaks.sort_by(f32::total_cmp);
    let top = f64::from(peaks[peaks.len() * 9 / 10]) * 10f64.powf(-over_db / 20.0);
    let k = (-std::f64::consts::TAU * high_pass_hz / f64::from(audio.hz)).exp();
    let (mut last, mut y) = ([0.0; 2], [0.0; 2]);
    let back = 10f64.powf(over_db / 2.0 / 20.0);
    audio.change(from, to, |_, x| {
        let cut = x.map(|s| s.clamp(-top, top));
        for c in 0..2 {
            y[c] = k * (y[c] + cut[c] - last[c]);
        }
        last = cut;
        y.map(|s| back * s)
    })
}

#[test]
fn gaps() {
    let cases = [(0.001, None), (0.02, None), (0.2, None), (0.005, Some(-80.0)), (0.02, Some(-80.0))];
    for (i, (seconds, db)) in cases.into_iter().enumerate() {
        let audio = if i % 2 == 0 { talk(110.0, 1) } else { band(110.0, 1) };
        let heard = Listening::to(&holes(audio, 10.0, 40.0, 4.0, seconds, db)).hear();
        one(&heard, "gaps", (14.0, 32.0), 106.0);
    }
    quiet(&Listening::to(&holes(talk(110.0, 1), 10.0, 17.0, 5.0, 0.005, None)).hear());
    // A drum whose gate shuts hard, always after the same time.
    let mut noise = Noise(11);
    let gated = Audio::made(60.0, 48_000, |t| {
        let at = t % 0.5;
        let x =
            if at < 0.06 { 0.5 * (-at / 0.2).exp() * (noise.next() + sine(180.0, at)) } else { 1e-4 * noise.next() };
        [x, x]
    });
    quiet(&Listening::to(&gated).hear());
    // A deep voice, soft between its pulses: holes that begin there count too. A buzz falls as fast by itself.
    let pulses = |db_a_ms: f64| {
        Audio::made(110.0, 48_000, |t| {
            let since = t % (1.0 / 90.0);
            [0.4 * 10f64.powf(-db_a_ms * since * 50.0) * sine(900.0, since); 2]
        })
    };
    let voice = Listening::to(&holes(pulses(2.0), 10.0, 40.0, 3.9973, 0.02, Some(-80.0))).hear();
    one(&voice, "gaps", (17.0, 18.2), 106.0);
    assert!(Listening::to(&pulses(10.0)).hear().of("gaps").is_empty());
}

#[test]
fn repeats() {
    for (i, frames) in [64, 256, 1_024, 4_800].into_iter().enumerate() {
        let audio = if i % 2 == 0 { talk(110.0, 1) } else { band(110.0, 1) };
        one(&Listening::to(&repeated(audio, 10.0, 40.0, 4.0, frames)).hear(), "repeats", (13.0, 20.0), 106.0);
    }
    quiet(&Listening::to(&repeated(talk(60.0, 1), 10.0, 11.0, 4.0, 256)).hear());
    // A tone whose period is a whole number of samples, and a made note of the same kind that comes and goes.
    let tone = Audio::made(20.0, 48_000, |t| [0.1 * sine(1_000.0, t); 2]);
    assert!(Listening::to(&tone).hear().of("repeats").is_empty());
    let square = Audio::made(20.0, 48_000, |t| {
        let loud = if (t * 2.0).fract() < 0.7 { 0.1 } else { 0.0 };
        [loud * sine(120.0, t).signum(); 2]
    });
    quiet(&Listening::to(&square).hear());
}

#[test]
fn clicks() {
    one(&Listening::to(&impulses(talk(110.0, 1), 10.0, 40.0, 4.0, 0.3)).hear(), "clicks", (22.0, 35.0), 106.0);
    one(&Listening::to(&impulses(band(110.0, 1), 10.0, 40.0, 4.0, 0.1)).hear(), "clicks", (22.0, 35.0), 106.0);
    one(&Listening::to(&slipped(talk(110.0, 1), 10.0, 40.0, 3.0, 32)).hear(), "clicks", (18.0, 38.0), 106.0);
    quiet(&Listening::to(&impulses(talk(60.0, 1), 10.0, 21.0, 4.0, 0.3)).hear());
    quiet(&Listening::to(&acts(&[(Act::Talk, 20.0), (Act::Applause, 40.0)], 48_000, 2).stream()).hear());
}

#[test]
fn clipping_upstream() {
    // Overdriven by 6 and more dB, behind no high-pass and behind the desk's; then a lower fader.
    for (i, (over_db, high_pass_hz)) in [(6.0, 1.0), (6.0, 20.0), (10.0, 80.0), (16.0, 20.0)].into_iter().enumerate() {
        let audio = talk(90.0, 1 + i as u64).change(0.0, 90.0, |_, x| x.map(|s| 0.6 * s));
        one(
            &Listening::to(&cut_off(audio, 10.0, 50.0, over_db, high_pass_hz)).hear(),
            "clipping_upstream",
            (11.0, 45.0),
            88.0,
        );
    }
    quiet(&Listening::to(&cut_off(talk(60.0, 1), 10.0, 60.0, 0.0, 80.0)).hear());
    // A square wave is made so.
    let square = Audio::made(30.0, 48_000, |t| [0.1 * sine(110.0, t).signum() * (0.7 + 0.3 * sine(0.5, t)); 2]);
    assert!(Listening::to(&square).hear().of("clipping_upstream").is_empty());
}

#[test]
fn sound_as_it_is() {
    let service = [
        (Act::Organ, 40.0),
        (Act::Talk, 40.0),
        (Act::Hymn, 40.0),
        (Act::Reading, 40.0),
        (Act::Band, 60.0),
        (Act::Applause, 15.0),
        (Act::Stillness, 20.0),
    ];
    for seed in 1..4 {
        let heard = Listening::to(&acts(&service, 48_000, seed).stream()).hear();
        for condition in ["gaps", "repeats", "clicks", "clipping_upstream"] {
            assert!(heard.of(condition).is_empty(), "{:?}", heard.told);
        }
    }
}
