//! Sample-level statistics of one channel: peak, mean square, DC, runs at full scale, runs of exact zero.

use super::ChannelLevel;
use super::simd::{F32x8, Lanes, Simd};

/// |sample| from which a sample counts as full scale (common practice: 0.999).
pub const FULL_SCALE: f32 = 0.999;
/// Same-sign full-scale samples in a row that make a run (common practice: 3).
pub const RUN_FRAMES: u32 = 3;

/// One channel's sums within a tick and the runs that cross ticks.
#[derive(Debug, Clone, Default)]
pub struct Level {
    frames: u64,
    sum: f64,
    square: f64,
    lowest: f32,
    highest: f32,
    runs: u32,
    run: i32,
    zeros: u64,
    longest_zeros: u64,
}

impl Level {
    /// Takes one hop of one channel; gives its largest |sample|.
    #[inline(always)]
    pub fn hop<S: Simd>(&mut self, samples: &[f32]) -> f32 {
        if self.frames == 0 {
            (self.lowest, self.highest) = (f32::INFINITY, f32::NEG_INFINITY);
        }
        let (sum, square, lowest, highest, nearest_zero) = sums::<S>(samples);
        self.frames += samples.len() as u64;
        self.sum += sum;
        self.square += square;
        self.lowest = self.lowest.min(lowest);
        self.highest = self.highest.max(highest);
        let peak = highest.max(-lowest);
        // Runs are followed sample by sample only where there can be one.
        if peak >= FULL_SCALE {
            self.follow_full_scale::<S>(samples);
        } else {
            self.run = 0;
        }
        if nearest_zero > 0.0 {
            self.zeros = 0;
        } else if peak == 0.0 {
            self.zeros += samples.len() as u64;
            self.longest_zeros = self.longest_zeros.max(self.zeros);
        } else {
            self.follow_zeros::<S>(samples);
        }
        peak
    }

    /// Eights without a sample at full scale end a run and need no closer look.
    #[inline(always)]
    fn follow_full_scale<S: Simd>(&mut self, samples: &[f32]) {
        let below = S::F32::splat(FULL_SCALE.next_down());
        let (eights, rest) = samples.as_chunks::<8>();
        for eight in eights {
            if S::F32::load(eight).abs().over(below) == 0 {
                self.run = 0;
            } else {
                self.full_scale(eight);
            }
        }
        self.full_scale(rest);
    }

    fn full_scale(&mut self, samples: &[f32]) {
        for x in samples {
            if x.abs() >= FULL_SCALE {
                self.run = if *x > 0.0 { self.run.max(0) + 1 } else { self.run.min(0) - 1 };
                if self.run.unsigned_abs() == RUN_FRAMES {
                    self.runs += 1;
                }
            } else {
                self.run = 0;
            }
        }
    }

    /// The same for zeros.
    #[inline(always)]
    fn follow_zeros<S: Simd>(&mut self, samples: &[f32]) {
        let least = S::F32::splat(f32::from_bits(1));
        let (eights, rest) = samples.as_chunks::<8>();
        for eight in eights {
            if least.over(S::F32::load(eight).abs()) == 0 {
                self.zeros = 0;
            } else {
                self.zero(eight);
            }
        }
        self.zero(rest);
    }

    fn zero(&mut self, samples: &[f32]) {
        for x in samples {
            self.zeros = if *x == 0.0 { self.zeros + 1 } else { 0 };
            self.longest_zeros = self.longest_zeros.max(self.zeros);
        }
    }

    /// Writes the tick's figures into `out` and begins the next tick.
    pub fn close(&mut self, out: &mut ChannelLevel) {
        if self.frames > 0 {
            let n = self.frames as f64;
            out.sample_peak = f64::from(self.highest.max(-self.lowest));
            out.mean_square = self.square / n;
            out.dc = self.sum / n;
            out.lowest = f64::from(self.lowest);
            out.highest = f64::from(self.highest);
            out.full_scale_runs = self.runs;
            out.zero_run_frames = self.longest_zeros;
        }
        *self = Self { run: self.run, zeros: self.zeros, longest_zeros: self.zeros, ..Self::default() };
    }
}

/// Sum, sum of squares, smallest, largest and smallest |sample|.
#[inline(always)]
fn sums<S: Simd>(samples: &[f32]) -> (f64, f64, f32, f32, f32) {
    let (mut sum, mut square) = (S::F32::splat(0.0), S::F32::splat(0.0));
    let mut lowest = S::F32::splat(f32::INFINITY);
    let mut highest = S::F32::splat(f32::NEG_INFINITY);
    let mut nearest = S::F32::splat(f32::INFINITY);
    let (eights, rest) = samples.as_chunks::<8>();
    for eight in eights {
        let x = S::F32::load(eight);
        (lowest, highest, nearest) = (lowest.min(x), highest.max(x), nearest.min(x.abs()));
        (sum, square) = (sum.add(x), square.add(x.mul(x)));
    }
    let all = |x: S::F32| x.lanes().into_iter().map(f64::from).sum::<f64>();
    let (mut sum, mut square) = (all(sum), all(square));
    let mut lowest = lowest.lanes().into_iter().fold(f32::INFINITY, f32::min);
    let mut highest = highest.lanes().into_iter().fold(f32::NEG_INFINITY, f32::max);
    let mut nearest = nearest.lanes().into_iter().fold(f32::INFINITY, f32::min);
    for x in rest {
        let wide = f64::from(*x);
        sum += wide;
        square += wide * wide;
        (lowest, highest, nearest) = (lowest.min(*x), highest.max(*x), nearest.min(x.abs()));
    }
    if !(sum.is_finite() && square.is_finite()) {
        // Floating point may hold what f32 cannot square.
        sum = samples.iter().map(|x| f64::from(*x)).sum();
        square = samples.iter().map(|x| f64::from(*x) * f64::from(*x)).sum();
    }
    (sum, square, lowest, highest, nearest)
}
