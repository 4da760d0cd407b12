//! How far all bands of a wide sound lean to one side together.
//!
//! In wide music each band has a balance of its own, but over some seconds their middle lies near 0 dB; a side that
//! is turned down moves all of them by the same amount. In services of many kinds (benches/trust, the half to try
//! on) the middle stayed within 6 dB, but for a phone on one channel, which leaves more than 20 dB; a fader 10 dB
//! down gave 9 to 11 dB, with 80 % of the bands within 2.2 dB.

use crate::judge::ring::push;
use crate::measure::spectrum::{BANDS, Spectrum};
use std::collections::VecDeque;

/// Bands that lie so far under the strongest say nothing (power).
const LEAST_POWER: f32 = 1e-4;
/// Bands that must say something.
const FEWEST_BANDS: usize = 12;
/// Largest difference of the bands around their middle (20th to 80th percentile) of one common lean, dB.
const TOGETHER_DB: f32 = 4.0;

/// Powers of left and right by band, over the last ticks of sound.
#[derive(Debug)]
pub(super) struct Lean {
    most: usize,
    ticks: VecDeque<[[f32; 2]; BANDS]>,
}

impl Lean {
    /// Over the last `ticks` of sound.
    pub(super) fn over(ticks: usize) -> Self {
        Self { most: ticks, ticks: VecDeque::with_capacity(ticks) }
    }

    /// Takes a tick.
    pub(super) fn take(&mut self, spectrum: &Spectrum) {
        let sides = |b: usize| {
            let power = spectrum.band_power(b);
            [power * spectrum.left_share[b], power * (1.0 - spectrum.left_share[b])]
        };
        push(&mut self.ticks, self.most, std::array::from_fn(sides));
    }

    /// Left over right, dB, the median of the bands; `None` before all ticks, or where the bands do not lean together.
    pub(super) fn together_db(&self) -> Option<f64> {
        if self.ticks.len() < self.most {
            return None;
        }
        let mut sums = [[0.0f32; 2]; BANDS];
        for tick in &self.ticks {
            sums.as_flattened_mut().iter_mut().zip(tick.as_flattened()).for_each(|(sum, p)| *sum += p);
        }
        let strongest = sums.iter().fold(0.0f32, |top, [l, r]| top.max(l + r));
        let heard = sums.iter().filter(|[l, r]| l + r > LEAST_POWER * strongest);
        let mut leans: Vec<f32> = heard.map(|[l, r]| 10.0 * ((l + 1e-14) / (r + 1e-14)).log10()).collect();
        if leans.len() < FEWEST_BANDS {
            return None;
        }
        leans.sort_by(f32::total_cmp);
        let at = |part: usize| leans[(leans.len() - 1) * part / 10];
        (at(8) - at(2) < TOGETHER_DB).then(|| f64::from(at(5)))
    }
}
