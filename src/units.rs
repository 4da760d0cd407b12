//! Units of the core: sample rates, stream time, and the conversions between power, amplitude and decibels.
//!
//! Plain numbers elsewhere carry their unit in the name (`_lufs`, `_lu`, `_dbfs`, `_dbtp`, `_seconds`).
//! Conventions: `None` means "no data"; `f64::NEG_INFINITY` is a real reading, "nothing there at all".

use std::fmt;

/// Hops in a second: the core's smallest step of time is one hop of 10 ms.
pub const HOPS_A_SECOND: u64 = 100;
/// Hops in a tick: conditions are looked at once a tick of 100 ms (10 Hz, as Tech 3341 2.2 asks of S).
pub const HOPS_A_TICK: u64 = 10;
/// Ticks in a second.
pub const TICKS_A_SECOND: u64 = HOPS_A_SECOND / HOPS_A_TICK;
/// Most channels of one feed: 5.1 (BS.1770-5, Annex 1).
pub const MAX_CHANNELS: usize = 6;

/// Sample rate in Hz: 44 100, 48 000, 88 200, 96 000, 176 400 or 192 000.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct SampleRate(u32);

/// The rates that the core measures at, in Hz.
pub const RATES_HZ: [u32; 6] = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000];

/// A sample rate that the core does not measure at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error(
    "sample rate {found_hz} Hz is not one of 44100, 48000, 88200, 96000, 176400, 192000 Hz; set the device, or convert the file, to one of these"
)]
pub struct RateError {
    /// Rate that was asked for, Hz.
    pub found_hz: u32,
}

impl SampleRate {
    /// A rate of `RATES_HZ`.
    ///
    /// # Errors
    /// `RateError` for any other rate.
    pub fn new(hz: u32) -> Result<Self, RateError> {
        if RATES_HZ.contains(&hz) { Ok(Self(hz)) } else { Err(RateError { found_hz: hz }) }
    }
    /// 48 kHz, the rate of most consoles.
    pub const HZ_48000: Self = Self(48_000);
    /// The rate, Hz.
    pub fn hz(self) -> u32 {
        self.0
    }
    /// Frames in one 10 ms hop (441 to 1 920); every rate above divides evenly.
    pub fn hop_frames(self) -> usize {
        (self.0 as u64 / HOPS_A_SECOND) as usize
    }
}

/// Time since the stream began, counted in 10 ms hops of audio (or of audio that should have come).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct StreamTime(pub u64);

impl StreamTime {
    /// Seconds since the stream began.
    pub fn seconds(self) -> f64 {
        self.0 as f64 / HOPS_A_SECOND as f64
    }
    /// The hop nearest to `seconds` (negative becomes 0).
    pub fn from_seconds(seconds: f64) -> Self {
        Self((seconds.max(0.0) * HOPS_A_SECOND as f64).round() as u64)
    }
    /// Seconds from `earlier` to this time; 0 when `earlier` is later.
    pub fn since(self, earlier: Self) -> f64 {
        self.0.saturating_sub(earlier.0) as f64 / HOPS_A_SECOND as f64
    }
}

impl fmt::Display for StreamTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let s = self.0 / HOPS_A_SECOND;
        write!(f, "{}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60)
    }
}

/// Amplitude (1.0 = full scale) to dB; 0 gives minus infinity.
pub fn db_of_amplitude(amplitude: f64) -> f64 {
    20.0 * amplitude.log10()
}

/// Power (1.0 = full-scale square) to dB; 0 gives minus infinity.
pub fn db_of_power(power: f64) -> f64 {
    10.0 * power.log10()
}

/// dB to amplitude.
pub fn amplitude_of_db(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

/// K-weighted, channel-weighted power to LUFS (BS.1770-5, Annex 1): -0.691 + 10 log10(power).
pub fn lufs_of_power(power: f64) -> f64 {
    -0.691 + 10.0 * power.log10()
}

/// LUFS to K-weighted power, the inverse of `lufs_of_power`.
pub fn power_of_lufs(lufs: f64) -> f64 {
    10f64.powf((lufs + 0.691) / 10.0)
}
