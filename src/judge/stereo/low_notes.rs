//! Whether the low notes of wide music cancel.
//!
//! What plays the low notes (a bass, a piano's left hand, a drum) stands in the middle or near it, however wide the rest
//! is: both sides have them in common. Where they are against each other for seconds, a side is turned over, though
//! nobody saw it happen. Of 51 pieces of music (benches/trust, tuned half) none came under -0.8.

use super::bands::Bands;

/// The bands of the low notes: 100 to 160 Hz.
const LOW: std::ops::Range<usize> = 0..3;
/// Part of all power that they must have.
const LEAST_PART: f32 = 0.01;
/// Ticks of sound before it is told.
const FEWEST_TICKS: u32 = 60;
/// What is left of the sums after a tick (half of it after 2.7 s).
const FADES: f32 = 0.975;
/// Relation of the sides (1 the same, -1 turned over) under which one is turned over,
const AGAINST: f32 = -0.85;
/// and over which none is.
const TOGETHER: f32 = 0.25;

/// The low notes over the last seconds of sound.
#[derive(Debug, Default)]
pub(super) struct LowNotes {
    power: f32,
    common: f32,
    all: f32,
    ticks: u32,
}

impl LowNotes {
    /// Takes a tick; gives whether a side is turned over, if that can be told.
    pub(super) fn take(&mut self, tick: &Bands) -> Option<bool> {
        let fade = |sum: &mut f32, x: f32| *sum = FADES * *sum + x;
        fade(&mut self.power, tick[LOW].iter().map(|b| b[0]).sum());
        fade(&mut self.common, tick[LOW].iter().map(|b| b[1]).sum());
        fade(&mut self.all, tick.iter().map(|b| b[0]).sum());
        self.ticks = self.ticks.saturating_add(1);
        if self.ticks < FEWEST_TICKS || self.power < LEAST_PART * self.all {
            return None;
        }
        match self.common / self.power {
            r if r < AGAINST => Some(true),
            r if r > TOGETHER => Some(false),
            _ => None,
        }
    }
}
