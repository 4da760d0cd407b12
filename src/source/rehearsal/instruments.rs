//! Organ, band, applause, room: everything else that sounds in the made-up service.

use super::noise::{LowPass, Noise, Resonance, Resonator, k_of};
use std::f64::consts::TAU;

/// A sine that costs one rotation a sample.
#[derive(Debug, Clone, Copy)]
struct Sine {
    re: f64,
    im: f64,
    cos: f64,
    sin: f64,
}

impl Sine {
    fn new(hz: f64, rate: f64, phase: f64) -> Self {
        let w = TAU * hz / rate;
        Self { re: phase.cos(), im: phase.sin(), cos: w.cos(), sin: w.sin() }
    }
    fn step(&mut self) -> f64 {
        (self.re, self.im) = (self.re * self.cos - self.im * self.sin, self.re * self.sin + self.im * self.cos);
        self.im
    }
}

/// Four chords, Hz, with their pedal.
const CHORDS: [([f64; 3], f64); 4] = [
    ([261.6, 329.6, 392.0], 65.4),
    ([220.0, 261.6, 329.6], 55.0),
    ([174.6, 220.0, 261.6], 87.3),
    ([196.0, 246.9, 293.7], 98.0),
];
/// Stops: harmonic and strength.
const STOPS: [(f64, f64); 6] = [(1.0, 1.0), (2.0, 0.6), (3.0, 0.3), (4.0, 0.35), (6.0, 0.12), (8.0, 0.1)];

pub(super) struct Organ {
    rate: f64,
    pipes: Vec<(Sine, f64)>,
    left: usize,
    length: usize,
    chord: usize,
    noise: Noise,
}

impl Organ {
    pub(super) fn new(seed: u64, rate: f64) -> Self {
        Self { rate, pipes: Vec::new(), left: 0, length: 1, chord: 0, noise: Noise::new(seed) }
    }

    pub(super) fn step(&mut self) -> f64 {
        if self.left == 0 {
            let (notes, pedal) = CHORDS[self.chord % 4];
            self.chord += 1;
            self.pipes.clear();
            for hz in notes {
                for (harmonic, strength) in STOPS {
                    self.pipes.push((
                        Sine::new(
                            hz * harmonic * (1.0 + 0.0006 * self.noise.white()),
                            self.rate,
                            TAU * self.noise.unit(),
                        ),
                        strength,
                    ));
                }
            }
            self.pipes.push((Sine::new(pedal, self.rate, 0.0), 1.2));
            self.pipes.push((Sine::new(pedal * 2.0, self.rate, 1.0), 0.6));
            self.length = (self.noise.between(1.6, 2.6) * self.rate) as usize;
            self.left = self.length;
        }
        self.left -= 1;
        let (from, to) = ((self.length - self.left) as f64 / self.rate, self.left as f64 / self.rate);
        let envelope = (from / 0.06).min(1.0) * (0.25 + 0.75 * (to / 0.12).min(1.0)) * (to / 0.02).min(1.0);
        envelope * self.pipes.iter_mut().map(|(sine, strength)| *strength * sine.step()).sum::<f64>() / 8.0
    }
}

/// Bass, drums and plucked strings on one beat; each side of the picture gets its own share.
pub(super) struct Band {
    rate: f64,
    noise: Noise,
    at: usize,
    beat: usize,
    bass: Sine,
    bass_level: f64,
    kick: f64,
    kick_phase: f64,
    snare: f64,
    hat: f64,
    hat_low: LowPass,
    hat_share: f64,
    snare_body: Resonator,
    snare_at: Resonance,
    strings: Vec<(Sine, f64, f64)>,
}

impl Band {
    pub(super) fn new(seed: u64, rate: f64) -> Self {
        Self {
            rate,
            noise: Noise::new(seed),
            at: 0,
            beat: 0,
            bass: Sine::new(65.4, rate, 0.0),
            bass_level: 0.0,
            kick: 0.0,
            kick_phase: 0.0,
            snare: 0.0,
            hat: 0.0,
            hat_low: LowPass::default(),
            hat_share: k_of(6_000.0, rate),
            snare_body: Resonator::default(),
            snare_at: Resonance::new(1_400.0, 1_600.0, rate),
            strings: Vec::new(),
        }
    }

    fn strike(&mut self) {
        let (notes, pedal) = CHORDS[self.beat / 8 % 4];
        match self.beat % 4 {
            0 => (self.kick, self.kick_phase) = (1.0, 0.0),
            2 => self.snare = 1.0,
            _ => {}
        }
        self.hat = self.noise.between(0.5, 1.0);
        if self.beat.is_multiple_of(2) {
            (self.bass, self.bass_level) = (Sine::new(pedal, self.rate, 0.0), 1.0);
        }
        self.strings.retain(|s| s.1 > 1e-3);
        let hz = self.noise.pick(&notes) * 2.0;
        for h in 1..=5 {
            let h = f64::from(h);
            self.strings.push((Sine::new(hz * h, self.rate, 0.0), 0.5 / h, (-2.2 * h / self.rate).exp()));
        }
        self.beat += 1;
    }

    /// Low and middle, and the bright part that stands to one side.
    pub(super) fn step(&mut self) -> (f64, f64) {
        if self.at.is_multiple_of((0.27 * self.rate) as usize) {
            self.strike();
        }
        self.at += 1;
        let decay = |level: &mut f64, seconds: f64, rate: f64| *level *= 1.0 - 1.0 / (seconds * rate);
        decay(&mut self.bass_level, 0.35, self.rate);
        decay(&mut self.kick, 0.09, self.rate);
        decay(&mut self.snare, 0.07, self.rate);
        decay(&mut self.hat, 0.03, self.rate);
        self.kick_phase += (48.0 + 90.0 * self.kick * self.kick) / self.rate;
        let kick = self.kick * (TAU * self.kick_phase).sin();
        let white = self.noise.white();
        let snare = self.snare * self.snare_body.step(white, &self.snare_at);
        let hat = self.hat * (white - self.hat_low.step(white, self.hat_share));
        let bass = self.bass_level * self.bass.step();
        let strings: f64 = self
            .strings
            .iter_mut()
            .map(|(sine, level, decay)| {
                *level *= *decay;
                *level * sine.step()
            })
            .sum();
        (0.45 * bass + 0.4 * kick + 0.9 * snare + 0.25 * strings, 0.1 * hat + 0.2 * strings)
    }
}

/// Many hands.
pub(super) struct Applause {
    rate: f64,
    noise: Noise,
    claps: [f64; 24],
    bright: Resonator,
    at: Resonance,
}

impl Applause {
    pub(super) fn new(seed: u64, rate: f64) -> Self {
        Self {
            rate,
            noise: Noise::new(seed),
            claps: [0.0; 24],
            bright: Resonator::default(),
            at: Resonance::new(1_300.0, 1_500.0, rate),
        }
    }

    pub(super) fn step(&mut self) -> f64 {
        let chance = 5.0 / self.rate;
        let mut sum = 0.0;
        for clap in &mut self.claps {
            *clap *= 1.0 - 1.0 / (0.006 * self.rate);
            if self.noise.unit() < chance {
                *clap = self.noise.between(0.3, 1.0);
            }
            sum += *clap;
        }
        self.bright.step(sum * self.noise.white(), &self.at)
    }
}

/// What open microphones hear of an empty room: low noise that moves, a little different on each side.
pub(super) struct Room {
    noise: Noise,
    both: [LowPass; 2],
    sides: [LowPass; 2],
    drift: LowPass,
    target: f64,
    left: usize,
    rate: f64,
    /// Filter shares: drift, low, lower.
    shares: [f64; 3],
}

impl Room {
    pub(super) fn new(seed: u64, rate: f64) -> Self {
        Self {
            noise: Noise::new(seed),
            both: Default::default(),
            sides: Default::default(),
            drift: LowPass::default(),
            target: 1.0,
            left: 0,
            rate,
            shares: [4.0, 350.0, 2_500.0].map(|hz| k_of(hz, rate)),
        }
    }

    /// Left and right, about 0 dB re its nominal level.
    pub(super) fn step(&mut self) -> [f64; 2] {
        if self.left == 0 {
            self.target = 10f64.powf(self.noise.between(-4.0, 4.0) / 20.0);
            self.left = (self.noise.between(0.15, 0.7) * self.rate) as usize;
        }
        self.left -= 1;
        let level = self.drift.step(self.target, self.shares[0]);
        let k = self.shares[1];
        let common = self.both[0].step(self.noise.white(), k);
        let common = self.both[1].step(common, self.shares[2]);
        let side = |s: &mut LowPass, n: &mut Noise| 0.5 * s.step(n.white(), k);
        let (l, r) = (side(&mut self.sides[0], &mut self.noise), side(&mut self.sides[1], &mut self.noise));
        [level * (common + l), level * (common + r)]
    }
}
