//! The moment at which one side of wide sound is turned over.
//!
//! The correlation of wide music lies near 0 before and after it. But each band has a relation of its own between the
//! sides, which stays for as long as a chord is held: when one side is turned over all of them change their sign at
//! once, and nothing else changes. A new chord changes the levels too, and the signs of some bands only.

use crate::judge::ring::push;
use crate::measure::spectrum::{BANDS, Spectrum};
use std::collections::VecDeque;

/// Ticks on each side of the one in which it happens.
const BESIDE: usize = 3;
/// Bands so far under the strongest say nothing (power).
pub(super) const LEAST_POWER: f32 = 1e-3;
/// Bands that must say something.
pub(super) const FEWEST_BANDS: usize = 8;
/// Largest change of the bands' levels, the median, dB.
const SAME_DB: f32 = 3.0;
/// How alike the bands' relations are from one tick to the next but one, on either side of the turn,
const STEADY: f32 = 0.6;
/// and across it (1 the same, -1 all turned over).
pub(super) const MIRRORED: f32 = -0.8;

/// Of each band its power, and what of it the sides have in common.
pub(super) type Bands = [[f32; 2]; BANDS];

/// Follows the bands of unbroken sound.
#[derive(Debug, Default)]
pub(super) struct Turn {
    ticks: VecDeque<Bands>,
}

impl Turn {
    /// The sound stopped.
    pub(super) fn interrupted(&mut self) {
        self.ticks.clear();
    }

    /// Takes a tick; gives `Some(true)` when a side was turned over a moment ago, `Some(false)` when it was turned
    /// back: what the sides have in common rose.
    pub(super) fn take(&mut self, spectrum: &Spectrum) -> Option<bool> {
        push(&mut self.ticks, 2 * BESIDE + 1, bands(spectrum));
        if self.ticks.len() <= 2 * BESIDE {
            return None;
        }
        let (before, after) = (self.sum(0), self.sum(BESIDE + 1));
        let strongest = before.iter().chain(&after).fold(0.0f32, |top, b| top.max(b[0]));
        let heard: Vec<usize> =
            (0..BANDS).filter(|b| before[*b][0].min(after[*b][0]) > LEAST_POWER * strongest).collect();
        if heard.len() < FEWEST_BANDS {
            return None;
        }
        let mut changes: Vec<f32> =
            heard.iter().map(|b| (10.0 * (after[*b][0] / before[*b][0]).log10()).abs()).collect();
        changes.sort_by(f32::total_cmp);
        let steady = |from: usize| likeness(&self.ticks[from], &self.ticks[from + BESIDE - 1], &heard) > STEADY;
        let turned = changes[changes.len() / 2] < SAME_DB
            && likeness(&before, &after, &heard) < MIRRORED
            && steady(0)
            && steady(BESIDE + 1);
        let common = |bands: &Bands| bands.iter().map(|b| b[1]).sum::<f32>();
        turned.then(|| common(&after) < common(&before))
    }

    fn sum(&self, from: usize) -> Bands {
        let mut sum = Bands::default();
        for tick in self.ticks.range(from..from + BESIDE) {
            sum.as_flattened_mut().iter_mut().zip(tick.as_flattened()).for_each(|(sum, x)| *sum += x);
        }
        sum
    }
}

/// The bands of a tick.
pub(super) fn bands(of: &Spectrum) -> Bands {
    std::array::from_fn(|b| {
        let power = of.band_power(b);
        [power, power * of.alike[b]]
    })
}

/// How alike the relations of the sides are by band: 1 the same, -1 all turned over.
pub(super) fn likeness(a: &Bands, b: &Bands, heard: &[usize]) -> f32 {
    let alike = |bands: &Bands, band: usize| bands[band][1] / bands[band][0].max(1e-20);
    let product = |a: &Bands, b: &Bands| heard.iter().map(|band| alike(a, *band) * alike(b, *band)).sum::<f32>();
    product(a, b) / (product(a, a) * product(b, b)).sqrt().max(1e-6)
}
