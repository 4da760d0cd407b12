//! The two-stage gate of integrated loudness (BS.1770-5, Annex 1; Tech 3341 2.3), exact and at a cost that
//! does not grow with the length of the programme.

use super::powers::Powers;
use crate::units::{lufs_of_power, power_of_lufs};

/// The absolute gate, LUFS (BS.1770-5, Annex 1).
const ABSOLUTE_LUFS: f64 = -70.0;
/// The relative gate, 10 LU below, as a ratio of powers (BS.1770-5, Annex 1).
const RELATIVE: f64 = 0.1;

/// Gate of 400 ms blocks.
#[derive(Debug, Clone)]
pub struct Gate {
    absolute_power: f64,
    powers: Powers,
}

impl Default for Gate {
    fn default() -> Self {
        Self::new()
    }
}

impl Gate {
    /// An empty gate.
    pub fn new() -> Self {
        Self { absolute_power: power_of_lufs(ABSOLUTE_LUFS), powers: Powers::default() }
    }

    /// Forgets all blocks.
    pub fn reset(&mut self) {
        self.powers.reset();
    }

    /// Takes one 400 ms block's weighted power; it counts when strictly above -70 LUFS.
    pub fn add(&mut self, power: f64) {
        if power > self.absolute_power {
            self.powers.add(power);
        }
    }

    /// Integrated loudness, LUFS; `None` until a block was above -70 LUFS.
    pub fn integrated_lufs(&self) -> Option<f64> {
        let (count, sum) = self.powers.above(self.powers.mean() * RELATIVE, false);
        (count > 0).then(|| lufs_of_power(sum / count as f64))
    }
}
