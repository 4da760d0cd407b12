//! Sources made by code from a seed: talkers, singers, instruments. Invented sound; 48 kHz, one channel each.

use std::f64::consts::TAU;

pub const RATE: f64 = 48_000.0;

/// Deterministic random numbers (xorshift64*).
#[derive(Clone)]
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Self {
        let mut dice = Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x5851_f42d_4c95_7f2d);
        (0..8).for_each(|_| {
            dice.next();
        });
        dice
    }
    pub fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_f491_4f6c_dd1d)
    }
    pub fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }
    pub fn white(&mut self) -> f64 {
        2.0 * self.unit() - 1.0
    }
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }
    pub fn pick<T: Copy>(&mut self, list: &[T]) -> T {
        list[(self.next() % list.len() as u64) as usize]
    }
    pub fn chance(&mut self, share: f64) -> bool {
        self.unit() < share
    }
}

/// Biquad (public cookbook formulas).
#[derive(Clone, Copy)]
pub struct Biquad {
    b: [f64; 3],
    a: [f64; 2],
    z: [f64; 2],
}

impl Biquad {
    fn of(b: [f64; 3], a: [f64; 3]) -> Self {
        Self { b: b.map(|x| x / a[0]), a: [a[1] / a[0], a[2] / a[0]], z: [0.0; 2] }
    }
    pub fn peak(hz: f64, db: f64, q: f64) -> Self {
        let (a, w) = (10f64.powf(db / 40.0), TAU * hz / RATE);
        let (al, c) = (w.sin() / (2.0 * q), w.cos());
        Self::of([1.0 + al * a, -2.0 * c, 1.0 - al * a], [1.0 + al / a, -2.0 * c, 1.0 - al / a])
    }
    pub fn high_shelf(hz: f64, db: f64) -> Self {
        let (a, w) = (10f64.powf(db / 40.0), TAU * hz / RATE);
        let (c, al) = (w.cos(), w.sin() / 2.0 * 2f64.sqrt());
        let r = 2.0 * a.sqrt() * al;
        Self::of(
            [
                a * ((a + 1.0) + (a - 1.0) * c + r),
                -2.0 * a * ((a - 1.0) + (a + 1.0) * c),
                a * ((a + 1.0) + (a - 1.0) * c - r),
            ],
            [(a + 1.0) - (a - 1.0) * c + r, 2.0 * ((a - 1.0) - (a + 1.0) * c), (a + 1.0) - (a - 1.0) * c - r],
        )
    }
    pub fn low_pass(hz: f64) -> Self {
        let w = TAU * hz / RATE;
        let (c, al) = (w.cos(), w.sin() / 2f64.sqrt());
        Self::of([(1.0 - c) / 2.0, 1.0 - c, (1.0 - c) / 2.0], [1.0 + al, -2.0 * c, 1.0 - al])
    }
    pub fn high_pass(hz: f64) -> Self {
        let w = TAU * hz / RATE;
        let (c, al) = (w.cos(), w.sin() / 2f64.sqrt());
        Self::of([(1.0 + c) / 2.0, -1.0 - c, (1.0 + c) / 2.0], [1.0 + al, -2.0 * c, 1.0 - al])
    }
    pub fn step(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.z[0];
        self.z[0] = self.b[1] * x - self.a[0] * y + self.z[1];
        self.z[1] = self.b[2] * x - self.a[1] * y;
        y
    }
}

/// Two-pole resonance that may move.
#[derive(Clone, Copy, Default)]
struct Formant {
    y: [f64; 2],
}

impl Formant {
    fn step(&mut self, x: f64, hz: f64, width: f64) -> f64 {
        let r = (-std::f64::consts::PI * width / RATE).exp();
        let y = (1.0 - r) * x * 2.0 + 2.0 * r * (TAU * hz / RATE).cos() * self.y[0] - r * r * self.y[1];
        self.y = [y, self.y[0]];
        y
    }
}

const VOWELS: [[f64; 3]; 6] = [
    [700.0, 1220.0, 2600.0],
    [390.0, 1990.0, 2550.0],
    [640.0, 1190.0, 2390.0],
    [440.0, 1020.0, 2240.0],
    [270.0, 2290.0, 3010.0],
    [530.0, 1840.0, 2480.0],
];

fn soft(k: f64, len: usize, edge: f64) -> f64 {
    let e = edge * RATE;
    (k / e).min((len as f64 - k) / e).clamp(0.0, 1.0)
}

/// A talker: phrases of syllables with pauses.
pub fn talk(n: usize, seed: u64) -> Vec<f32> {
    let mut dice = Dice::new(seed);
    let (f0, size, rate) = (dice.between(90.0, 230.0), dice.between(0.92, 1.15), dice.between(3.3, 5.2));
    let mut out = vec![0.0f32; n];
    let (mut at, mut phase, mut low) = (0usize, 0.0, 0.0);
    let mut formants = [Formant::default(); 3];
    let mut now = VOWELS[0];
    let mut hiss = Biquad::high_pass(dice.between(2_800.0, 4_200.0));
    while at < n {
        let syllables = 4 + (dice.unit() * 12.0) as usize;
        let mut pitch = f0 * dice.between(1.0, 1.25);
        let loud = dice.between(0.6, 1.2);
        for _ in 0..syllables {
            let len = (RATE / rate * dice.between(0.6, 1.4)) as usize;
            let target = dice.pick(&VOWELS);
            let (stress, slide) = (dice.between(0.4, 1.1) * loud, dice.between(-0.10, 0.06));
            if dice.chance(0.55) {
                let burst = (len as f64 * dice.between(0.25, 0.5)) as usize;
                let size = dice.between(0.15, 0.5) * loud;
                for k in 0..burst.min(n.saturating_sub(at)) {
                    out[at + k] += (hiss.step(dice.white()) * size * 0.16 * soft(k as f64, burst, 0.02)) as f32;
                }
                at += burst;
            }
            for k in 0..len.min(n.saturating_sub(at)) {
                for f in 0..3 {
                    now[f] += 0.0012 * (target[f] * size - now[f]);
                }
                pitch *= 1.0 + slide / len as f64;
                phase += pitch / RATE * (1.0 + 0.01 * dice.white());
                let mut pulse = 0.0;
                if phase >= 1.0 {
                    phase -= 1.0;
                    pulse = 12.0;
                }
                low += 0.12 * (pulse + 0.02 * dice.white() - low);
                let y = formants[0].step(low, now[0], 70.0)
                    + 0.6 * formants[1].step(low, now[1], 100.0)
                    + 0.35 * formants[2].step(low, now[2], 160.0);
                out[at + k] += (y * stress * soft(k as f64, len, 0.03)) as f32;
            }
            at += len;
        }
        at += (RATE * dice.between(0.25, 1.1)) as usize;
    }
    level(out, 0.1)
}

const SCALE: [f64; 7] = [1.0, 9.0 / 8.0, 5.0 / 4.0, 4.0 / 3.0, 3.0 / 2.0, 5.0 / 3.0, 15.0 / 8.0];

/// A singer on a tune over `root` Hz.
pub fn sing(n: usize, seed: u64, root: f64, beat: f64) -> Vec<f32> {
    let mut dice = Dice::new(seed);
    let octave = dice.pick(&[1.0, 2.0]);
    let mut out = vec![0.0f32; n];
    let (mut at, mut phase, mut note, mut t) = (0usize, 0.0, 2i32, 0.0f64);
    let mut formants = [Formant::default(); 3];
    let mut now = VOWELS[2];
    let (depth, speed) = (dice.between(0.003, 0.012), dice.between(4.8, 6.2));
    let mut pitch = root * octave;
    while at < n {
        for _ in 0..4 + (dice.unit() * 5.0) as usize {
            let len = (RATE * beat * dice.pick(&[0.5, 1.0, 1.0, 2.0])) as usize;
            note = (note + dice.pick(&[-2, -1, 0, 1, 2])).clamp(0, 9);
            let aim = root * octave * SCALE[(note % 7) as usize] * if note >= 7 { 2.0 } else { 1.0 };
            let (vowel, loud) = (dice.pick(&VOWELS), dice.between(0.6, 1.1));
            for k in 0..len.min(n.saturating_sub(at)) {
                t += 1.0 / RATE;
                pitch += 0.002 * (aim - pitch);
                phase = (phase + pitch / RATE * (1.0 + depth * (TAU * speed * t).sin())).fract();
                for f in 0..3 {
                    now[f] += 0.0008 * (vowel[f] - now[f]);
                }
                let saw = 1.0 - 2.0 * phase + 0.01 * dice.white();
                let y = formants[0].step(saw, now[0], 90.0)
                    + 0.7 * formants[1].step(saw, now[1], 110.0)
                    + 0.5 * formants[2].step(saw, now[2], 170.0);
                out[at + k] += (y * loud * (0.4 + 0.6 * soft(k as f64, len, 0.05))) as f32;
            }
            at += len;
        }
        at += (RATE * dice.between(0.2, 0.5)) as usize;
    }
    level(out, 0.1)
}

fn table(harmonics: &[f64]) -> Vec<f32> {
    (0..2_049)
        .map(|i| {
            harmonics
                .iter()
                .enumerate()
                .map(|(h, g)| g * (TAU * (h + 1) as f64 * i as f64 / 2_048.0).sin())
                .sum::<f64>() as f32
        })
        .collect()
}

fn lookup(table: &[f32], phase: f64) -> f64 {
    let x = phase * 2_048.0;
    let i = x as usize;
    f64::from(table[i]) + (x - i as f64) * f64::from(table[i + 1] - table[i])
}

/// Chord roots over the key, in scale steps.
fn chords(dice: &mut Dice) -> [usize; 4] {
    dice.pick(&[[0, 4, 5, 3], [0, 3, 4, 0], [5, 3, 0, 4], [0, 5, 1, 4]])
}

fn tone(root: f64, step: usize) -> f64 {
    root * SCALE[step % 7] * 2f64.powi((step / 7) as i32)
}

/// How an instrument speaks.
#[derive(Clone, Copy, PartialEq)]
pub enum Speak {
    Organ,
    Pad,
    Piano,
    Guitar,
    Bass,
}

/// An instrument that plays chords (or a bass line) over `root`.
pub fn chordal(n: usize, seed: u64, root: f64, beat: f64, tune: u64, speak: Speak) -> Vec<f32> {
    let line = chords(&mut Dice::new(tune));
    let mut dice = Dice::new(seed);
    let count = match speak {
        Speak::Organ => 8,
        Speak::Pad => 14,
        Speak::Piano => 9,
        Speak::Guitar => 16,
        Speak::Bass => 6,
    };
    let fall = match speak {
        Speak::Organ => 0.75,
        Speak::Pad => 1.1,
        Speak::Piano => 1.3,
        Speak::Guitar => 0.8,
        Speak::Bass => 0.9,
    };
    let harmonics: Vec<f64> = (1..=count).map(|h| (h as f64).powf(-fall) * dice.between(0.3, 1.0)).collect();
    let table = table(&harmonics);
    let (attack, decay, each) = match speak {
        Speak::Organ => (0.03, 0.0, 4.0),
        Speak::Pad => (0.4, 0.0, 4.0),
        Speak::Piano => (0.004, dice.between(0.8, 2.0), dice.pick(&[1.0, 2.0])),
        Speak::Guitar => (0.003, dice.between(1.5, 3.0), dice.pick(&[0.5, 1.0])),
        Speak::Bass => (0.008, dice.between(0.7, 1.6), dice.pick(&[0.5, 1.0, 2.0])),
    };
    let base = match speak {
        Speak::Bass => root / 2.0,
        Speak::Organ => root * dice.pick(&[0.5, 1.0]),
        _ => root,
    };
    let len = (RATE * beat * each) as usize;
    let mut out = vec![0.0f32; n];
    let mut phases = [0.0f64; 4];
    let (mut at, mut k) = (0usize, 0usize);
    while at < n {
        let step = line[(k as f64 * each / 4.0) as usize % 4];
        let voices: Vec<f64> = match speak {
            Speak::Bass => vec![tone(base, step)],
            _ => [0, 2, 4, 7][..if dice.chance(0.5) { 3 } else { 4 }].iter().map(|v| tone(base, step + v)).collect(),
        };
        let loud = dice.between(0.75, 1.1);
        let skip = speak != Speak::Organ && speak != Speak::Pad && dice.chance(0.08);
        for i in 0..len.min(n - at) {
            let t = i as f64 / RATE;
            let envelope = (t / attack).min(1.0) * (-decay * t).exp() * ((len - i) as f64 / (0.02 * RATE)).min(1.0);
            let mut y = 0.0;
            for (phase, hz) in phases.iter_mut().zip(&voices) {
                *phase = (*phase + hz / RATE).fract();
                y += lookup(&table, *phase);
            }
            if !skip {
                out[at + i] = (y * envelope * loud) as f32;
            }
        }
        at += len;
        k += 1;
    }
    level(out, 0.1)
}

/// Drums: kick, snare, hats.
pub fn drums(n: usize, seed: u64, beat: f64) -> Vec<f32> {
    let mut dice = Dice::new(seed);
    let mut out = vec![0.0f32; n];
    let (mut shell, mut hat) = (Biquad::peak(190.0, 14.0, 3.0), Biquad::high_pass(5_500.0));
    let step = (RATE * beat / 2.0) as usize;
    let balance = [dice.between(0.7, 1.2), dice.between(0.5, 1.0), dice.between(0.15, 0.4)];
    let mut at = 0;
    let mut k = 0;
    while at < n {
        let hits = [k % 4 == 0 || (k % 8 == 5 && dice.chance(0.5)), k % 4 == 2, dice.chance(0.85)];
        let loud = dice.between(0.8, 1.1);
        for i in 0..step.min(n - at) {
            let t = i as f64 / RATE;
            let mut y = 0.0;
            if hits[0] {
                y += balance[0] * (TAU * (55.0 * t + 6.0 * (1.0 - (-30.0 * t).exp()) / 3.0)).sin() * (-14.0 * t).exp();
            }
            let white = dice.white();
            if hits[1] {
                y += balance[1] * shell.step(white) * 0.4 * (-18.0 * t).exp();
            }
            if hits[2] {
                y += balance[2] * hat.step(white) * (-45.0 * t).exp();
            }
            out[at + i] = (y * loud) as f32;
        }
        at += step;
        k += 1;
    }
    level(out, 0.1)
}

/// Many who sing: several voices, smeared.
pub fn crowd(n: usize, seed: u64, root: f64, beat: f64, voices: u64) -> Vec<f32> {
    let mut sum = vec![0.0f32; n];
    for v in 0..voices {
        let one =
            sing(n, seed * 31 + v, root * if v % 3 == 0 { 0.5 } else { 1.0 } * (1.0 + 0.004 * (v as f64 - 1.5)), beat);
        let late = (v * 613) as usize;
        sum.iter_mut().skip(late).zip(&one).for_each(|(s, x)| *s += x);
    }
    level(sum, 0.1)
}

/// Scales to an rms of `rms` over what sounds.
fn level(mut x: Vec<f32>, rms: f64) -> Vec<f32> {
    let (mut n, mut sum) = (0.0, 0.0);
    for s in &x {
        if s.abs() > 1e-5 {
            n += 1.0;
            sum += f64::from(*s).powi(2);
        }
    }
    let gain = (rms / (sum / f64::max(n, 1.0)).sqrt().max(1e-9)) as f32;
    x.iter_mut().for_each(|s| *s *= gain);
    x
}
