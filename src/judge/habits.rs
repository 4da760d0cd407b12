//! What the venue has taught: the noise floor that its pauses fall to, whether its console gates to zero, and for
//! each service its floor, hum and usual level. Persists from service to service; never learns from a fault.
//!
//! The baseline of the floor comes from the first three services and goes down after that, never up: what grows worse
//! by a little every week is still told. A person resets it, when a new fan is there to stay.

use super::Hearing;
use crate::measure::Reading;
use crate::measure::mains::Comb;
use crate::units::{TICKS_A_SECOND, db_of_power};

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
/// Exact zeros in a pause that make it one of a gate that shuts, ticks; with fewer it teaches no floor either.
const ZERO_TICKS: u32 = 3;
/// Change over 500 ms from which a pause still fades: a gate that shuts, a tail; it has no floor yet, dB.
const FADE_DB: f64 = 10.0;
/// Services that are remembered: half a year of weeks.
const SERVICES: usize = 26;
/// Services that make the baseline.
const FIRST_SERVICES: u32 = 3;
/// Part of the way that the baseline goes down to a quieter service.
const DOWNWARDS: f64 = 0.25;
/// Looks at the mains that a service remembers at most (an hour and a half), and that it needs.
const HUM_LOOKS: usize = 5_400;
const ENOUGH_HUM_LOOKS: usize = 20;
/// Longest pause that teaches, ticks: what lasts longer may be a fault.
const LONGEST_TICKS: u32 = 60 * TICKS_A_SECOND as u32;

/// The habits of one feed.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct Habits {
    /// Lowest 500 ms level of each remembered pause that ended in sound by itself, LUFS, oldest first.
    pub pause_floors_lufs: Vec<f64>,
    /// Pauses of exact zero that ended in sound by themselves.
    pub zero_pauses: u32,
    /// What each of the last services was like, oldest first.
    #[serde(default)]
    pub services: Vec<ServiceHabit>,
    /// Services that have taught the baseline.
    #[serde(default)]
    pub baseline_services: u32,
    /// Noise floor of the venue's first services, LUFS; `None` on a new site.
    #[serde(default)]
    pub baseline_floor_lufs: Option<f64>,
    /// Pause floors of the service that is on, LUFS.
    #[serde(skip)]
    floors_lufs: Vec<f64>,
    /// Power of the hum at each look of the service that is on.
    #[serde(skip)]
    hum_powers: Vec<f32>,
    #[serde(skip)]
    spell: Spell,
}

/// What one service was like where no fault was told; for trends.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct ServiceHabit {
    /// Middle of its pauses' floors, LUFS.
    pub floor_lufs: Option<f64>,
    /// Middle of the level of the mains' lines, dBFS.
    pub hum_dbfs: Option<f64>,
    /// Loudness when it plays, LUFS momentary.
    pub usual_lufs: Option<f64>,
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
        Self { pause_floors_lufs: pause_floors_lufs[skip..].to_vec(), zero_pauses, ..Self::default() }
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

    /// A service is over: it teaches the baseline and is remembered. `hearing` is the ear's memory of it.
    pub fn end_service(&mut self, hearing: &Hearing) {
        let mut floors = std::mem::take(&mut self.floors_lufs);
        let mut powers = std::mem::take(&mut self.hum_powers);
        let floor_lufs = (floors.len() >= ENOUGH_SPELLS).then(|| {
            let middle = floors.len() / 2;
            *floors.select_nth_unstable_by(middle, f64::total_cmp).1
        });
        let hum_dbfs = (powers.len() >= ENOUGH_HUM_LOOKS).then(|| {
            let middle = powers.len() / 2;
            db_of_power(f64::from(*powers.select_nth_unstable_by(middle, f32::total_cmp).1))
        });
        let usual_lufs = hearing.usual_lufs();
        if floor_lufs.is_none() && usual_lufs.is_none() {
            return;
        }
        if self.services.len() == SERVICES {
            self.services.remove(0);
        }
        self.services.push(ServiceHabit { floor_lufs, hum_dbfs: hum_dbfs.filter(|h| h.is_finite()), usual_lufs });
        if let Some(floor) = floor_lufs {
            self.teach_baseline(floor);
        }
    }

    fn teach_baseline(&mut self, floor_lufs: f64) {
        let taught = f64::from(self.baseline_services.min(FIRST_SERVICES));
        self.baseline_floor_lufs = Some(match self.baseline_floor_lufs {
            None => floor_lufs,
            Some(b) if self.baseline_services < FIRST_SERVICES => (b * taught + floor_lufs) / (taught + 1.0),
            Some(b) => b + DOWNWARDS * (floor_lufs - b).min(0.0),
        });
        self.baseline_services = self.baseline_services.saturating_add(1);
    }

    /// Takes one reading. `fault` says that a warning stands: nothing is learned then.
    pub fn step(&mut self, reading: &Reading, hearing: &Hearing, fault: bool) {
        if let Some(mains) = reading.mains.as_ref().filter(|_| !fault && self.hum_powers.len() < HUM_LOOKS) {
            let clear = |c: &Comb| c.lines.iter().filter(|l| l.power > 2.0 * l.cover).map(|l| l.power).sum::<f32>();
            self.hum_powers.push(mains.combs.iter().map(clear).fold(0.0, f32::max));
        }
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
            let (least, most) = spell.last.iter().fold((f64::MAX, f64::MIN), |(a, b), l| (a.min(*l), b.max(*l)));
            if spell.ticks >= SHORTEST_TICKS && most - least < FADE_DB {
                let mean = spell.last.iter().map(|l| 10f64.powf(l / 10.0)).sum::<f64>() / 5.0;
                spell.lowest = spell.lowest.min(10.0 * mean.log10());
            }
        } else if self.spell.ticks > 0 {
            let spell = std::mem::take(&mut self.spell);
            if spell.ticks < SHORTEST_TICKS || spell.ticks > LONGEST_TICKS {
                return;
            }
            if spell.zero_ticks >= ZERO_TICKS {
                self.zero_pauses = self.zero_pauses.saturating_add(1);
            } else if spell.zero_ticks == 0 && spell.lowest < PAUSE_LUFS {
                if self.pause_floors_lufs.len() == SPELLS {
                    self.pause_floors_lufs.remove(0);
                }
                self.pause_floors_lufs.push(spell.lowest);
                if self.floors_lufs.len() < 16 * SPELLS {
                    self.floors_lufs.push(spell.lowest);
                }
            }
        }
    }
}
