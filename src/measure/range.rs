//! Loudness range per EBU Tech 3342 v4 (section 5), from short-term values at 10 a second; exact, and at a cost
//! that does not grow with the length of the programme.

use super::powers::Powers;
use crate::units::{db_of_power, power_of_lufs};

/// The absolute gate, LUFS (Tech 3342 section 5).
const ABSOLUTE_LUFS: f64 = -70.0;
/// The relative gate, 20 LU below, as a ratio of powers (Tech 3342 section 5).
const RELATIVE: f64 = 0.01;

/// Short-term values since the programme's start.
#[derive(Debug, Clone)]
pub struct Range {
    absolute_power: f64,
    powers: Powers,
}

impl Default for Range {
    fn default() -> Self {
        Self::new()
    }
}

impl Range {
    /// Nothing measured yet.
    pub fn new() -> Self {
        Self { absolute_power: power_of_lufs(ABSOLUTE_LUFS), powers: Powers::default() }
    }

    /// Forgets all values.
    pub fn reset(&mut self) {
        self.powers.reset();
    }

    /// Takes one short-term power (3 s window), ten a second.
    pub fn add(&mut self, power: f64) {
        if power >= self.absolute_power {
            self.powers.add(power);
        }
    }

    /// Loudness range, LU; `None` until a value was at or above -70 LUFS.
    pub fn lu(&self) -> Option<f64> {
        let (kept, _) = self.powers.above(self.powers.mean() * RELATIVE, true);
        let below = self.powers.count() - kept;
        // 1-based index round((n-1)*p/100 + 1), counted among the values kept.
        let index = |percent: f64| below + (kept.saturating_sub(1) as f64 * percent / 100.0).round() as u64;
        let low = self.powers.nth(index(10.0))?;
        let high = self.powers.nth(index(95.0))?;
        Some(db_of_power(high / low))
    }
}
