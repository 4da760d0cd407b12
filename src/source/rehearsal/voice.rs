//! Voices: talkers and a singer, by pulses through moving formants, with breath noise between. Made up; they say
//! nothing. Formant figures are round numbers for five vowels, from memory.

use super::noise::{LowPass, Noise, Resonance, Resonator, k_of};

/// First three formants of five vowels, Hz.
const VOWELS: [[f64; 3]; 5] = [
    [730.0, 1090.0, 2440.0],
    [530.0, 1840.0, 2480.0],
    [270.0, 2290.0, 3010.0],
    [570.0, 840.0, 2410.0],
    [300.0, 870.0, 2240.0],
];

/// What the voice does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Manner {
    /// Phrases with pauses.
    Talk,
    /// Held notes on a tune.
    Sing,
}

/// A tune of eight notes, Hz.
const TUNE: [f64; 8] = [330.0, 349.2, 392.0, 330.0, 293.7, 261.6, 293.7, 330.0];

pub(super) struct Voice {
    manner: Manner,
    rate: f64,
    noise: Noise,
    pitch: f64,
    size: f64,
    phase: f64,
    resonators: [Resonator; 3],
    now: [Resonance; 3],
    glottis: LowPass,
    slow: LowPass,
    hiss: Resonator,
    hiss_at: Resonance,
    /// Samples left of this syllable, its length, and whether it sounds.
    left: usize,
    length: usize,
    kind: Kind,
    phrase: i32,
    note: usize,
    envelope: f64,
    hertz: f64,
    loud: f64,
    /// Filter shares: envelope, glottis, slow.
    shares: [f64; 3],
    /// The bow of a syllable: half a sine, turned on sample by sample.
    bow: (f64, f64, f64, f64),
}

#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Vowel,
    Hiss,
    Pause,
}

impl Voice {
    pub(super) fn new(manner: Manner, seed: u64, rate: f64) -> Self {
        let mut noise = Noise::new(seed);
        let pitch = noise.between(95.0, 210.0);
        Self {
            manner,
            rate,
            size: 1.0 + (pitch - 140.0) / 700.0,
            pitch,
            phase: 0.0,
            resonators: Default::default(),
            now: [Resonance::default(); 3],
            glottis: LowPass::default(),
            slow: LowPass::default(),
            hiss: Resonator::default(),
            hiss_at: Resonance::new(5_200.0, 2_500.0, rate),
            left: 0,
            length: 1,
            kind: Kind::Pause,
            phrase: 0,
            note: 0,
            envelope: 0.0,
            hertz: pitch,
            loud: 1.0,
            shares: [60.0, 900.0, 50.0].map(|hz| k_of(hz, rate)),
            bow: (1.0, 0.0, 1.0, 0.0),
            noise,
        }
    }

    fn next_syllable(&mut self) {
        let n = &mut self.noise;
        self.kind = match (self.manner, self.kind) {
            (Manner::Sing, _) => Kind::Vowel,
            (_, Kind::Vowel) if self.phrase <= 0 => Kind::Pause,
            (_, Kind::Vowel) if n.unit() < 0.45 => Kind::Hiss,
            _ => Kind::Vowel,
        };
        let seconds = match (self.manner, self.kind) {
            (Manner::Sing, _) => 0.85,
            (_, Kind::Vowel) => n.between(0.11, 0.26),
            (_, Kind::Hiss) => n.between(0.05, 0.11),
            (_, Kind::Pause) => {
                self.phrase = n.between(9.0, 22.0) as i32;
                n.between(0.25, 0.8)
            }
        };
        self.phrase -= 1;
        self.length = (seconds * self.rate) as usize;
        self.left = self.length;
        let turn = std::f64::consts::PI / self.length as f64;
        self.bow = (1.0, 0.0, turn.cos(), turn.sin());
        self.loud = n.between(0.75, 1.0);
        if self.kind == Kind::Vowel {
            let vowel = n.pick(&VOWELS);
            let melody = 1.0 + 0.12 * n.white() + 0.004 * f64::from(self.phrase.clamp(0, 20));
            self.hertz = self.pitch * melody;
            if self.manner == Manner::Sing {
                self.hertz = TUNE[self.note % TUNE.len()];
                self.note += 1;
            }
            for (now, (hz, width)) in self.now.iter_mut().zip(vowel.iter().zip([90.0, 110.0, 170.0])) {
                *now = Resonance::new(hz * self.size, width, self.rate);
            }
        }
    }

    /// A triangle of about 5 Hz, -1 to 1.
    fn tremble(&self) -> f64 {
        let turns = self.left as f64 / self.rate * 5.2;
        4.0 * (turns - turns.floor() - 0.5).abs() - 1.0
    }

    pub(super) fn step(&mut self) -> f64 {
        if self.left == 0 {
            self.next_syllable();
        }
        self.left -= 1;
        let (re, im, cos, sin) = self.bow;
        (self.bow.0, self.bow.1) = (re * cos - im * sin, re * sin + im * cos);
        let want = match self.kind {
            Kind::Pause => 0.0,
            _ => self.loud * self.bow.1.max(0.0).sqrt(),
        };
        self.envelope += (want - self.envelope) * self.shares[0];
        let vibrato =
            if self.manner == Manner::Sing { 1.0 + 0.006 * self.tremble() } else { 1.0 + 0.01 * self.noise.white() };
        self.phase += self.hertz * vibrato / self.rate;
        let pulse = if self.phase >= 1.0 {
            self.phase -= 1.0;
            1.0
        } else {
            0.0
        };
        let source = self.glottis.step(pulse * 40.0, self.shares[1]) + 0.02 * self.noise.white();
        // A breath has no direct part: what is slower than any voice is taken off.
        let source = source - self.slow.step(source, self.shares[2]);
        let vowel: f64 = (0..3).map(|i| self.resonators[i].step(source, &self.now[i]) * [1.0, 0.7, 0.4][i]).sum();
        let hiss = self.hiss.step(self.noise.white(), &self.hiss_at);
        match self.kind {
            Kind::Hiss => self.envelope * (0.5 * hiss + 0.05 * vowel),
            _ => self.envelope * vowel,
        }
    }
}
