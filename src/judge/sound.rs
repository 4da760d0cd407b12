//! What has been heard of a feed: whether it plays now, whether it has been heard in this service, and whether
//! there is a reason to expect sound.

use super::ServiceState;
use super::ring::push;
use crate::measure::Reading;
use crate::units::{StreamTime, TICKS_A_SECOND, lufs_of_power, power_of_lufs};
use std::collections::VecDeque;

/// Loudness from which a tick counts as sound, LUFS momentary (own choice: above every room tone, below quiet talk).
pub const SOUND_LUFS: f64 = -48.0;
/// Sound that makes a feed "heard", ticks (own choice: 5 s; a cough or a bumped microphone is less).
const HEARD_TICKS: u32 = 5 * TICKS_A_SECOND as u32;

/// Window of the recent loudness, ticks (30 s): the mix as a viewer remembers it.
const RECENT_TICKS: usize = 30 * TICKS_A_SECOND as usize;
/// Gated blocks in it before it says anything, ticks (12 s).
const RECENT_ENOUGH: usize = 12 * TICKS_A_SECOND as usize;
/// Sound that tells how loud it was before a pause, ticks (5 s).
const LAST_SOUND_TICKS: usize = 5 * TICKS_A_SECOND as usize;
/// Window of the spread, ticks (10 s).
const SPREAD_TICKS: usize = 10 * TICKS_A_SECOND as usize;

/// Why sound is expected of a feed, or that it is not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Expectation {
    /// Nothing heard yet in this service, and no reason to expect anything.
    NotStarted,
    /// The set start has passed by the grace time.
    Overdue,
    /// The room's mix plays.
    HousePlays,
    /// It was heard before in this service.
    Heard,
}

/// The ear's memory of one feed within a service.
#[derive(Debug, Clone, PartialEq)]
pub struct Hearing {
    /// It plays now (some sound within the last second).
    pub plays: bool,
    /// It has been heard in this service.
    pub heard: bool,
    /// When sound was last there.
    pub last_sound: Option<StreamTime>,
    /// Sound of the last 6 s, ticks (0 to 60).
    pub busy_ticks: u32,
    sound_ticks: u32,
    recent: u64,
    /// Momentary powers of the last 30 s, one a tick (400 ms blocks, 75 % overlap).
    blocks: VecDeque<f64>,
    /// Levels of the last 10 s, LUFS, one a tick.
    ticks: VecDeque<f64>,
    recent_lufs: Option<f64>,
    /// Momentary powers of the newest ticks with sound, before a pause of any length.
    last_sound_powers: VecDeque<f64>,
    /// Ticks of sound by loudness, 1 LU wide from `SOUND_LUFS` up.
    loud: [u32; 64],
}

impl Default for Hearing {
    fn default() -> Self {
        Self {
            plays: false,
            heard: false,
            last_sound: None,
            busy_ticks: 0,
            sound_ticks: 0,
            recent: 0,
            blocks: VecDeque::with_capacity(RECENT_TICKS),
            ticks: VecDeque::with_capacity(SPREAD_TICKS),
            recent_lufs: None,
            last_sound_powers: VecDeque::with_capacity(LAST_SOUND_TICKS),
            loud: [0; 64],
        }
    }
}

impl Hearing {
    /// Takes one reading.
    pub fn step(&mut self, reading: &Reading) {
        push(&mut self.ticks, SPREAD_TICKS, reading.tick_lufs.unwrap_or(f64::NAN));
        push(&mut self.blocks, RECENT_TICKS, reading.momentary_lufs.map_or(0.0, power_of_lufs));
        if reading.at.0.is_multiple_of(50) {
            self.recent_lufs = gated(&self.blocks);
        }
        if let Some(m) = reading.momentary_lufs.filter(|m| *m > SOUND_LUFS) {
            self.loud[((m - SOUND_LUFS) as usize).min(63)] += 1;
            push(&mut self.last_sound_powers, LAST_SOUND_TICKS, power_of_lufs(m));
        }
        let sound = reading.momentary_lufs.is_some_and(|m| m > SOUND_LUFS) && !reading.stands_still();
        self.recent = (self.recent << 1 | u64::from(sound)) & ((1 << 60) - 1);
        self.busy_ticks = self.recent.count_ones();
        self.plays = self.recent & 0x3ff != 0;
        if sound {
            self.last_sound = Some(reading.at);
            self.sound_ticks = self.sound_ticks.saturating_add(1);
            self.heard |= self.sound_ticks >= HEARD_TICKS;
        }
    }

    /// The newest tick has sound.
    pub fn sounds_now(&self) -> bool {
        self.recent & 1 == 1
    }

    /// A service ended: what was heard belongs to it.
    pub fn forget(&mut self) {
        (self.heard, self.sound_ticks, self.loud) = (false, 0, [0; 64]);
    }

    /// Loudness of the last second, LUFS; `None` when some of it never came.
    pub fn second_lufs(&self) -> Option<f64> {
        let newest = self.ticks.iter().rev().take(TICKS_A_SECOND as usize);
        let power: f64 = newest.map(|l| power_of_lufs(*l)).sum::<f64>() / TICKS_A_SECOND as f64;
        (self.ticks.len() >= TICKS_A_SECOND as usize && !power.is_nan()).then(|| lufs_of_power(power))
    }

    /// Quietest and loudest of the three ticks before the newest, LUFS.
    pub fn just_before_lufs(&self) -> (f64, f64) {
        let before = self.ticks.iter().rev().skip(1).take(3);
        before.fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), l| (least.min(*l), most.max(*l)))
    }

    /// Spread (standard deviation) of the 100 ms levels of the last 10 s, dB; `None` when there are not 10 s of
    /// them, or some are exact silence.
    pub fn spread_db(&self) -> Option<f64> {
        let n = self.ticks.len() as f64;
        let mean = self.ticks.iter().sum::<f64>() / n;
        if self.ticks.len() < SPREAD_TICKS || !mean.is_finite() {
            return None;
        }
        Some((self.ticks.iter().map(|l| (l - mean) * (l - mean)).sum::<f64>() / n).sqrt())
    }

    /// Loudness of the last 30 s, gated as BS.1770-5 gates a programme, LUFS; `None` with under 12 s of content.
    pub fn recent_lufs(&self) -> Option<f64> {
        self.recent_lufs
    }

    /// How far the last 5 s of sound lay under this feed's usual loudness, LU (0 or more): what a fader that was
    /// pulled takes from the pauses as well.
    pub fn lowered_by_lu(&self) -> f64 {
        let n = self.last_sound_powers.len();
        let last = lufs_of_power(self.last_sound_powers.iter().sum::<f64>() / n.max(1) as f64);
        self.usual_lufs().filter(|_| n == LAST_SOUND_TICKS).map_or(0.0, |usual| (usual - last).max(0.0))
    }

    /// Sound heard in this service, seconds.
    pub fn sound_seconds(&self) -> f64 {
        f64::from(self.sound_ticks) / TICKS_A_SECOND as f64
    }

    /// The loudness that this feed has when it plays in this service: 70th percentile of its sound, LUFS
    /// momentary; `None` before 10 s of sound.
    pub fn usual_lufs(&self) -> Option<f64> {
        let total: u32 = self.loud.iter().sum();
        if total < 10 * TICKS_A_SECOND as u32 {
            return None;
        }
        let mut left = u64::from(total) * 7 / 10;
        for (bin, n) in self.loud.iter().enumerate() {
            if left < u64::from(*n) {
                return Some(SOUND_LUFS + bin as f64 + 0.5);
            }
            left -= u64::from(*n);
        }
        None
    }

    /// Whether sound is expected of this feed now. `house` is the room's mix, if it is listened to.
    pub fn expectation(&self, house: Option<&Hearing>, service: &ServiceState) -> Expectation {
        if self.heard {
            Expectation::Heard
        } else if house.is_some_and(|h| h.heard && h.busy_ticks >= 20) {
            Expectation::HousePlays
        } else if service.overdue {
            Expectation::Overdue
        } else {
            Expectation::NotStarted
        }
    }
}

/// The two-stage gate (BS.1770-5, Annex 1) over these blocks; the lower stage at -60 LUFS, above a room's tone.
fn gated(blocks: &VecDeque<f64>) -> Option<f64> {
    let mean_above = |threshold: f64| {
        let (n, sum) = blocks.iter().filter(|p| **p > threshold).fold((0usize, 0.0), |(n, s), p| (n + 1, s + p));
        (n >= RECENT_ENOUGH).then(|| sum / n as f64)
    };
    let first = mean_above(power_of_lufs(-60.0))?;
    mean_above(first / 10.0).map(lufs_of_power)
}
