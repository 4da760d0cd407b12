//! What limiters of eight settings take from a sound, moment by moment.

use crate::likeness::spectra::STEP;
use crate::likeness::statistics::percentile;
use crate::likeness::thin::WORK_HZ;
use crate::measure::simd::{F32x8, Kernel, Lanes, Simd};

/// Peaks of the house in one moment.
pub const PEAKS: usize = 8;
/// Peaks under a moment's window, which is two moments long.
pub(super) const WINDOW: usize = 2 * PEAKS;
/// Seconds from one peak to the next.
const PEAK_SECONDS: f64 = (STEP / PEAKS) as f64 / WORK_HZ as f64;
/// Width of the knee, dB (common practice).
const KNEE_DB: f32 = 6.0;
/// Settings that are tried together.
pub(super) const TOGETHER: usize = 8;

/// A compressor's setting, but for its ratio.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Setting {
    /// Over the loud, dB.
    pub(super) threshold_db: f64,
    /// Seconds.
    pub(super) attack: f64,
    /// Seconds, not fewer than those of the attack.
    pub(super) release: f64,
    /// 0 where it goes by peaks, 1 by the mean square; what goes by peaks, and takes its time, is between.
    pub(super) by_square: f64,
}

/// What the compressor hears.
pub(super) struct Sound {
    peaks: Vec<f32>,
    crests: Vec<f32>,
    /// The loud, by peaks and by mean squares, dBFS.
    loud_db: [f64; 2],
    /// For each moment but the last the part that each peak under its window has of the power there. The window
    /// begins half a moment before the moment's own peaks.
    shares: Vec<[f32; WINDOW]>,
}

impl Sound {
    /// Of peaks, dBFS, and their crests, dB; a moment at least.
    pub(super) fn new(peaks: Vec<f32>, crests: Vec<f32>) -> Self {
        let loud = |by_square: f32| {
            let mut levels: Vec<f64> = peaks.iter().zip(&crests).map(|(p, c)| f64::from(p - by_square * c)).collect();
            percentile(&mut levels, 0.95)
        };
        let window: [f32; WINDOW] =
            std::array::from_fn(|i| (std::f32::consts::PI * (i as f32 + 0.5) / WINDOW as f32).sin().powi(4));
        let powers: Vec<f32> = peaks.iter().map(|p| 10f32.powf(p / 10.0)).collect();
        let share = |moment: usize| {
            // Before the first is nothing.
            let power = |i: usize| (moment * PEAKS + i).checked_sub(PEAKS / 2).map_or(0.0, |at| powers[at]);
            let under: [f32; WINDOW] = std::array::from_fn(|i| window[i] * power(i));
            let sum: f32 = under.iter().sum();
            under.map(|p| p / sum)
        };
        let shares = (0..peaks.len() / PEAKS - 1).map(share).collect();
        Self { loud_db: [loud(0.0), loud(1.0)], peaks, crests, shares }
    }

    fn threshold_db(&self, s: &Setting) -> f64 {
        s.threshold_db + (1.0 - s.by_square) * self.loud_db[0] + s.by_square * self.loud_db[1]
    }
}

/// What limiters of eight settings take from each moment, dB: as the spectra see it, by the window and the power.
pub(super) struct Taken<'a> {
    pub(super) sound: &'a Sound,
    pub(super) settings: [Setting; TOGETHER],
}

impl Kernel for Taken<'_> {
    type Output = Vec<[f32; TOGETHER]>;

    #[inline(always)]
    fn run<S: Simd>(self) -> Self::Output {
        let Self { sound, settings } = self;
        let keep = |seconds: f64| (-PEAK_SECONDS / seconds).exp() as f32;
        let threshold = S::F32::load(&settings.map(|s| sound.threshold_db(&s) as f32));
        let rising = S::F32::load(&settings.map(|s| keep(s.attack)));
        let falling = S::F32::load(&settings.map(|s| keep(s.release)));
        let one = S::F32::splat(1.0);
        let (rise, fall) = (one.sub(rising), one.sub(falling));
        let by_square = S::F32::load(&settings.map(|s| s.by_square as f32));
        let (zero, half, knee) = (S::F32::splat(0.0), S::F32::splat(KNEE_DB / 2.0), S::F32::splat(KNEE_DB));
        let parabola = S::F32::splat(0.5 / KNEE_DB);
        let mut out = Vec::with_capacity(sound.shares.len());
        let mut now = zero;
        // Sums of two windows: of the one the first half is under way, of the one before it the second.
        let (mut first, mut second) = (zero, zero);
        for (at, (peak, crest)) in sound.peaks.iter().zip(&sound.crests).enumerate() {
            let level = S::F32::splat(*peak).sub(by_square.mul(S::F32::splat(*crest)));
            let over = level.sub(threshold);
            let bent = over.add(half).max(zero).min(knee);
            // A parabola within the knee, straight above.
            let want = bent.mul(bent).mul(parabola).add(over.sub(half).max(zero));
            // The slower of the two ways is nearer to where it was from above, and the quicker one from below.
            now = rising.mul(now).add(rise.mul(want)).max(falling.mul(now).add(fall.mul(want)));
            let (window, place) = ((at + PEAKS / 2) / PEAKS, (at + PEAKS / 2) % PEAKS);
            if place == 0 {
                if window >= 2 {
                    out.push(second.lanes());
                }
                (first, second) = (zero, first);
            }
            if let Some(shares) = sound.shares.get(window) {
                first = first.add(now.mul(S::F32::splat(shares[place])));
            }
            if window >= 1 {
                let share = sound.shares.get(window - 1).map_or(0.0, |shares| shares[PEAKS + place]);
                second = second.add(now.mul(S::F32::splat(share)));
            }
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::super::TIMES;
    use super::*;
    use crate::measure::simd::Isa;

    #[test]
    fn all_instruction_sets_take_the_same() {
        let peaks: Vec<f32> =
            (0..400u32).map(|i| -30.0 + (i.wrapping_mul(2_654_435_761) >> 24) as f32 / 10.0).collect();
        let sound = Sound::new(peaks, vec![6.0; 400]);
        let settings = TIMES.map(|(attack, release)| Setting { threshold_db: -9.0, attack, release, by_square: 0.3 });
        let all: Vec<_> = Isa::all().into_iter().map(|isa| isa.run(Taken { sound: &sound, settings })).collect();
        assert!(all.iter().all(|taken| *taken == all[0] && taken.len() == sound.shares.len()));
        assert!(all[0].iter().flatten().any(|x| *x > 1.0));
    }
}
