//! The sliding windows of momentary (400 ms) and short-term loudness (3 s), Tech 3341 2.2, from the powers of
//! 10 ms hops.
//!
//! Sums are built anew from tick sums and never slid by subtracting, so they don't drift: any 400 ms are the
//! open tick so far, three whole ticks, and the tail of the tick before them.

use crate::units::HOPS_A_TICK;

/// Hops in the momentary window.
pub const MOMENTARY_HOPS: u64 = 40;
/// Hops in the short-term window.
pub const SHORT_TERM_HOPS: u64 = 300;
const HOPS: usize = HOPS_A_TICK as usize;
const SHORT_TERM_TICKS: usize = (SHORT_TERM_HOPS / HOPS_A_TICK) as usize;

/// Powers of the last 3 s.
#[derive(Debug, Clone)]
pub struct Windows {
    /// Hops of the open tick, and their sum so far.
    open: [f64; HOPS],
    filled: usize,
    sum: f64,
    /// Sums of closed ticks, newest at `newest`.
    ticks: [f64; SHORT_TERM_TICKS],
    newest: usize,
    /// For each of the last four closed ticks, newest first: sums of its last 0, 1, ... 10 hops.
    tails: [[f64; HOPS + 1]; 4],
    /// Hops measured since the last that never came.
    unbroken: u64,
}

impl Default for Windows {
    fn default() -> Self {
        Self {
            open: [0.0; HOPS],
            filled: 0,
            sum: 0.0,
            ticks: [0.0; SHORT_TERM_TICKS],
            newest: 0,
            tails: [[0.0; HOPS + 1]; 4],
            unbroken: 0,
        }
    }
}

impl Windows {
    /// Takes one hop's power; `None` for a hop that never came. At most ten between two `close_tick`.
    pub fn hop(&mut self, power: Option<f64>) {
        self.unbroken = if power.is_some() { self.unbroken + 1 } else { 0 };
        self.open[self.filled] = power.unwrap_or(0.0);
        self.sum += self.open[self.filled];
        self.filled += 1;
    }

    /// Mean power of the last 400 ms; `None` if any of it is missing.
    pub fn momentary(&self) -> Option<f64> {
        (self.unbroken >= MOMENTARY_HOPS).then(|| {
            let whole = self.tails[0][HOPS] + self.tails[1][HOPS] + self.tails[2][HOPS];
            (self.sum + whole + self.tails[3][HOPS - self.filled]) / MOMENTARY_HOPS as f64
        })
    }

    /// Closes the tick; gives the mean power of the last 3 s, `None` if any of it is missing.
    pub fn close_tick(&mut self) -> Option<f64> {
        self.newest = (self.newest + 1) % SHORT_TERM_TICKS;
        self.ticks[self.newest] = self.sum;
        self.tails.rotate_right(1);
        let mut tail = 0.0;
        self.tails[0] = [0.0; HOPS + 1];
        for (k, power) in self.open[..self.filled].iter().rev().enumerate() {
            tail += power;
            self.tails[0][k + 1] = tail;
        }
        (self.filled, self.sum) = (0, 0.0);
        (self.unbroken >= SHORT_TERM_HOPS).then(|| {
            let (late, early) = self.ticks.split_at(self.newest + 1);
            early.iter().chain(late).sum::<f64>() / SHORT_TERM_HOPS as f64
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn windows_are_the_means_of_the_last_hops() {
        for first_tick in [10, 3] {
            let (mut windows, mut list) = (Windows::default(), Vec::new());
            let mut left = first_tick;
            for i in 0..2_000u32 {
                // 60 dB up and down, some hops missing.
                let power = (i % 701 != 700).then(|| 10f64.powf(-3.0 + 3.0 * (f64::from(i) * 0.37).sin()));
                windows.hop(power);
                list.push(power);
                let mean = |n: usize| {
                    let last: Option<Vec<f64>> = list.get(list.len().wrapping_sub(n)..)?.iter().copied().collect();
                    Some(last?.iter().sum::<f64>() / n as f64)
                };
                let near = |a: Option<f64>, b: Option<f64>| match (a, b) {
                    (Some(a), Some(b)) => (a / b - 1.0).abs() < 1e-13,
                    (a, b) => a == b,
                };
                assert!(near(windows.momentary(), mean(40)), "hop {i}");
                left -= 1;
                if left == 0 {
                    left = 10;
                    assert!(near(windows.close_tick(), mean(300)), "hop {i}");
                }
            }
        }
    }
}
