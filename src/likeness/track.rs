//! Follows the delay between two feeds that were found to share sound, and cuts what they share into cells.
//!
//! Each block measures how far the house, as it was moved, is off the stream; a loop of second order follows delay and
//! clock difference.

use super::balance::PEAKS;
use super::cell::{BLOCK_CELLS, Block, CELL_FRAMES, OpenBlock, Peak, total};
use super::side::Side;
use super::spectra::{BANDS, PHASE_BINS, SIZE, STEP, Spectra, Sums};
use realfft::num_complex::Complex32;
use realfft::{ComplexToReal, RealFftPlanner};
use std::sync::Arc;

/// Mean square of a block's louder channel from which it is active: -60 dBFS.
const ACTIVE: f64 = 1e-6;
/// Farthest error that a block can see, frames (10.7 ms).
const NEAR: usize = 256;
/// Height of the peak from which a block shares sound.
const SHARED: f64 = 8.0;
/// Blocks in a row without shared sound that end the following.
const LOST_BLOCKS: u32 = 8;
/// Largest clock difference followed: 1000 ppm.
const MAX_SLOPE: f64 = 1e-3 * STEP as f64;
/// Time constant of the mean band powers that weigh the gain, frames (3 s).
const WEIGHT_FRAMES: f64 = 3.0 * super::thin::WORK_HZ as f64 / STEP as f64;

/// The follower.
pub struct Track {
    spectra: Spectra,
    back: Arc<dyn ComplexToReal<f32>>,
    phases: Vec<Complex32>,
    time: Vec<f32>,
    scores: Vec<f32>,
    scratch: Vec<Complex32>,
    /// Next frame of the stream.
    at: i64,
    locked: Option<Lock>,
    means: [[f64; BANDS]; 2],
    frames_seen: u64,
    open: OpenBlock,
}

/// What is known of the delay.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lock {
    /// Stream behind house, frames of the work rate, by their own counts.
    pub delay: f64,
    /// Its change, frames a step.
    pub slope: f64,
    /// Leaky height of the peak with its sign: negative is inverted polarity.
    pub peak: f64,
    good_blocks: u32,
    bad_blocks: u32,
}

impl Track {
    /// Nothing is known yet.
    pub fn new() -> Self {
        let back = RealFftPlanner::<f32>::new().plan_fft_inverse(SIZE);
        let scratch = vec![Complex32::default(); back.get_scratch_len()];
        let bins = vec![Complex32::default(); SIZE / 2 + 1];
        Self {
            spectra: Spectra::new(),
            back,
            phases: bins.clone(),
            time: vec![0.0; SIZE],
            scores: vec![0.0; SIZE],
            scratch,
            at: 0,
            locked: None,
            means: [[0.0; BANDS]; 2],
            frames_seen: 0,
            open: OpenBlock::new(),
        }
    }

    /// What is known of the delay.
    pub fn lock(&self) -> Option<Lock> {
        self.locked
    }

    /// The delay was found: follow it from the stream's end on.
    pub fn follow(&mut self, stream: &Side, delay: i64) {
        self.locked = Some(Lock { delay: delay as f64, slope: 0.0, peak: 0.0, good_blocks: 0, bad_blocks: 0 });
        self.at = stream.end();
        (self.means, self.frames_seen) = ([[0.0; BANDS]; 2], 0);
        self.open.reset();
    }

    /// The next moment, if both have it; gives a block when one is full. `each` sees the house's spectra of it.
    pub fn step(&mut self, stream: &Side, house: &Side, each: &mut impl FnMut(Moment<'_>)) -> Option<Option<Block>> {
        let delay = match &self.locked {
            Some(lock) => lock.delay,
            None => (stream.end() - house.end()) as f64,
        };
        let house_at = self.at - delay.round() as i64;
        if self.at + SIZE as i64 > stream.end() || house_at + SIZE as i64 > house.end() {
            // Behind by more than is kept: this part will never be compared.
            if stream.end() - self.at < Self::PATIENCE {
                return None;
            }
            return Some(self.close_frame(false));
        }
        let came = stream.has(self.at, SIZE) && house.has(house_at, SIZE);
        if came {
            for (k, (side, from)) in [(stream, self.at), (house, house_at)].into_iter().enumerate() {
                let squares = side.mean_squares(from, STEP);
                self.open.squares[k] += squares[0].max(squares[1]);
            }
            if self.locked.is_some() {
                self.spectra.take(stream, house, self.at, delay);
                let sums = self.spectra.sums(stream.channels(), house.channels());
                let part = STEP / PEAKS;
                let peaks = std::array::from_fn(|i| {
                    let from = house_at + (STEP / 2 + i * part) as i64;
                    let [left, right] = house.mean_squares(from, part);
                    Peak { largest: house.peak(from, part), mean_square: left.max(right) as f32 }
                });
                self.add(&sums, stream.channels(), house.channels(), &peaks);
                let louder = usize::from(house.channels() == 2 && total(&sums.house[1]) > total(&sums.house[0]));
                each(Moment { house: &self.spectra.house[louder], power: total(&sums.house[louder]) });
            }
        }
        Some(self.close_frame(came))
    }

    /// Frames that the stream may be ahead before a moment is given up: what is kept, less one spectrum and a hop.
    const PATIENCE: i64 = 256 * 240 - SIZE as i64 - 480;

    fn add(&mut self, sums: &Sums, stream_channels: usize, house_channels: usize, peaks: &[Peak; PEAKS]) {
        let both =
            |parts: &[[f64; BANDS]]| -> [f64; BANDS] { std::array::from_fn(|b| parts.iter().map(|p| p[b]).sum()) };
        let (x, y) = (both(&sums.house[..house_channels]), both(&sums.stream[..stream_channels]));
        self.frames_seen += 1;
        let leak = (1.0 / self.frames_seen as f64).max(1.0 / WEIGHT_FRAMES);
        let (mut up, mut down) = (0.0, 0.0);
        for b in 0..BANDS {
            self.means[0][b] += leak * (x[b] - self.means[0][b]);
            self.means[1][b] += leak * (y[b] - self.means[1][b]);
            let [mx, my] = [self.means[0][b], self.means[1][b]];
            if mx > 1e-18 && my > 1e-18 {
                let weight = 1.0 / my.sqrt();
                up += weight * y[b];
                down += weight * my / mx * x[b];
            }
        }
        // A moment in which either is digital silence says nothing of the gain.
        if up > 0.0 && down > 0.0 {
            self.open.add(sums, up / down, down, peaks);
        }
        for i in 0..stream_channels {
            for j in 0..house_channels {
                let both = self.spectra.house[j][PHASE_BINS].iter().zip(&self.spectra.stream[i][PHASE_BINS]);
                for (sum, (x, y)) in self.open.cross[2 * i + j][PHASE_BINS].iter_mut().zip(both) {
                    *sum += x.conj() * y;
                }
            }
        }
    }

    fn close_frame(&mut self, came: bool) -> Option<Block> {
        self.at += STEP as i64;
        if let Some(lock) = &mut self.locked {
            lock.delay += lock.slope;
        }
        self.open.whole &= came;
        self.open.frames += 1;
        if self.open.frames.is_multiple_of(CELL_FRAMES) {
            self.open.close_cell();
        }
        if self.open.frames < CELL_FRAMES * BLOCK_CELLS {
            return None;
        }
        let frames = self.open.frames as f64;
        let active = self.open.squares.map(|s| self.open.whole && s / frames > ACTIVE);
        let shared = active[0] && active[1] && self.measure();
        let cells = std::mem::take(&mut self.open.cells);
        let block = Block { came: self.open.whole, active, shared, cells };
        self.open.reset();
        Some(block)
    }

    /// How far the block is off; moves the loop. Gives whether the block shares sound.
    fn measure(&mut self) -> bool {
        let Some(mut lock) = self.locked else { return false };
        self.scores.fill(0.0);
        let mut signed = vec![0.0f32; 2 * NEAR];
        for cross in &self.open.cross {
            self.phases.fill(Complex32::default());
            let mut any = false;
            for bin in PHASE_BINS {
                let size = cross[bin].norm_sqr().sqrt();
                if size > 1e-20 {
                    self.phases[bin] = cross[bin] / size;
                    any = true;
                }
            }
            if !any || self.back.process_with_scratch(&mut self.phases, &mut self.time, &mut self.scratch).is_err() {
                continue;
            }
            for (lag, (score, sign)) in self.scores.iter_mut().zip(&mut signed).enumerate().take(2 * NEAR) {
                let r = self.time[(lag + SIZE - NEAR) % SIZE];
                *score += r * r;
                *sign += r;
            }
        }
        let scores = &self.scores[..2 * NEAR];
        let mean = f64::from(scores.iter().sum::<f32>()) / scores.len() as f64;
        let (best, peak) = scores.iter().copied().enumerate().fold((0, 0.0f32), |b, x| if x.1 > b.1 { x } else { b });
        let inside = best > 0 && best + 1 < scores.len();
        let shared = inside && mean > 0.0 && (f64::from(peak) / mean).sqrt() > SHARED;
        if shared {
            let root = |lag: usize| f64::from(scores[lag]).sqrt();
            let (a, b, c) = (root(best - 1), root(best), root(best + 1));
            let bow = a - 2.0 * b + c;
            let fine = if bow < 0.0 { (0.5 * (a - c) / bow).clamp(-0.5, 0.5) } else { 0.0 };
            let error = best as f64 - NEAR as f64 + fine;
            // A clock that is far off moves the delay by a dozen frames a block until its slope is known.
            let settling = lock.good_blocks < 6;
            let (alpha, beta) = if settling { (0.7, 0.4) } else { (0.4, 0.1) };
            lock.good_blocks += 1;
            if error.abs() > if settling { 40.0 } else { 6.0 } {
                // A step, not a drift: the clock is as it was, until the next blocks say otherwise.
                lock.delay += error;
                lock.good_blocks = 0;
            } else {
                let slope = lock.slope + beta * error / (CELL_FRAMES * BLOCK_CELLS) as f64;
                lock.delay += alpha * error;
                lock.slope = slope.clamp(-MAX_SLOPE, MAX_SLOPE);
            }
            lock.peak = 0.9 * lock.peak + 0.1 * f64::from(signed[best]);
            lock.bad_blocks = 0;
        } else {
            lock.bad_blocks += 1;
        }
        self.locked = (lock.bad_blocks < LOST_BLOCKS).then_some(lock);
        shared
    }
}

/// What `step` shows of a moment.
pub struct Moment<'a> {
    /// Spectrum of the house's louder channel.
    pub house: &'a [Complex32],
    /// Its power over all bands.
    pub power: f64,
}
