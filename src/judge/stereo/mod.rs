//! The two sides beside each other: `imbalance` (one louder), `polarity` (one turned over), `mono_loss` (what a
//! single loudspeaker makes of them), `dual_mono` (the same on both). This file: the running average that they share.

mod bands;
mod beside_house;
pub mod dual_mono;
pub mod imbalance;
mod lean;
mod low_notes;
pub mod mono_loss;
pub mod polarity;
mod turn;

use super::Scene;
use super::ring::push;
use super::sound::SOUND_LUFS;
use crate::measure::Reading;
use crate::units::{TICKS_A_SECOND, db_of_power};
use std::collections::VecDeque;

/// This tick has sound, on two sides.
fn plays_on_two_sides(scene: &Scene<'_>) -> bool {
    let feed = scene.feed;
    feed.channels == 2 && !feed.absent() && feed.tick_lufs.is_some_and(|l| l > SOUND_LUFS)
}

/// K-weighted powers of both sides and their product, over the last seconds of sound.
#[derive(Debug, Clone)]
struct Pair {
    most: usize,
    ticks: VecDeque<[f64; 3]>,
    left: f64,
    right: f64,
    cross: f64,
}

impl Pair {
    /// Over the last `seconds` of sound.
    fn over(seconds: usize) -> Self {
        let most = seconds * TICKS_A_SECOND as usize;
        Self { most, ticks: VecDeque::with_capacity(most), left: 0.0, right: 0.0, cross: 0.0 }
    }

    /// Takes a tick.
    fn take(&mut self, feed: &Reading) {
        let tick = [feed.channel[0].k_mean_square, feed.channel[1].k_mean_square, feed.k_cross];
        push(&mut self.ticks, self.most, tick);
        // Summed anew, so that no rounding of loud ticks stays behind.
        let sum = |i: usize| self.ticks.iter().map(|t| t[i]).sum::<f64>() / self.ticks.len() as f64;
        (self.left, self.right, self.cross) = (sum(0), sum(1), sum(2));
    }

    /// It has all its seconds.
    fn full(&self) -> bool {
        self.ticks.len() == self.most
    }

    /// Correlation, -1 to 1; 0 when a side is silent.
    fn correlation(&self) -> f64 {
        let d = (self.left * self.right).sqrt();
        if d > 1e-14 { (self.cross / d).clamp(-1.0, 1.0) } else { 0.0 }
    }

    /// Left over right, dB.
    fn balance_db(&self) -> f64 {
        db_of_power((self.left + 1e-14) / (self.right + 1e-14))
    }

    /// What is lost when both sides are summed onto one loudspeaker, dB: 0 for equal sides, 3 for unlike ones,
    /// 300 (all) for opposite ones.
    fn mono_loss_db(&self) -> f64 {
        let both = self.left + self.right;
        if both <= 0.0 {
            return 0.0;
        }
        -db_of_power((0.5 + self.cross / both).max(1e-30))
    }

    /// Power of the difference of the sides under that of both, dB (0 or less; -300 for equal sides).
    fn side_db(&self) -> f64 {
        let both = self.left + self.right;
        db_of_power(((both - 2.0 * self.cross) / (2.0 * both).max(1e-30)).max(1e-30))
    }
}
