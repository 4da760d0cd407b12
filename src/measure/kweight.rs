//! K-weighting of all channels of a feed, hop by hop: the filters of `kfilter`, two frames side by side.

use super::kfilter::{Biquad, KFilter};
use super::kstages::Stages;
use super::simd::Simd;
use crate::units::{MAX_CHANNELS, SampleRate};

/// Frames of second differences that an output depends on, beside its own.
pub(super) const PAST: usize = 6;
/// Filter memory below this is set to 0 at a hop's end, so that a silence never runs on denormals.
const NOTHING: f64 = 1e-30;

/// The same filter with each denominator D(z) multiplied by D(-z), above and below: a frame then depends on the
/// frames two and four before it, so that two frames of all channels are computed side by side. The high-pass's
/// numerator 1 -2 1 is taken first, as a second difference, which is exact: a constant leaves nothing behind.
#[derive(Debug, Clone, Copy)]
pub(super) struct LookAhead {
    /// The other zeros: the shelf's numerator times both D(-z), divided by its first factor, so that one is 1.
    pub(super) taps: [f64; PAST + 1],
    /// The square of that factor, which the sums are multiplied with at a hop's end.
    power: f64,
    /// Of the shelf: what the outputs two and four frames before are multiplied with.
    pub(super) shelf: [f64; 2],
    /// Of the high-pass.
    pub(super) high_pass: [f64; 2],
}

impl LookAhead {
    fn new(f: &KFilter) -> Self {
        let mirrored = |s: &Biquad| [1.0, -s.a[0], s.a[1]];
        let mut taps = [0.0; PAST + 1];
        for (i, p) in f.shelf.b.iter().enumerate() {
            for (j, q) in mirrored(&f.shelf).iter().enumerate() {
                for (k, r) in mirrored(&f.high_pass).iter().enumerate() {
                    taps[i + j + k] += p * q * r;
                }
            }
        }
        let doubled = |s: &Biquad| [2.0 * s.a[1] - s.a[0] * s.a[0], s.a[1] * s.a[1]];
        let gain = taps[0];
        let taps = taps.map(|t| t / gain);
        Self { taps, power: gain * gain, shelf: doubled(&f.shelf), high_pass: doubled(&f.high_pass) }
    }
}

/// Sums over one hop of K-weighted samples.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct KSums {
    /// Sum of squares, per channel.
    pub square: [f64; MAX_CHANNELS],
    /// Sum of left times right (stereo; else 0).
    pub cross: f64,
}

/// The K-weighting of all channels of one feed.
#[derive(Debug, Clone)]
pub struct KBank {
    filter: LookAhead,
    channels: usize,
    /// The last two frames.
    frames: [f64; 2 * MAX_CHANNELS],
    /// Second differences: those of the last `PAST` frames, then the hop's.
    bent: Vec<f64>,
    /// Last four outputs of each stage, interleaved.
    shelf: [f64; 4 * MAX_CHANNELS],
    high_pass: [f64; 4 * MAX_CHANNELS],
}

impl KBank {
    /// Silence before the first sample; 1 to 6 channels.
    pub fn new(rate: SampleRate, channels: usize) -> Self {
        Self {
            filter: LookAhead::new(&KFilter::new(rate)),
            channels,
            frames: [0.0; 2 * MAX_CHANNELS],
            bent: vec![0.0; (PAST + rate.hop_frames()) * channels],
            shelf: [0.0; 4 * MAX_CHANNELS],
            high_pass: [0.0; 4 * MAX_CHANNELS],
        }
    }

    /// Takes one hop, interleaved.
    #[inline(always)]
    pub fn hop<S: Simd>(&mut self, samples: &[f32]) -> KSums {
        match self.channels {
            1 => self.any::<1>(samples),
            2 => self.stereo::<S>(samples),
            3 => self.any::<3>(samples),
            4 => self.any::<4>(samples),
            5 => self.any::<5>(samples),
            _ => self.any::<6>(samples),
        }
    }

    /// Two frames of two channels side by side: L R L R.
    #[inline(always)]
    fn stereo<S: Simd>(&mut self, samples: &[f32]) -> KSums {
        let (pairs, rest) = samples.as_chunks::<4>();
        let mut stages = Stages::<S>::new(&self.filter, &self.frames, &self.bent, &self.shelf, &self.high_pass);
        let mut sums = stages.hop(pairs);
        stages.keep(&mut self.frames, &mut self.shelf, &mut self.high_pass);
        let last = &samples[4 * pairs.len() - 2 * (PAST + 2)..];
        for i in 0..2 * PAST {
            self.bent[i] = bend(last[i], last[i + 2], last[i + 4]);
        }
        // A hop of 441 frames leaves one.
        if !rest.is_empty() {
            self.bend::<2>(rest);
            self.frames::<2>(rest.len() / 2, &mut sums);
        }
        self.settle::<2>(&mut sums);
        sums
    }

    /// Frame by frame, `C` channels side by side.
    #[inline(always)]
    fn any<const C: usize>(&mut self, samples: &[f32]) -> KSums {
        self.bend::<C>(samples);
        let mut sums = KSums::default();
        self.frames::<C>(samples.len() / C, &mut sums);
        self.settle::<C>(&mut sums);
        sums
    }

    /// Takes the first `count` second differences, and puts the last `PAST` back to the beginning.
    #[inline(always)]
    fn frames<const C: usize>(&mut self, count: usize, sums: &mut KSums) {
        let f = self.filter;
        let mut y = memory::<C>(&self.shelf);
        let mut z = memory::<C>(&self.high_pass);
        let mut square = [0.0; C];
        for window in self.bent[..(PAST + count) * C].windows((PAST + 1) * C).step_by(C) {
            let (mut shelf, mut high_pass) = ([0.0; C], [0.0; C]);
            for c in 0..C {
                let mut u = window[PAST * C + c];
                for (k, tap) in f.taps.iter().enumerate().skip(1) {
                    u += window[(PAST - k) * C + c] * tap;
                }
                shelf[c] = (u - y[0][c] * f.shelf[1]) - y[2][c] * f.shelf[0];
                high_pass[c] = (shelf[c] - z[0][c] * f.high_pass[1]) - z[2][c] * f.high_pass[0];
                square[c] += high_pass[c] * high_pass[c];
            }
            y = [y[1], y[2], y[3], shelf];
            z = [z[1], z[2], z[3], high_pass];
            if C == 2 {
                sums.cross += high_pass[0] * high_pass[C - 1];
            }
        }
        self.shelf[..4 * C].copy_from_slice(y.as_flattened());
        self.high_pass[..4 * C].copy_from_slice(z.as_flattened());
        self.bent.copy_within(count * C..(PAST + count) * C, 0);
        sums.square.iter_mut().zip(square).for_each(|(sum, s)| *sum += s);
    }

    /// The second differences of `samples`.
    #[inline(always)]
    fn bend<const C: usize>(&mut self, samples: &[f32]) {
        let bent = &mut self.bent[PAST * C..PAST * C + samples.len()];
        let frames = self.frames;
        let with_past = |i: usize| if i < 2 * C { frames[i] as f32 } else { samples[i - 2 * C] };
        let early = bent.len().min(2 * C);
        for (i, to) in bent[..early].iter_mut().enumerate() {
            *to = bend(with_past(i), with_past(i + C), with_past(i + 2 * C));
        }
        let newest = samples[early..].iter().zip(&samples[C.min(early)..]).zip(samples);
        for (to, ((newest, newer), older)) in bent[early..].iter_mut().zip(newest) {
            *to = bend(*older, *newer, *newest);
        }
        for (i, x) in self.frames[..2 * C].iter_mut().enumerate() {
            *x = f64::from(with_past(samples.len() + i));
        }
    }

    /// At a hop's end: memory of next to nothing goes, and the sums get the gain that the taps left out.
    #[inline(always)]
    fn settle<const C: usize>(&mut self, sums: &mut KSums) {
        for m in self.shelf[..4 * C].iter_mut().chain(&mut self.high_pass[..4 * C]) {
            *m = if m.abs() < NOTHING { 0.0 } else { *m };
        }
        sums.square[..C].iter_mut().for_each(|s| *s *= self.filter.power);
        sums.cross *= self.filter.power;
    }
}

/// A second difference; f32 samples leave no rounding in it.
#[inline(always)]
fn bend(older: f32, newer: f32, newest: f32) -> f64 {
    f64::from(older) + f64::from(newest) - 2.0 * f64::from(newer)
}

/// Four frames of a stage's outputs, oldest first.
#[inline(always)]
fn memory<const C: usize>(from: &[f64]) -> [[f64; C]; 4] {
    std::array::from_fn(|frame| std::array::from_fn(|c| from[frame * C + c]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::kfilter::KState;
    use crate::measure::simd::{Isa, Kernel};
    use crate::units::RATES_HZ;

    struct Weigh<'a>(&'a mut KBank, &'a [f32]);
    impl Kernel for Weigh<'_> {
        type Output = KSums;
        #[inline(always)]
        fn run<S: Simd>(self) -> KSums {
            self.0.hop::<S>(self.1)
        }
    }
    impl KBank {
        fn run(&mut self, samples: &[f32]) -> KSums {
            Isa::best().run(Weigh(self, samples))
        }
    }

    /// Two frames at a time give what sample by sample gives, at every rate and width.
    #[test]
    fn bank_follows_the_reference() {
        for hz in RATES_HZ {
            for channels in 1..=MAX_CHANNELS {
                let rate = SampleRate::new(hz).expect("a rate of the list");
                let (filter, mut bank) = (KFilter::new(rate), KBank::new(rate, channels));
                let mut states = vec![KState::default(); channels];
                let mut seed = 3u32;
                for hop in 0..60 {
                    let samples: Vec<f32> = (0..rate.hop_frames() * channels)
                        .map(|_| {
                            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                            // Noise on an offset: the high-pass must take a large constant away.
                            0.5 + (seed >> 8) as f32 / (1u32 << 25) as f32 * if hop % 7 == 0 { 1e-3 } else { 1.0 }
                        })
                        .collect();
                    let sums = bank.run(&samples);
                    let (mut square, mut cross) = (vec![0.0; channels], 0.0);
                    for frame in samples.chunks(channels) {
                        let z: Vec<f64> =
                            states.iter_mut().zip(frame).map(|(s, x)| s.step(&filter, f64::from(*x))).collect();
                        square.iter_mut().zip(&z).for_each(|(s, z)| *s += z * z);
                        cross += if channels == 2 { z[0] * z[1] } else { 0.0 };
                    }
                    for (c, expected) in square.iter().enumerate() {
                        let found = sums.square[c];
                        assert!((found / expected - 1.0).abs() < 1e-8, "{hz} Hz, hop {hop}: {found}, {expected}");
                    }
                    assert!((sums.cross - cross).abs() < 1e-9 * square.iter().sum::<f64>(), "{hz} Hz, hop {hop}");
                }
            }
        }
    }
}
