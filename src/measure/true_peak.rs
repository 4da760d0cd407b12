//! True peak (BS.1770-5, Annex 2): the largest value of the interpolated signal.
//!
//! Interpolator: Kaiser-windowed sinc, better than the 48-tap filter that the standard prints
//! (which reads EBU Tech 3341 case 17 0.31 dB low); other filters of equal or better accuracy are allowed there.

use crate::units::SampleRate;

/// Taps a phase.
pub const TAPS: usize = 24;

/// Interpolates by 4 (44.1, 48 kHz), 2 (88.2, 96 kHz) or 1 (above), as BS.1770-5 Annex 2 asks of 192 kHz.
#[derive(Debug, Clone)]
pub struct Interpolator {
    phases: Vec<[f32; TAPS]>,
}

impl Interpolator {
    /// The interpolator for `rate`.
    pub fn new(rate: SampleRate) -> Self {
        let factor = match rate.hz() {
            0..=48_000 => 4,
            48_001..=96_000 => 2,
            _ => 1,
        };
        let phases = (1..factor).map(|p| phase(p as f64 / factor as f64)).collect();
        Self { phases }
    }
}

fn phase(fraction: f64) -> [f32; TAPS] {
    let half = TAPS as f64 / 2.0;
    let mut taps = [0.0; TAPS];
    for (i, t) in taps.iter_mut().enumerate() {
        // Tap i multiplies the sample (half - 1 - i) places from the centre, seen from the interpolated point.
        let x = i as f64 - (half - 1.0) - fraction;
        let sinc = if x == 0.0 { 1.0 } else { (std::f64::consts::PI * x).sin() / (std::f64::consts::PI * x) };
        *t = sinc * kaiser(x / half, 6.0);
    }
    let sum: f64 = taps.iter().sum();
    taps.map(|t| (t / sum) as f32)
}

fn kaiser(x: f64, beta: f64) -> f64 {
    if x.abs() >= 1.0 { 0.0 } else { bessel_i0(beta * (1.0 - x * x).sqrt()) / bessel_i0(beta) }
}

fn bessel_i0(x: f64) -> f64 {
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..40 {
        term *= (x / (2.0 * k as f64)).powi(2);
        sum += term;
    }
    sum
}

/// One channel's last samples.
#[derive(Debug, Clone)]
pub struct TruePeak {
    line: Vec<f32>,
}

impl TruePeak {
    /// Silence before the first sample; `hop_frames` is the length of every later block.
    pub fn new(hop_frames: usize) -> Self {
        Self { line: vec![0.0; TAPS - 1 + hop_frames] }
    }

    /// Largest |interpolated value| over one hop of one channel (delayed by 12 samples), full scale = 1.
    pub fn hop(&mut self, i: &Interpolator, samples: impl Iterator<Item = f32>) -> f64 {
        let mut end = TAPS - 1;
        for (slot, x) in self.line[TAPS - 1..].iter_mut().zip(samples) {
            *slot = x;
            end += 1;
        }
        let mut top = 0.0f32;
        for window in self.line[..end].windows(TAPS) {
            top = top.max(window[TAPS / 2 - 1].abs());
            for phase in &i.phases {
                top = top.max(window.iter().zip(phase).map(|(x, h)| x * h).sum::<f32>().abs());
            }
        }
        self.line.copy_within(end - (TAPS - 1)..end, 0);
        f64::from(top.min(f32::MAX)) // samples near the largest float sum to infinity
    }
}
