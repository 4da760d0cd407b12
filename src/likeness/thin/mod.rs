//! Any of the measured rates to the 24 kHz at which two feeds are compared, in whole hops: 10 ms in, 240 frames out.
//!
//! A windowed-sinc low-pass (Kaiser window): flat to 7.5 kHz, 60 dB down from 16.5 kHz, where the first alias would
//! fall into the compared bands, and where sound is soft. Both feeds pass the same filter, so it biases nothing, and it
//! is as late at every rate.

mod half_band;
mod polyphase;

use crate::measure::kaiser::kaiser;
use crate::units::{HOPS_A_SECOND, SampleRate};
use half_band::HalfBand;
use polyphase::Polyphase;

/// Rate of the comparison, Hz.
pub const WORK_HZ: u32 = 24_000;
/// Frames of a hop at that rate.
pub const WORK_HOP: usize = (WORK_HZ as u64 / HOPS_A_SECOND) as usize;
/// Middle of the transition band, Hz.
const CUT_HZ: f64 = 12_000.0;
/// Width of the transition band, Hz.
const TRANSITION_HZ: f64 = 9_000.0;
/// How far what would fold is taken down, dB.
const DOWN_DB: f64 = 60.0;
/// Kaiser's beta for it.
const BETA: f64 = 0.1102 * (DOWN_DB - 8.7);
/// How late what is made is, seconds.
const LATE: f64 = half_band::REACH as f64 / 48_000.0;

/// One channel's way to the work rate.
#[derive(Debug, Clone)]
pub enum Thin {
    /// From 48 kHz.
    HalfBand(HalfBand),
    /// From any other rate.
    Polyphase(Polyphase),
}

impl Thin {
    /// For audio at `rate`.
    pub fn new(rate: SampleRate) -> Self {
        match rate {
            SampleRate::HZ_48000 => Self::HalfBand(HalfBand::new()),
            rate => Self::Polyphase(Polyphase::new(rate)),
        }
    }

    /// One hop of as many samples as the rate has in 10 ms; `out` (240 or more) takes what they become.
    pub fn hop(&mut self, hop: Channel<'_>, out: &mut [f32]) {
        match self {
            Self::HalfBand(filter) => filter.hop(hop, out),
            Self::Polyphase(filter) => filter.hop(hop, out),
        }
    }
}

/// One channel of an interleaved hop.
#[derive(Debug, Clone, Copy)]
pub struct Channel<'a> {
    /// All channels.
    pub samples: &'a [f32],
    /// How many there are.
    pub width: usize,
    /// Which one it is.
    pub at: usize,
}

impl Channel<'_> {
    fn samples(&self) -> impl Iterator<Item = f32> {
        self.samples.iter().skip(self.at).step_by(self.width).copied()
    }
}

/// The low-pass for audio at `rate_hz`, `at` samples from its middle and as wide as `half` to either side.
fn lowpass(at: f64, half: f64, rate_hz: f64) -> f64 {
    let x = std::f64::consts::TAU * CUT_HZ / rate_hz * at;
    let sinc = if x.abs() < 1e-9 { 1.0 } else { x.sin() / x };
    sinc * kaiser(at / half, BETA)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::RATES_HZ;

    /// A sine of `hz` behind the filter: its level, dB re that before, and how late it is, seconds.
    fn passed(rate_hz: u32, hz: f64) -> (f64, f64) {
        let rate = SampleRate::new(rate_hz).unwrap();
        let mut thin = Thin::new(rate);
        let turn = |at: f64| std::f64::consts::TAU * hz * at;
        let (mut n, mut count, mut energy, mut parts) = (0u64, 0u64, 0.0, [0.0; 2]);
        for hop in 0..50 {
            let frames = n..n + rate.hop_frames() as u64;
            n = frames.end;
            let samples: Vec<f32> =
                frames.flat_map(|n| [0.7, turn(n as f64 / f64::from(rate_hz)).sin() as f32]).collect();
            let mut out = [0.0; WORK_HOP];
            thin.hop(Channel { samples: &samples, width: 2, at: 1 }, &mut out);
            for (i, y) in out.into_iter().map(f64::from).enumerate().filter(|_| hop > 9) {
                let now = turn((hop * WORK_HOP + i) as f64 / f64::from(WORK_HZ));
                (count, energy) = (count + 1, energy + y * y);
                parts = [parts[0] + y * now.sin(), parts[1] - y * now.cos()];
            }
        }
        let late = parts[1].atan2(parts[0]) / turn(1.0);
        (10.0 * (2.0 * energy / count as f64).log10(), late)
    }

    #[test]
    fn every_rate_keeps_the_compared_bands_is_as_late_and_drops_what_would_fold_into_them() {
        for rate_hz in RATES_HZ {
            for hz in [100.0, 1_000.0, 7_200.0] {
                let (db, late) = passed(rate_hz, hz);
                let whole = (LATE * hz).round() / hz;
                assert!((late - LATE + whole).abs() < 1e-7, "{rate_hz} Hz: {hz} Hz is {late} s late");
                assert!(db.abs() < 0.02, "{rate_hz} Hz: {hz} Hz passes at {db} dB");
            }
            for hz in [17_000.0, 20_000.0] {
                let db = passed(rate_hz, hz).0;
                assert!(db < -57.0, "{rate_hz} Hz: {hz} Hz passes at {db} dB");
            }
        }
    }
}
