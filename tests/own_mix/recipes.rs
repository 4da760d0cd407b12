//! Scenes by formula: a talker (0-32 s and 96-128 s) and a small band (32-96 s), mixed in two ways. Invented sound.

use std::f64::consts::{FRAC_PI_4, PI, SQRT_2, TAU};

const FS: f64 = 48_000.0;

/// Two sides, 48 kHz.
#[derive(Clone)]
pub struct Mix {
    pub left: Vec<f32>,
    pub right: Vec<f32>,
}

impl Mix {
    fn each(&self, mut f: impl FnMut(&[f32]) -> Vec<f32>) -> Self {
        Self { left: f(&self.left), right: f(&self.right) }
    }
    fn plus(&self, other: &Self) -> Self {
        let sum = |a: &[f32], b: &[f32]| a.iter().zip(b).map(|(x, y)| x + y).collect();
        Self { left: sum(&self.left, &other.left), right: sum(&self.right, &other.right) }
    }
    fn scaled(&self, k: f64) -> Self {
        self.each(|x| x.iter().map(|v| (f64::from(*v) * k) as f32).collect())
    }
    fn late(&self, frames: usize) -> Self {
        self.each(|x| [vec![0.0; frames], x[..x.len() - frames].to_vec()].concat())
    }
    fn through(&self, b: [f64; 3], a: [f64; 3]) -> Self {
        self.each(|x| filter(b, a, x))
    }
}

/// xorshift32, -1 to 1.
fn noise(seed: u32, n: usize) -> Vec<f32> {
    let mut s = seed;
    (0..n)
        .map(|_| {
            s ^= s << 13;
            s ^= s >> 17;
            s ^= s << 5;
            (f64::from(s) / 2_147_483_648.0 - 1.0) as f32
        })
        .collect()
}

fn filter(b: [f64; 3], a: [f64; 3], x: &[f32]) -> Vec<f32> {
    let (b, a) = (b.map(|k| k / a[0]), [a[1] / a[0], a[2] / a[0]]);
    let mut z = [0.0; 2];
    x.iter()
        .map(|x| {
            let x = f64::from(*x);
            let y = b[0] * x + z[0];
            z = [b[1] * x - a[0] * y + z[1], b[2] * x - a[1] * y];
            y as f32
        })
        .collect()
}

type Filter = ([f64; 3], [f64; 3]);

fn peak(hz: f64, db: f64, q: f64) -> Filter {
    let (a, w) = (10f64.powf(db / 40.0), TAU * hz / FS);
    let (al, c) = (w.sin() / (2.0 * q), w.cos());
    ([1.0 + al * a, -2.0 * c, 1.0 - al * a], [1.0 + al / a, -2.0 * c, 1.0 - al / a])
}

fn high_shelf(hz: f64, db: f64) -> Filter {
    let (a, w) = (10f64.powf(db / 40.0), TAU * hz / FS);
    let c = w.cos();
    let r = 2.0 * a.sqrt() * w.sin() / 2.0 * SQRT_2;
    (
        [
            a * ((a + 1.0) + (a - 1.0) * c + r),
            -2.0 * a * ((a - 1.0) + (a + 1.0) * c),
            a * ((a + 1.0) + (a - 1.0) * c - r),
        ],
        [(a + 1.0) - (a - 1.0) * c + r, 2.0 * ((a - 1.0) - (a + 1.0) * c), (a + 1.0) - (a - 1.0) * c - r],
    )
}

/// Butterworth of second order.
fn butter(hz: f64, high: bool) -> Filter {
    let w = TAU * hz / FS;
    let (c, al) = (w.cos(), w.sin() / SQRT_2);
    let (k, sign) = if high { ((1.0 + c) / 2.0, -1.0) } else { ((1.0 - c) / 2.0, 1.0) };
    ([k, 2.0 * sign * k, k], [1.0 + al, -2.0 * c, 1.0 - al])
}

/// Butterworth of first order, low-pass.
fn butter_first(hz: f64) -> Filter {
    let t = (PI * hz / FS).tan();
    ([t, t, 0.0], [1.0 + t, t - 1.0, 0.0])
}

fn run(f: Filter, x: &[f32]) -> Vec<f32> {
    filter(f.0, f.1, x)
}

fn time(i: usize) -> f64 {
    i as f64 / FS
}

fn talker(n: usize, seed: u32, formants: [f64; 2], rate: f64) -> Vec<f32> {
    let mut x = run(butter(3_500.0, false), &noise(seed, n));
    for (hz, db) in formants.into_iter().zip([12.0, 9.0]) {
        x = run(peak(hz, db, 2.0), &x);
    }
    let hiss = run(butter(2_500.0, true), &noise(seed + 77, n));
    (0..n)
        .map(|i| {
            let t = time(i);
            let syllable = (TAU * rate * t).sin().max(0.0).powi(2);
            let other = (TAU * rate * t + 2.2).sin().max(0.0).powi(4) * 0.5;
            let word = if t % 2.6 < 2.0 { 1.0 } else { 0.0 };
            (0.8 * (f64::from(x[i]) * syllable * 0.35 + f64::from(hiss[i]) * other * 0.35) * word) as f32
        })
        .collect()
}

fn organ(n: usize) -> Vec<f32> {
    const CHORDS: [[f64; 3]; 4] =
        [[262.0, 330.0, 392.0], [220.0, 262.0, 330.0], [175.0, 220.0, 262.0], [196.0, 247.0, 294.0]];
    let mut phases = [0.0f64; 3];
    (0..n)
        .map(|i| {
            let t = time(i);
            let envelope = (t % 2.0 / 0.03).min(1.0) * ((2.0 - t % 2.0) / 0.03).min(1.0);
            let mut y = 0.0;
            for (phase, hz) in phases.iter_mut().zip(CHORDS[(t / 2.0) as usize % 4]) {
                *phase += TAU * hz / FS;
                for (h, g) in [(1.0, 1.0), (2.0, 0.6), (3.0, 0.4), (4.0, 0.3), (6.0, 0.2), (8.0, 0.1)] {
                    y += g * (h * *phase).sin();
                }
            }
            (0.06 * y * envelope) as f32
        })
        .collect()
}

fn bass(n: usize) -> Vec<f32> {
    let mut phase = 0.0f64;
    (0..n)
        .map(|i| {
            let t = time(i);
            phase += TAU * 2.0 * [65.4, 55.0, 43.7, 49.0][(t / 2.0) as usize % 4] / FS;
            let d = (-3.0 * (t % 0.5)).exp() * (t % 0.5 / 0.005).min(1.0) * ((0.5 - t % 0.5) / 0.01).min(1.0);
            let y = phase.sin() + 0.5 * (2.0 * phase).sin() + 0.3 * (3.0 * phase).sin() + 0.2 * (5.0 * phase).sin();
            (0.2 * y * d) as f32
        })
        .collect()
}

fn hats(n: usize) -> Vec<f32> {
    let x = run(butter(5_000.0, true), &noise(9, n));
    (0..n).map(|i| (0.25 * f64::from(x[i]) * (-40.0 * (time(i) % 0.25)).exp()) as f32).collect()
}

fn voice(n: usize) -> Vec<f32> {
    const TUNE: [f64; 8] = [330.0, 349.0, 392.0, 330.0, 294.0, 262.0, 294.0, 330.0];
    let mut phase = 0.0f64;
    let saw: Vec<f32> = (0..n)
        .map(|i| {
            let t = time(i);
            phase += TUNE[t as usize % 8] * (1.0 + 0.006 * (TAU * 5.5 * t).sin()) / FS;
            (2.0 * phase.fract() - 1.0) as f32
        })
        .collect();
    let mut x = saw;
    for (hz, db) in [(700.0, 12.0), (1_200.0, 9.0), (2_600.0, 9.0)] {
        x = run(peak(hz, db, 3.0), &x);
    }
    (0..n)
        .map(|i| {
            let t = time(i);
            let on = if t % 8.0 < 6.5 { (t % 1.0 / 0.04).min(1.0) * ((1.0 - t % 1.0) / 0.04).min(1.0) } else { 0.0 };
            (0.05 * f64::from(x[i]) * on) as f32
        })
        .collect()
}

fn gated(x: Vec<f32>, spans: &[(usize, usize)]) -> Vec<f32> {
    let inside = |i: usize| spans.iter().any(|(a, b)| i >= a * 48_000 && i < b * 48_000);
    x.into_iter().enumerate().map(|(i, v)| if inside(i) { v } else { 0.0 }).collect()
}

/// Feed-forward compressor with a soft knee of 6 dB.
fn compressed(x: &Mix, threshold: f64, ratio: f64) -> Mix {
    const KNEE: f64 = 6.0;
    let (ka, kr) = ((-1.0 / (0.005 * FS)).exp(), (-1.0 / (0.15 * FS)).exp());
    let (mut s, mut y) = (0.0f64, x.clone());
    for (l, r) in y.left.iter_mut().zip(&mut y.right) {
        let over = 20.0 * f64::from(l.abs().max(r.abs())).max(1e-6).log10() - threshold;
        let want = if over <= -KNEE / 2.0 {
            0.0
        } else if over < KNEE / 2.0 {
            (1.0 / ratio - 1.0) * (over + KNEE / 2.0).powi(2) / (2.0 * KNEE)
        } else {
            (1.0 / ratio - 1.0) * over
        };
        let k = if want < s { ka } else { kr };
        s = k * s + (1.0 - k) * want;
        let g = 10f64.powf(s / 20.0) as f32;
        *l *= g;
        *r *= g;
    }
    y
}

/// Late by `seconds`, on a clock that runs `ppm` fast (windowed sinc over 48 samples).
fn on_another_clock(x: &Mix, seconds: f64, ppm: f64) -> Mix {
    const HALF: i64 = 24;
    x.each(|x| {
        (0..x.len())
            .map(|i| {
                let at = (i as f64 - seconds * FS) * (1.0 + ppm * 1e-6);
                let base = at.floor() as i64;
                if base < HALF || base + HALF + 1 >= x.len() as i64 {
                    return 0.0;
                }
                let part = at - base as f64;
                // sin(pi (k - part)) is the same up to its sign for every k.
                let sine = (PI * part).sin();
                (1 - HALF..=HALF)
                    .map(|k| {
                        let t = k as f64 - part;
                        let sinc =
                            if t.abs() < 1e-9 { 1.0 } else { -sine * if k % 2 == 0 { 1.0 } else { -1.0 } / (PI * t) };
                        let window = 0.5 + 0.5 * (PI * t / (HALF as f64 + 1.0)).cos();
                        f64::from(x[(base + k) as usize]) * sinc * window
                    })
                    .sum::<f64>() as f32
            })
            .collect()
    })
}

/// Gains in dB by source; `None` leaves it out.
type Gains<'a> = &'a [(&'a str, Option<f64>)];

pub struct Scenes {
    n: usize,
    sources: [(&'static str, f64, Vec<f32>); 5],
}

pub const NAMES: [&str; 24] = [
    "R01 identical",
    "R02 gain -14 dB, inverted, 6590 samples late",
    "R03 EQ: +6 dB shelf 4k, -8 dB peak 400",
    "R04 compressor 4:1 thr -26",
    "R05 mono sum",
    "R06 L/R swapped",
    "R07 clock +60 ppm, 20 ms late",
    "R08 clock -500 ppm, 20 ms late",
    "R09 hiss -60 dBFS",
    "R10 EQ+comp+hiss+60ppm",
    "R11 own: voice +6, organ -6",
    "R12 own: voice -8 only",
    "R13 own: only the talker +5",
    "R14 own: voice not in house at all",
    "R14b hats not in house",
    "R15 own: voice +6 organ -6, compressors on both",
    "R16 subtle: voice +1.5, organ -1.5, talk +1",
    "R17 solo talker, own +6 dB",
    "R18 solo talker, copy",
    "R19 organ only, own -6 dB",
    "R20 unrelated talker",
    "R21 stream silent",
    "R22 house silent",
    "R23 copy + ambience",
];

impl Scenes {
    pub fn new(seconds: usize) -> Self {
        let n = seconds * 48_000;
        let (talk, music) = ([(0, 32), (96, 128)], [(32, 96)]);
        let sources = [
            ("talk", 0.0, gated(talker(n, 1, [500.0, 1_500.0], 4.0), &talk)),
            ("organ", -0.6, gated(organ(n), &music)),
            ("bass", 0.0, gated(bass(n), &music)),
            ("hats", 0.6, gated(hats(n), &music)),
            ("voice", 0.0, gated(voice(n), &music)),
        ];
        Self { n, sources }
    }

    pub fn mix(&self, gains: Gains<'_>) -> Mix {
        let mut out = Mix { left: vec![0.0; self.n], right: vec![0.0; self.n] };
        for (name, pan, sound) in &self.sources {
            let db = gains.iter().find(|g| g.0 == *name).map_or(Some(0.0), |g| g.1);
            let Some(db) = db else { continue };
            let (gain, angle) = (10f64.powf(db / 20.0), (pan + 1.0) * FRAC_PI_4);
            let (l, r) = ((gain * angle.cos()) as f32, (gain * angle.sin()) as f32);
            for (i, x) in sound.iter().enumerate() {
                out.left[i] += l * x;
                out.right[i] += r * x;
            }
        }
        out
    }

    fn hiss(&self, seed: u32, db: f64) -> Mix {
        Mix { left: noise(seed, self.n), right: noise(seed + 1, self.n) }.scaled(10f64.powf(db / 20.0) * 3f64.sqrt())
    }

    fn center(&self, x: Vec<f32>) -> Mix {
        Mix { left: x.clone(), right: x }.scaled(FRAC_PI_4.cos())
    }

    /// Stream, house, and what is allowed: verdicts parted by `|`. R04 and R10 may stay at "cannot tell": their talk
    /// comes through 2 dB off what the level explains, as the talk of a mix of its own does that was moved by 3 dB
    /// and compressed.
    pub fn recipe(&self, name: &str) -> (Mix, Mix, &'static str) {
        let house = self.mix(&[]);
        let equalised = |x: &Mix| {
            [high_shelf(4_000.0, 6.0), peak(400.0, -8.0, 1.0)].into_iter().fold(x.clone(), |x, f| x.through(f.0, f.1))
        };
        let voice_up = [("voice", Some(6.0)), ("organ", Some(-6.0))];
        let talk_alone = || self.center(talker(self.n, 1, [500.0, 1_500.0], 4.0));
        let h = || house.clone();
        match name.split_whitespace().next().unwrap() {
            "R01" => (h(), h(), "copy"),
            "R02" => (house.late(6_590).scaled(-0.2), h(), "copy"),
            "R03" => (equalised(&house), h(), "copy"),
            "R04" => (compressed(&house, -26.0, 4.0), h(), "copy|wait"),
            "R05" => {
                let mono: Vec<f32> = house.left.iter().zip(&house.right).map(|(l, r)| (l + r) / 2.0).collect();
                (Mix { left: mono.clone(), right: mono }, h(), "copy")
            }
            "R06" => (Mix { left: house.right.clone(), right: house.left.clone() }, h(), "copy"),
            "R07" => (on_another_clock(&house, 0.02, 60.0), h(), "copy"),
            "R08" => (on_another_clock(&house, 0.02, -500.0), h(), "copy"),
            "R09" => (house.plus(&self.hiss(100, -60.0)), h(), "copy"),
            "R10" => {
                let x = on_another_clock(&compressed(&equalised(&house), -26.0, 4.0), 0.05, 60.0);
                (x.plus(&self.hiss(100, -60.0)), h(), "copy|wait")
            }
            "R11" => (self.mix(&voice_up), h(), "own"),
            "R12" => (self.mix(&[("voice", Some(-8.0))]), h(), "own"),
            "R13" => (self.mix(&[("talk", Some(5.0))]), h(), "own"),
            "R14" => (h(), self.mix(&[("voice", None)]), "own"),
            "R14b" => (h(), self.mix(&[("hats", None)]), "copy|own|wait"),
            "R15" => (compressed(&self.mix(&voice_up), -26.0, 4.0), compressed(&house, -24.0, 3.0), "own"),
            "R16" => (self.mix(&[("voice", Some(1.5)), ("organ", Some(-1.5)), ("talk", Some(1.0))]), h(), "own|wait"),
            "R17" => (talk_alone().scaled(10f64.powf(0.3)), talk_alone(), "wait"),
            "R18" => (talk_alone(), talk_alone(), "wait"),
            "R19" => {
                let x = self.center(organ(self.n));
                (x.scaled(10f64.powf(-0.3)), x, "wait")
            }
            "R20" => {
                let other = talker(self.n, 555, [420.0, 1_900.0], 4.6);
                (Mix { left: other.clone(), right: other }, h(), "unrelated")
            }
            "R21" => (self.hiss(200, -80.0), h(), "silent"),
            "R22" => (h(), self.hiss(200, -80.0), "silent"),
            "R23" => {
                let f = butter_first(4_000.0);
                let room = self.hiss(300, -45.0).through(f.0, f.1);
                (house.plus(&room).plus(&house.late(1_200).scaled(0.05)), h(), "copy")
            }
            other => unreachable!("no recipe {other}"),
        }
    }
}
