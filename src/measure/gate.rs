//! The two-stage gate of integrated loudness (BS.1770-5, Annex 1; Tech 3341 2.3), exact and at a cost that
//! does not grow with the length of the programme.
//!
//! Block powers are kept in bins 0.1 LU wide, each with its count, its sum and its values. The relative
//! threshold cuts through one bin only: bins above it count whole by their sums, that bin value by value.

use crate::units::{lufs_of_power, power_of_lufs};

const LOWEST_LUFS: f64 = -70.0;
const BINS_A_LU: f64 = 10.0;
const BINS: usize = 1_200; // -70 to +50 LUFS; louder blocks share the last bin, which is still exact

/// Gate of 400 ms blocks.
#[derive(Debug, Clone)]
pub struct Gate {
    bins: Vec<Bin>,
    count: u64,
    sum: f64,
}

#[derive(Debug, Clone, Default)]
struct Bin {
    sum: f64,
    values: Vec<f32>,
}

impl Default for Gate {
    fn default() -> Self {
        Self::new()
    }
}

impl Gate {
    /// An empty gate.
    pub fn new() -> Self {
        Self { bins: vec![Bin::default(); BINS], count: 0, sum: 0.0 }
    }

    /// Forgets all blocks.
    pub fn reset(&mut self) {
        for bin in &mut self.bins {
            bin.sum = 0.0;
            bin.values.clear();
        }
        (self.count, self.sum) = (0, 0.0);
    }

    /// Takes one 400 ms block's weighted power.
    pub fn add(&mut self, power: f64) {
        let lufs = lufs_of_power(power);
        // BS.1770-5: blocks count when strictly above -70 LUFS.
        if lufs > LOWEST_LUFS {
            // One rounding for all uses, so that a value and its share of a sum are the same number.
            let kept = power as f32;
            let bin = &mut self.bins[bin_of(lufs_of_power(f64::from(kept)))];
            bin.sum += f64::from(kept);
            bin.values.push(kept);
            self.count += 1;
            self.sum += f64::from(kept);
        }
    }

    /// Integrated loudness, LUFS; `None` until a block was above -70 LUFS.
    pub fn integrated_lufs(&self) -> Option<f64> {
        if self.count == 0 {
            return None;
        }
        let threshold = lufs_of_power(self.sum / self.count as f64) - 10.0;
        let threshold_power = power_of_lufs(threshold);
        let cut = bin_of(threshold);
        let (mut n, mut sum) = (0u64, 0.0);
        for value in self.bins[cut].values.iter().map(|v| f64::from(*v)).filter(|v| *v > threshold_power) {
            n += 1;
            sum += value;
        }
        for bin in &self.bins[cut + 1..] {
            n += bin.values.len() as u64;
            sum += bin.sum;
        }
        (n > 0).then(|| lufs_of_power(sum / n as f64))
    }
}

fn bin_of(lufs: f64) -> usize {
    ((lufs - LOWEST_LUFS) * BINS_A_LU).clamp(0.0, (BINS - 1) as f64) as usize
}
