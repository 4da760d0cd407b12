//! Leaky timers: a condition must hold for its time before it is raised, and be gone for its time before it clears.

use crate::units::TICKS_A_SECOND;

/// When to raise and when to clear.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Timing {
    /// Holding time before it is raised, seconds.
    pub raise_after_seconds: f64,
    /// Time gone before it clears, seconds.
    pub clear_after_seconds: f64,
}

/// One condition's timer. Leaky: a good tick takes back what a bad tick gave, so a short blip costs little.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Dwell {
    filled_ticks: u32,
    on: bool,
}

impl Dwell {
    /// One tick: `bad` says whether the condition holds. Gives whether it is on.
    pub fn step(&mut self, bad: bool, timing: Timing) -> bool {
        let rising = !self.on;
        if bad == rising {
            self.filled_ticks += 1;
        } else {
            self.filled_ticks = self.filled_ticks.saturating_sub(1);
        }
        let seconds = if rising { timing.raise_after_seconds } else { timing.clear_after_seconds };
        if f64::from(self.filled_ticks) >= (seconds * TICKS_A_SECOND as f64).round().max(1.0) {
            self.on = rising;
            self.filled_ticks = 0;
        }
        self.on
    }

    /// It has held for its time.
    pub fn on(&self) -> bool {
        self.on
    }

    /// The timer runs towards raising.
    pub fn rising(&self) -> bool {
        !self.on && self.filled_ticks > 0
    }

    /// Back to the start.
    pub fn reset(&mut self) {
        *self = Self::default();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const T: Timing = Timing { raise_after_seconds: 1.0, clear_after_seconds: 0.5 };

    #[test]
    fn raises_on_the_tenth_bad_tick_and_clears_on_the_fifth_good_one() {
        let mut d = Dwell::default();
        assert!((0..9).all(|_| !d.step(true, T)));
        assert!(d.step(true, T));
        assert!((0..4).all(|_| d.step(false, T)));
        assert!(!d.step(false, T));
    }

    #[test]
    fn leaks_so_that_equal_halves_never_raise() {
        let mut d = Dwell::default();
        assert!((0..1_000).all(|i| !d.step(i % 2 == 0, T)));
    }
}
