//! What the venue has taught: the noise floor that its pauses fall to, and whether its console gates to zero.
//! Persists from service to service; never learns from a fault.

use super::Hearing;
use crate::measure::Reading;
use crate::units::TICKS_A_SECOND;

/// Quiet spells that are remembered.
const SPELLS: usize = 64;
/// Spells before a floor is believed.
const ENOUGH_SPELLS: usize = 5;
/// A pause is quieter than this, LUFS (common practice, tried on synthesised services).
const PAUSE_LUFS: f64 = -52.0;
/// Exact-zero spells that ended by themselves before a site counts as one that gates to zero.
const ZERO_SPELLS: u32 = 3;
/// Shortest pause that teaches, ticks.
const SHORTEST_TICKS: u32 = TICKS_A_SECOND as u32 / 2;
/// Longest pause that teaches, ticks: what lasts longer may be a fault.
const LONGEST_TICKS: u32 = 60 * TICKS_A_SECOND as u32;

/// The habits of one feed.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct Habits {
    /// Lowest 500 ms level of each remembered pause that ended in sound by itself, LUFS, oldest first.
    pub pause_floors_lufs: Vec<f64>,
    /// Pauses of exact zero that ended in sound by themselves.
    pub zero_pauses: u32,
    #[serde(skip)]
    spell: Spell,
}

/// The pause that is open.
#[derive(Debug, Clone, PartialEq, Default)]
struct Spell {
    ticks: u32,
    zero_ticks: u32,
    last: [f64; 5],
    lowest: f64,
}

impl Habits {
    /// Habits kept from earlier services.
    pub fn kept(pause_floors_lufs: Vec<f64>, zero_pauses: u32) -> Self {
        let skip = pause_floors_lufs.len().saturating_sub(SPELLS);
        Self { pause_floors_lufs: pause_floors_lufs[skip..].to_vec(), zero_pauses, spell: Spell::default() }
    }

    /// The floor that the venue's pauses fall to, LUFS: 15th percentile; `None` before 5 pauses.
    pub fn floor_lufs(&self) -> Option<f64> {
        if self.pause_floors_lufs.len() < ENOUGH_SPELLS {
            return None;
        }
        let mut sorted = self.pause_floors_lufs.clone();
        sorted.sort_by(f64::total_cmp);
        Some(sorted[sorted.len() * 15 / 100])
    }

    /// The console closes its gates to exact zero in ordinary pauses.
    pub fn gates_to_zero(&self) -> bool {
        self.zero_pauses >= ZERO_SPELLS
    }

    /// Takes one reading. `fault` says that a warning stands: nothing is learned then.
    pub fn step(&mut self, reading: &Reading, hearing: &Hearing, fault: bool) {
        let level = match reading.tick_lufs {
            Some(level) if !fault && hearing.heard => level,
            _ => {
                self.spell = Spell::default();
                return;
            }
        };
        if level < PAUSE_LUFS {
            let spell = &mut self.spell;
            let zero = reading.stands_still();
            spell.zero_ticks += u32::from(zero);
            spell.last.rotate_left(1);
            spell.last[4] = if zero { f64::NEG_INFINITY } else { level };
            spell.ticks += 1;
            if spell.ticks == 1 {
                spell.lowest = 0.0;
            }
            if spell.ticks >= SHORTEST_TICKS && spell.last.iter().all(|l| l.is_finite()) {
                let mean = spell.last.iter().map(|l| 10f64.powf(l / 10.0)).sum::<f64>() / 5.0;
                spell.lowest = spell.lowest.min(10.0 * mean.log10());
            }
        } else if self.spell.ticks > 0 {
            let spell = std::mem::take(&mut self.spell);
            if spell.ticks < SHORTEST_TICKS || spell.ticks > LONGEST_TICKS {
                return;
            }
            if spell.zero_ticks >= SHORTEST_TICKS {
                self.zero_pauses = self.zero_pauses.saturating_add(1);
            } else if spell.lowest < PAUSE_LUFS {
                if self.pause_floors_lufs.len() == SPELLS {
                    self.pause_floors_lufs.remove(0);
                }
                self.pause_floors_lufs.push(spell.lowest);
            }
        }
    }
}
