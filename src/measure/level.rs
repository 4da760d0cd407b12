//! Sample-level statistics of one channel: peak, mean square, DC, runs at full scale, runs of exact zero.

use super::ChannelLevel;

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
    peak: f32,
    lowest: f32,
    highest: f32,
    runs: u32,
    run: i32,
    zeros: u64,
    longest_zeros: u64,
}

impl Level {
    /// Takes one hop of one channel.
    pub fn hop(&mut self, samples: impl Iterator<Item = f32>) {
        if self.frames == 0 {
            (self.lowest, self.highest) = (f32::INFINITY, f32::NEG_INFINITY);
        }
        let (mut sum, mut square) = (0.0, 0.0);
        for x in samples {
            let wide = f64::from(x);
            sum += wide;
            square += wide * wide;
            self.lowest = self.lowest.min(x);
            self.highest = self.highest.max(x);
            self.frames += 1;
            if x.abs() >= FULL_SCALE {
                self.run = if x > 0.0 { self.run.max(0) + 1 } else { self.run.min(0) - 1 };
                if self.run.unsigned_abs() == RUN_FRAMES {
                    self.runs += 1;
                }
            } else {
                self.run = 0;
            }
            self.zeros = if x == 0.0 { self.zeros + 1 } else { 0 };
            self.longest_zeros = self.longest_zeros.max(self.zeros);
        }
        self.peak = self.peak.max(self.highest.abs()).max(self.lowest.abs());
        self.sum += sum;
        self.square += square;
    }

    /// Writes the tick's figures into `out` and begins the next tick.
    pub fn close(&mut self, out: &mut ChannelLevel) {
        if self.frames > 0 {
            let n = self.frames as f64;
            out.sample_peak = f64::from(self.peak);
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
