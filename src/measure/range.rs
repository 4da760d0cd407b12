//! Loudness range per EBU Tech 3342 v4 (section 5), from short-term values at 10 a second.
//!
//! Values sit in sorted order of power inside 0.1 LU bins, so that both percentiles are exact and the cost
//! of an hour more is that of the hour before.

use crate::units::{db_of_power, lufs_of_power, power_of_lufs};

const LOWEST_LUFS: f64 = -70.0;
const BINS_A_LU: f64 = 10.0;
const BINS: usize = 1_200;

/// Short-term values since the programme's start.
#[derive(Debug, Clone)]
pub struct Range {
    bins: Vec<Vec<f32>>,
    count: u64,
    sum: f64,
}

impl Default for Range {
    fn default() -> Self {
        Self::new()
    }
}

impl Range {
    /// Nothing measured yet.
    pub fn new() -> Self {
        Self { bins: vec![Vec::new(); BINS], count: 0, sum: 0.0 }
    }

    /// Forgets all values.
    pub fn reset(&mut self) {
        self.bins.iter_mut().for_each(Vec::clear);
        (self.count, self.sum) = (0, 0.0);
    }

    /// Takes one short-term power (3 s window), ten a second.
    pub fn add(&mut self, power: f64) {
        let kept = power as f32;
        let lufs = lufs_of_power(f64::from(kept));
        if lufs >= LOWEST_LUFS {
            self.bins[bin_of(lufs)].push(kept);
            self.count += 1;
            self.sum += f64::from(kept);
        }
    }

    /// Loudness range, LU; `None` until a value was at or above -70 LUFS.
    pub fn lu(&self) -> Option<f64> {
        if self.count == 0 {
            return None;
        }
        // Tech 3342 section 5: 20 LU below the mean power of what passed the absolute gate.
        let gate_lufs = lufs_of_power(self.sum / self.count as f64) - 20.0;
        let gate_power = power_of_lufs(gate_lufs);
        let cut = if gate_lufs < LOWEST_LUFS { 0 } else { bin_of(gate_lufs) };
        let below = self.bins[cut].iter().filter(|v| f64::from(**v) < gate_power).count() as u64
            + self.bins[..cut].iter().map(|b| b.len() as u64).sum::<u64>();
        let n = self.count - below;
        if n == 0 {
            return None;
        }
        // 1-based index round((n-1)*p/100 + 1), counted among the values kept.
        let at = |percent: f64| below + (((n - 1) as f64 * percent / 100.0 + 1.0).round() as u64 - 1);
        Some(db_of_power(self.nth(at(95.0)) / self.nth(at(10.0))))
    }

    fn nth(&self, mut index: u64) -> f64 {
        for bin in &self.bins {
            let len = bin.len() as u64;
            if index < len {
                let mut values = bin.clone();
                let (_, v, _) = values.select_nth_unstable_by(index as usize, f32::total_cmp);
                return f64::from(*v);
            }
            index -= len;
        }
        0.0
    }
}

fn bin_of(lufs: f64) -> usize {
    ((lufs - LOWEST_LUFS) * BINS_A_LU).clamp(0.0, (BINS - 1) as f64) as usize
}
