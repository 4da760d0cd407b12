//! The lows of one side: what came, brought down to about 2 kHz.

use super::super::decimate::Decimator;
use super::super::simd::Isa;
use super::WINDOW;

/// Samples kept beyond the window, so that not every tick moves it.
const SPARE: usize = 2_048;
/// Factor of the second decimation, and its filter's length.
pub(super) const SECOND: usize = 3;
const SECOND_TAPS: usize = 48;

pub(super) struct Side {
    first: Decimator,
    middle: Vec<f32>,
    second: Decimator,
    pub(super) low: Vec<f32>,
}

impl Side {
    /// Nothing yet; `step` is the factor of the first decimation.
    pub(super) fn new(step: usize) -> Self {
        let (first, second) = (Decimator::new(thrice_boxed(step), step), Decimator::new(low_pass(), SECOND));
        Self { first, middle: Vec::new(), second, low: Vec::new() }
    }

    /// What comes next has no past.
    pub(super) fn forget(&mut self) {
        self.first.forget();
        self.second.forget();
        self.low.clear();
    }

    /// Takes a tick.
    pub(super) fn take(&mut self, isa: Isa, tick: &[f32]) {
        self.middle.clear();
        self.first.take(isa, tick, &mut self.middle);
        self.second.take(isa, &self.middle, &mut self.low);
        if self.low.len() > WINDOW + SPARE {
            let spare = self.low.len() - WINDOW;
            self.low.drain(..spare);
        }
    }

    /// The last `WINDOW` samples.
    pub(super) fn window(&self) -> &[f32] {
        &self.low[self.low.len() - WINDOW..]
    }
}

/// Three boxes of `step` samples in a row, as one filter: nulls at every frequency that would fold onto the lows.
fn thrice_boxed(step: usize) -> Vec<f32> {
    let boxed = vec![1.0 / step as f64; step];
    let convolved = |a: &[f64]| -> Vec<f64> {
        (0..a.len() + step - 1)
            .map(|n| (0..step).filter_map(|k| n.checked_sub(k).and_then(|i| a.get(i))).sum::<f64>() / step as f64)
            .collect()
    };
    convolved(&convolved(&boxed)).iter().map(|x| *x as f32).collect()
}

/// Low-pass at a sixth of the rate (Blackman-windowed sinc): flat to 650 Hz, shut from 1 350 Hz at 6 kHz.
fn low_pass() -> Vec<f32> {
    let n = SECOND_TAPS as f64;
    let taps: Vec<f64> = (0..SECOND_TAPS)
        .map(|i| {
            let (x, at) = (i as f64 - (n - 1.0) / 2.0, std::f64::consts::TAU * (i as f64 + 0.5) / n);
            let y = std::f64::consts::PI * x / 3.0;
            y.sin() / y * (0.42 - 0.5 * at.cos() + 0.08 * (2.0 * at).cos())
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    taps.iter().map(|t| (t / sum) as f32).collect()
}
