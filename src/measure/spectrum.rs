//! The spectrum of one tick: third-octave bands, how noise-like it is, and its purest peaks.
//!
//! A Hann window of 85 to 93 ms at the end of each tick (bins 10.8 or 11.7 Hz wide). The powers of left and right are
//! averaged, so nothing cancels. It closes with the tick, so it never sees how audio was cut.
//! Bands: IEC 61260-1, base-ten mid-band frequencies, 100 Hz to 20 kHz (lower ones need longer windows).

use super::mains::{Mains, MainsEar};
use super::peaks;
pub use super::peaks::{PEAKS, Peak};
use super::simd::{F32x8, Isa, Kernel, Lanes, Simd};
use super::transform::{Bins, Plan, Work, plan};

/// Third-octave bands: IEC 61260-1 numbers 20 (100 Hz) to 43 (20 kHz).
pub const BANDS: usize = 24;
/// Recordings in floating point may hold anything: 60 dB over full scale is enough, and squares stay finite.
const MOST: f32 = 1e3;
/// What is below this is DC and rumble, Hz.
const LOWEST_HZ: f64 = 25.0;
/// Noise-likeness is taken from these bands: wide enough, and where hearing is (400 Hz to 10 kHz).
const NOISE_BANDS: std::ops::Range<usize> = 6..21;

/// The spectrum of one tick.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spectrum {
    /// Level of all above 25 Hz, dBFS (a full-scale sine in every channel reads 0).
    pub level_dbfs: f32,
    /// 0 (tones) to 0.56 and more (any steady noise: white, pink, a fan): spectral flatness within third-octave
    /// bands, weighted by their power.
    pub noise_likeness: f32,
    /// Third-octave levels, dBFS, 100 Hz upwards.
    pub bands_dbfs: [f32; BANDS],
    /// Left's part of each band's power, 0 to 1; 0.5 where there is one channel or nothing in the band.
    pub left_share: [f32; BANDS],
    /// How alike the sides are in each band: 1 the same, 0 unlike, -1 the same but turned over; 0 where there is one
    /// channel or nothing in the band.
    pub alike: [f32; BANDS],
    /// Peaks that stand alone, the strongest first; the strongest of all comes first even if it has harmonics.
    pub peaks: [Peak; PEAKS],
}

impl Spectrum {
    /// Power of a band (1 is a full-scale sine in every channel).
    pub fn band_power(&self, band: usize) -> f32 {
        10f32.powf(self.bands_dbfs[band] / 10.0)
    }

    /// The part of the tick's power that is in `peak`, 0 to 1.
    pub fn share_of(&self, peak: &Peak) -> f64 {
        10f64.powf(f64::from(peak.level_dbfs - self.level_dbfs) / 10.0).min(1.0)
    }
}

/// Takes a feed's ticks apart.
pub struct Analyser {
    isa: Isa,
    plan: &'static Plan,
    mains: MainsEar,
    bin_hz: f64,
    tick_frames: usize,
    /// Left and right, where more channels are folded onto them or samples are held at `MOST`.
    sides: [Vec<f32>; 2],
    work: Work,
    /// First bin of each band, and one past the last.
    edges: [usize; BANDS + 1],
}

impl Analyser {
    /// An analyser for `rate_hz` and `channels`.
    pub fn new(isa: Isa, rate_hz: u32, channels: usize) -> Self {
        let tick_frames = rate_hz as usize / 10;
        // The largest power of two in a tick: 4 096 to 16 384.
        let plan = plan(1 << tick_frames.ilog2());
        let bin_hz = f64::from(rate_hz) / plan.size() as f64;
        let edge = |b: usize| (10f64.powf((b as f64 + 19.5) / 10.0) / bin_hz).round() as usize;
        Self {
            isa,
            plan,
            mains: MainsEar::new(isa, rate_hz, channels),
            bin_hz,
            tick_frames,
            sides: Default::default(),
            work: Work::new(isa),
            edges: std::array::from_fn(|b| edge(b).min(plan.size() / 2 + 1)),
        }
    }

    /// Takes the samples of one tick, channel by channel; `peak` is the largest |sample| in it. Gives its spectrum,
    /// `None` when some of it never came (a channel is shorter than a tick) or there is nothing in it, and once a
    /// second a look at the mains.
    pub fn tick(&mut self, channels: &[&[f32]], peak: f32) -> (Option<Spectrum>, Option<Mains>) {
        if channels.iter().any(|c| c.len() < self.tick_frames) {
            self.mains.interrupted();
            return (None, None);
        }
        if channels.len() <= 2 && peak <= MOST {
            return self.look(channels);
        }
        let mut sides = std::mem::take(&mut self.sides);
        for (s, side) in sides.iter_mut().enumerate() {
            side.clear();
            side.resize(self.tick_frames, 0.0);
            for channel in channels.iter().skip(s).step_by(2) {
                side.iter_mut().zip(*channel).for_each(|(to, x)| *to += x.clamp(-MOST, MOST));
            }
        }
        let folded = [sides[0].as_slice(), sides[1].as_slice()];
        let looked = self.look(&folded[..channels.len().min(2)]);
        self.sides = sides;
        looked
    }

    fn look(&mut self, sides: &[&[f32]]) -> (Option<Spectrum>, Option<Mains>) {
        let mains = self.mains.tick(sides);
        let size = self.plan.size();
        // Sum over a line's main lobe to mean square times two: a full-scale sine reads 1.
        let scale = 4.0 / (size as f32 * size as f32 * 0.375) / sides.len() as f32;
        let last = sides.iter().map(|side| &side[self.tick_frames - size..]);
        self.plan.transform(last, &self.plan.hann, &mut self.work);
        self.work.separate(scale, sides.len() == 2);
        (self.isa.run(Bands { analyser: self, two_sides: sides.len() == 2 }), mains)
    }

    #[inline(always)]
    fn spectrum<S: Simd>(&self, two_sides: bool) -> Option<Spectrum> {
        let Bins { power, leaning, common } = &self.work.bins;
        let from = (LOWEST_HZ / self.bin_hz).ceil() as usize;
        let total = sum::<S>(&power[from..]);
        if total <= 1e-14 {
            return None;
        }
        let mut bands_dbfs = [f32::NEG_INFINITY; BANDS];
        let (mut left_share, mut alike) = ([0.5; BANDS], [0.0; BANDS]);
        let (mut flat, mut weight) = (0.0, 0.0);
        for b in 0..BANDS {
            let range = self.edges[b]..self.edges[b + 1].max(self.edges[b]);
            let bins = &power[range.clone()];
            let band = sum::<S>(bins);
            bands_dbfs[b] = db(band);
            if two_sides && band > 0.0 {
                left_share[b] = (0.5 + 0.5 * sum::<S>(&leaning[range.clone()]) / band).clamp(0.0, 1.0);
                alike[b] = (sum::<S>(&common[range]) / band).clamp(-1.0, 1.0);
            }
            if NOISE_BANDS.contains(&b) && band > total * 1e-5 {
                flat += flatness(bins, band) * f64::from(band);
                weight += f64::from(band);
            }
        }
        let noise_likeness = if weight > 0.0 { (flat / weight) as f32 } else { 0.0 };
        let peaks = peaks::purest(power, self.bin_hz);
        Some(Spectrum { level_dbfs: db(total), noise_likeness, bands_dbfs, left_share, alike, peaks })
    }
}

struct Bands<'a> {
    analyser: &'a Analyser,
    two_sides: bool,
}

impl Kernel for Bands<'_> {
    type Output = Option<Spectrum>;

    #[inline(always)]
    fn run<S: Simd>(self) -> Option<Spectrum> {
        self.analyser.spectrum::<S>(self.two_sides)
    }
}

/// Sum, eight apart.
#[inline(always)]
fn sum<S: Simd>(bins: &[f32]) -> f32 {
    let (eights, rest) = bins.as_chunks::<8>();
    let lanes = eights.iter().fold(S::F32::splat(0.0), |sum, eight| sum.add(S::F32::load(eight)));
    lanes.sum() + rest.iter().sum::<f32>()
}

pub(super) fn db(power: f32) -> f32 {
    10.0 * power.log10()
}

/// Geometric over arithmetic mean of the bins: 1 if all are alike, 0.56 for noise, near 0 for a line.
#[inline(always)]
fn flatness(bins: &[f32], sum: f32) -> f64 {
    // The logarithm of a product: exponents add up, mantissas (1 to 2) multiply, and a band has too few bins for
    // their product to leave f32 in any of the eight lanes.
    const MANTISSA: u32 = 0x007f_ffff;
    const ONE: u32 = 0x3f80_0000;
    let (mut exponents, mut mantissas) = ([0u32; 8], [1.0f32; 8]);
    let mut take = |lane: usize, power: f32| {
        let bits = (power + 1e-20).to_bits();
        exponents[lane] += bits >> 23;
        mantissas[lane] *= f32::from_bits(bits & MANTISSA | ONE);
    };
    let (eights, rest) = bins.as_chunks::<8>();
    for eight in eights {
        (0..8).for_each(|lane| take(lane, eight[lane]));
    }
    rest.iter().enumerate().for_each(|(lane, power)| take(lane, *power));
    let n = bins.len() as f64;
    let mantissa: f64 = mantissas.iter().map(|m| f64::from(*m)).product();
    let log2 = f64::from(exponents.iter().sum::<u32>()) - 127.0 * n + mantissa.log2();
    (log2 / n).exp2() / (f64::from(sum) / n)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(rate_hz: u32, channels: usize, wave: impl Fn(f64, usize) -> f64) -> Spectrum {
        let mut analyser = Analyser::new(Isa::best(), rate_hz, channels);
        let frames = 0..rate_hz as usize / 10;
        let channel =
            |c: usize| -> Vec<f32> { frames.clone().map(|n| wave(n as f64 / f64::from(rate_hz), c) as f32).collect() };
        let tick: Vec<Vec<f32>> = (0..channels).map(channel).collect();
        let channels: Vec<&[f32]> = tick.iter().map(Vec::as_slice).collect();
        analyser.tick(&channels, 1.0).0.expect("a whole tick")
    }

    #[test]
    fn a_tone_reads_its_frequency_and_level_at_every_rate() {
        for rate_hz in crate::units::RATES_HZ {
            for channels in [1, 2, 6] {
                // Six channels fold to two sides of three: take a third each.
                let amplitude = if channels == 6 { 0.1 / 3.0 } else { 0.1 };
                let s = of(rate_hz, channels, |t, _| amplitude * (std::f64::consts::TAU * 1_003.0 * t).sin());
                let peak = s.peaks[0];
                assert!((peak.hz - 1_003.0).abs() < 0.5, "{rate_hz} Hz: {peak:?}");
                assert!((peak.level_dbfs + 20.0).abs() < 0.1, "{rate_hz} Hz: {peak:?}");
                assert!(s.share_of(&peak) > 0.99 && peak.over_harmonics_db > 60.0, "{rate_hz} Hz: {peak:?}");
                // 1 003 Hz is in the band of 1 kHz, the eleventh from 100 Hz.
                assert!((s.bands_dbfs[10] + 20.0).abs() < 0.2, "{:?}", s.bands_dbfs);
                assert!(s.noise_likeness < 0.05);
            }
        }
    }

    #[test]
    fn the_sides_parts_of_each_band_are_told_apart() {
        let sine = |hz: f64, t: f64| (std::f64::consts::TAU * hz * t).sin();
        // At 1 kHz left and right alike but turned, at 4 kHz left 10 dB over right.
        let s = of(48_000, 2, |t, c| match c {
            0 => 0.1 * sine(1_003.0, t) + 0.1 * sine(4_003.0, t),
            _ => -0.1 * sine(1_003.0, t) + 0.1 * 10f64.powf(-0.5) * sine(4_003.0, t + 0.3),
        });
        assert!((s.left_share[10] - 0.5).abs() < 1e-3 && (s.left_share[16] - 10.0 / 11.0).abs() < 1e-3, "{s:?}");
        // At 4 kHz the right is 0.3 s behind, 1 200.9 turns: most of a turn is left, cos(0.9 turns) = 0.81, and
        // sides 10 dB apart have 2 / (10^0.5 + 10^-0.5) of it in common.
        assert!((s.alike[10] + 1.0).abs() < 1e-3 && (s.alike[16] - 0.81 * 0.575).abs() < 0.01, "{s:?}");
        let s = of(48_000, 1, |t, _| 0.1 * sine(1_003.0, t));
        assert_eq!((s.left_share, s.alike), ([0.5; BANDS], [0.0; BANDS]));
    }

    #[test]
    fn sides_in_opposite_phase_do_not_cancel_and_noise_is_noise() {
        let s = of(48_000, 2, |t, c| if c == 0 { 0.1 } else { -0.1 } * (std::f64::consts::TAU * 440.0 * t).sin());
        assert!((s.peaks[0].level_dbfs + 20.0).abs() < 0.1);
        let mut seed = 1u64;
        let noise: Vec<f64> = (0..9_600)
            .map(|_| {
                seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                (seed >> 11) as f64 / (1u64 << 52) as f64 - 1.0
            })
            .collect();
        let s = of(48_000, 2, |t, c| 0.1 * noise[2 * (t * 48_000.0).round() as usize + c]);
        assert!(s.noise_likeness > 0.5, "{}", s.noise_likeness);
        // White noise of amplitude 0.1 has mean square 0.1²/3, twice that in these decibels.
        assert!((s.level_dbfs - 10.0 * (0.02f32 / 3.0).log10()).abs() < 0.3, "{}", s.level_dbfs);
    }

    #[test]
    fn a_tick_with_a_hole_and_one_of_zeros_have_no_spectrum() {
        let mut analyser = Analyser::new(Isa::best(), 48_000, 2);
        assert_eq!(analyser.tick(&[&[0.1f32; 4_320][..]; 2], 0.1), (None, None));
        assert_eq!(analyser.tick(&[&[0.0f32; 4_800][..]; 2], 0.0), (None, None));
    }

    #[test]
    fn huge_samples_are_held_and_give_finite_figures() {
        let mut analyser = Analyser::new(Isa::best(), 48_000, 2);
        let huge: Vec<f32> = (0..4_800).map(|n| if n % 4 < 2 { 1e30 } else { -1e30 }).collect();
        let s = analyser.tick(&[&huge, &huge], 1e30).0.expect("a whole tick");
        assert!((s.level_dbfs - 63.0).abs() < 0.1, "{}", s.level_dbfs);
    }
}
