//! The moment at which one side of wide sound is turned over.
//!
//! The correlation of wide music lies near 0 before and after it. But each band has a relation of its own between the
//! sides, which stays for as long as a chord is held: when one side is turned over all of them change their sign at
//! once, and nothing else changes. A new chord changes the levels too, and the signs of some bands only.

use super::bands::{Bands, FEWEST_BANDS, LEAST_POWER, MIRRORED, likeness};
use crate::judge::ring::push;
use crate::measure::spectrum::BANDS;
use std::collections::VecDeque;

/// Ticks on each side of the one in which it happens.
const BESIDE: usize = 3;
/// Largest change of the bands' levels, the median, dB.
const SAME_DB: f32 = 3.0;
/// How alike the bands' relations are from one tick to the next but one, on either side of the turn.
const STEADY: f32 = 0.6;

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
    pub(super) fn take(&mut self, tick: &Bands) -> Option<bool> {
        push(&mut self.ticks, 2 * BESIDE + 1, *tick);
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
