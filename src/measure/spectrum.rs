//! The spectrum of one tick: third-octave bands, how noise-like it is, and its purest peaks.
//!
//! A Hann window of 85 to 93 ms at the end of each tick (bins 10.8 or 11.7 Hz wide). Left and right are transformed
//! apart and their powers averaged, so nothing cancels. It closes with the tick, so it never sees how audio was cut.
//! Bands: IEC 61260-1, base-ten mid-band frequencies, 100 Hz to 20 kHz (lower ones need longer windows).

use super::mains::{Mains, MainsEar};
use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use std::sync::{Arc, LazyLock};

/// Third-octave bands: IEC 61260-1 numbers 20 (100 Hz) to 43 (20 kHz).
pub const BANDS: usize = 24;
/// Purest peaks that are told.
pub const PEAKS: usize = 4;
/// Peaks are looked for between these, Hz.
const PEAK_HZ: (f64, f64) = (60.0, 16_000.0);
/// What is below this is DC and rumble, Hz.
const LOWEST_HZ: f64 = 25.0;
/// Noise-likeness is taken from these bands: wide enough, and where hearing is (400 Hz to 10 kHz).
const NOISE_BANDS: std::ops::Range<usize> = 6..21;

/// A spectral peak that stands alone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Frequency, Hz.
    pub hz: f32,
    /// Level, dBFS (a full-scale sine in every channel reads 0).
    pub level_dbfs: f32,
    /// Over the mean of its neighbourhood, dB (per bin).
    pub over_neighbours_db: f32,
    /// Over the stronger of its second and third harmonic, dB.
    pub over_harmonics_db: f32,
}

impl Peak {
    /// No peak.
    pub const NONE: Self =
        Self { hz: 0.0, level_dbfs: f32::NEG_INFINITY, over_neighbours_db: 0.0, over_harmonics_db: 0.0 };
}

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
    /// Peaks that stand alone, the strongest first; the strongest of all comes first even if it has harmonics.
    pub peaks: [Peak; PEAKS],
}

impl Spectrum {
    /// The part of the tick's power that is in `peak`, 0 to 1.
    pub fn share_of(&self, peak: &Peak) -> f64 {
        10f64.powf(f64::from(peak.level_dbfs - self.level_dbfs) / 10.0).min(1.0)
    }
}

/// A transform of one size, with its window.
pub(super) struct Plan {
    size: usize,
    fft: Arc<dyn RealToComplex<f32>>,
    pub(super) hann: Vec<f32>,
}

impl Plan {
    fn new(size: usize) -> Self {
        let step = std::f64::consts::TAU / size as f64;
        let hann = (0..size).map(|n| (0.5 - 0.5 * (step * n as f64).cos()) as f32).collect();
        Self { size, fft: RealFftPlanner::new().plan_fft_forward(size), hann }
    }

    /// Transforms `x` (which is used up) into `out`.
    pub(super) fn run(&self, x: &mut [f32], work: &mut Work) {
        work.scratch.resize(self.fft.get_scratch_len(), Complex::default());
        work.out.resize(self.size / 2 + 1, Complex::default());
        self.fft.process_with_scratch(x, &mut work.out, &mut work.scratch).expect("the lengths are the plan's own");
    }
}

/// Buffers of a transform.
#[derive(Default)]
pub(super) struct Work {
    pub(super) out: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
}

static PLANS: [LazyLock<Plan>; 3] =
    [LazyLock::new(|| Plan::new(4_096)), LazyLock::new(|| Plan::new(8_192)), LazyLock::new(|| Plan::new(16_384))];

/// The plan of `size`: 4 096, 8 192 or 16 384.
pub(super) fn plan(size: usize) -> &'static Plan {
    match size {
        4_096 => &PLANS[0],
        8_192 => &PLANS[1],
        _ => &PLANS[2],
    }
}

/// Takes a feed's ticks apart.
pub struct Analyser {
    plan: &'static Plan,
    mains: MainsEar,
    bin_hz: f64,
    tick_frames: usize,
    /// Left and right of the open tick; further channels are folded onto them.
    sides: Vec<Vec<f32>>,
    work: Work,
    power: Vec<f32>,
    /// First bin of each band, and one past the last.
    edges: [usize; BANDS + 1],
}

impl Analyser {
    /// An analyser for `rate_hz` and `channels`.
    pub fn new(rate_hz: u32, channels: usize) -> Self {
        let tick_frames = rate_hz as usize / 10;
        // The largest power of two in a tick: 4 096 to 16 384.
        let plan = plan(1 << tick_frames.ilog2());
        let bin_hz = f64::from(rate_hz) / plan.size as f64;
        let edge = |b: usize| (10f64.powf((b as f64 + 19.5) / 10.0) / bin_hz).round() as usize;
        Self {
            plan,
            mains: MainsEar::new(rate_hz, channels),
            bin_hz,
            tick_frames,
            sides: vec![Vec::with_capacity(tick_frames); channels.min(2)],
            work: Work::default(),
            power: vec![0.0; plan.size / 2 + 1],
            edges: std::array::from_fn(|b| edge(b).min(plan.size / 2 + 1)),
        }
    }

    /// Takes one hop, interleaved.
    pub fn hop(&mut self, samples: &[f32], channels: usize) {
        match self.sides.as_mut_slice() {
            [left, right] if channels == 2 => {
                for x in samples.as_chunks::<2>().0 {
                    left.push(bounded(x[0]));
                    right.push(bounded(x[1]));
                }
            }
            [one] => one.extend(samples.iter().map(|x| bounded(*x))),
            sides => {
                for frame in samples.chunks_exact(channels) {
                    for (s, side) in sides.iter_mut().enumerate() {
                        side.push(frame.iter().skip(s).step_by(2).map(|x| bounded(*x)).sum());
                    }
                }
            }
        }
    }

    /// Closes the tick: its spectrum, `None` when some of it never came or there is nothing in it, and once a second
    /// a look at the mains.
    pub fn close(&mut self) -> (Option<Spectrum>, Option<Mains>) {
        let whole = self.sides.iter().all(|s| s.len() == self.tick_frames);
        let mains = self.mains.tick(&self.sides, whole);
        let spectrum = if whole { self.look() } else { None };
        self.sides.iter_mut().for_each(Vec::clear);
        (spectrum, mains)
    }

    fn look(&mut self) -> Option<Spectrum> {
        let size = self.plan.size;
        // Sum over a line's main lobe to mean square times two: a full-scale sine reads 1.
        let scale = 4.0 / (size as f32 * size as f32 * 0.375) / self.sides.len() as f32;
        self.power.fill(0.0);
        for side in &mut self.sides {
            let x = &mut side[self.tick_frames - size..];
            x.iter_mut().zip(&self.plan.hann).for_each(|(x, w)| *x *= w);
            self.plan.run(x, &mut self.work);
            self.power.iter_mut().zip(&self.work.out).for_each(|(p, c)| *p += scale * c.norm_sqr());
        }
        let from = (LOWEST_HZ / self.bin_hz).ceil() as usize;
        let total: f32 = self.power[from..].iter().sum();
        if total <= 1e-14 {
            return None;
        }
        let mut bands_dbfs = [f32::NEG_INFINITY; BANDS];
        let (mut flat, mut weight) = (0.0, 0.0);
        for (b, level) in bands_dbfs.iter_mut().enumerate() {
            let bins = &self.power[self.edges[b]..self.edges[b + 1].max(self.edges[b])];
            let sum: f32 = bins.iter().sum();
            *level = db(sum);
            if NOISE_BANDS.contains(&b) && sum > total * 1e-5 {
                flat += flatness(bins, sum) * f64::from(sum);
                weight += f64::from(sum);
            }
        }
        let noise_likeness = if weight > 0.0 { (flat / weight) as f32 } else { 0.0 };
        Some(Spectrum { level_dbfs: db(total), noise_likeness, bands_dbfs, peaks: self.peaks() })
    }

    fn peaks(&self) -> [Peak; PEAKS] {
        let p = &self.power;
        let mut found = [Peak::NONE; PEAKS];
        let bins = (PEAK_HZ.0 / self.bin_hz) as usize..(PEAK_HZ.1 / self.bin_hz) as usize;
        let top = bins.clone().fold(0.0f32, |t, i| t.max(p[i]));
        // 45 dB under the strongest a peak is of no interest.
        let least = (top * 3e-5).max(1e-12);
        for i in bins {
            if p[i] < least || p[i] <= p[i - 1] || p[i] < p[i + 1] {
                continue;
            }
            let around = p[i.saturating_sub(8)..=i - 4].iter().chain(&p[i + 4..=i + 8]).sum::<f32>() / 10.0;
            let strongest = p[i] >= top;
            if !strongest && p[i] < 16.0 * around {
                continue;
            }
            let lobe = lobe(p, i);
            let harmonic = |k: usize| {
                let at = i * k;
                if at + 4 >= p.len() { 0.0 } else { (at - k..=at + k).map(|j| lobe_at(p, j)).fold(0.0, f32::max) }
            };
            let over_harmonics_db = db(lobe / harmonic(2).max(harmonic(3)).max(1e-14));
            if !strongest && over_harmonics_db < 15.0 {
                continue;
            }
            let (a, b, c) = (p[i - 1].max(1e-20).ln(), p[i].ln(), p[i + 1].max(1e-20).ln());
            let bend = a - 2.0 * b + c;
            let shift = if bend < 0.0 { (0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 };
            let peak = Peak {
                hz: ((i as f32 + shift) as f64 * self.bin_hz) as f32,
                level_dbfs: db(lobe),
                over_neighbours_db: db(p[i] / around.max(1e-14)),
                over_harmonics_db,
            };
            if let Some(place) = found.iter().position(|f| peak.level_dbfs > f.level_dbfs) {
                found[place..].rotate_right(1);
                found[place] = peak;
            }
        }
        found
    }
}

/// Recordings in floating point may hold anything: 60 dB over full scale is enough, and squares stay finite.
fn bounded(x: f32) -> f32 {
    x.clamp(-1e3, 1e3)
}

fn db(power: f32) -> f32 {
    10.0 * power.log10()
}

/// Power of the main lobe round bin `i`.
fn lobe(p: &[f32], i: usize) -> f32 {
    p[i - 2..=i + 2].iter().sum()
}

fn lobe_at(p: &[f32], i: usize) -> f32 {
    p[i - 1] + p[i] + p[i + 1]
}

/// Geometric over arithmetic mean of the bins: 1 if all are alike, 0.56 for noise, near 0 for a line.
fn flatness(bins: &[f32], sum: f32) -> f64 {
    // Eight bins to a logarithm: their product stays far inside of f64.
    let logs: f64 = bins.chunks(8).map(|eight| eight.iter().map(|p| f64::from(*p) + 1e-20).product::<f64>().ln()).sum();
    let n = bins.len() as f64;
    (logs / n).exp() / (f64::from(sum) / n)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(rate_hz: u32, channels: usize, wave: impl Fn(f64, usize) -> f64) -> Spectrum {
        let mut analyser = Analyser::new(rate_hz, channels);
        let hop = rate_hz as usize / 100;
        for h in 0..10 {
            let samples: Vec<f32> = (h * hop..(h + 1) * hop)
                .flat_map(|n| (0..channels).map(move |c| (n, c)))
                .map(|(n, c)| wave(n as f64 / f64::from(rate_hz), c) as f32)
                .collect();
            analyser.hop(&samples, channels);
        }
        analyser.close().0.expect("a whole tick")
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
        let mut analyser = Analyser::new(48_000, 2);
        analyser.hop(&[0.1; 960], 2);
        assert_eq!(analyser.close(), (None, None));
        (0..10).for_each(|_| analyser.hop(&[0.0; 960], 2));
        assert_eq!(analyser.close(), (None, None));
    }
}
