//! Finds the delay between two feeds from nothing: the phases of their cross spectrum, back in the time domain.
//!
//! Only phases count (every bin has weight 1), so that equalisers and levels do not matter. All pairs of channels
//! add up, so that swapped sides and sums are found too.

use super::side::Side;
use realfft::num_complex::Complex32;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use std::sync::Arc;

/// Frames looked at, at the work rate: 1.37 s.
pub const LOOK: usize = 32_768;
/// Largest delay either way, frames: 0.55 s (0.5 s and the sound card's blocks).
const FAR: usize = 13_200;
/// Bins that count: 150 Hz to 6 kHz.
const BINS: std::ops::Range<usize> = 205..8_192;
/// Height of the best peak over the mean (root of powers) from which it may be one.
const SURE: f32 = 9.0;
/// A finding must be met again within this, frames (1.5 ms).
const AGREES: i64 = 36;

/// Share of the bins within 50 dB of the strongest from which sound is broad enough (tried: organs alone 0.012 to
/// 0.017, talk and bands from 0.05).
const BROAD: f64 = 0.03;

/// Share of the bins that count which lie within 50 dB of the strongest.
fn breadth(bins: &[Complex32]) -> f64 {
    let powers = || bins[BINS].iter().map(Complex32::norm_sqr);
    let floor = powers().fold(0.0, f32::max) * 1e-5;
    powers().filter(|p| *p > floor).count() as f64 / BINS.len() as f64
}

/// The search.
pub struct Acquire {
    forward: Arc<dyn RealToComplex<f32>>,
    back: Arc<dyn ComplexToReal<f32>>,
    window: Vec<f32>,
    time: Vec<f32>,
    spectra: [Vec<Complex32>; 4],
    cross: Vec<Complex32>,
    scores: Vec<f32>,
    scratch: Vec<Complex32>,
    found: [Option<i64>; 3],
    telling: bool,
}

impl Acquire {
    /// A search that has found nothing yet.
    pub fn new() -> Self {
        let mut planner = RealFftPlanner::<f32>::new();
        let (forward, back) = (planner.plan_fft_forward(LOOK), planner.plan_fft_inverse(LOOK));
        let scratch = vec![Complex32::default(); forward.get_scratch_len().max(back.get_scratch_len())];
        let bins = vec![Complex32::default(); LOOK / 2 + 1];
        Self {
            forward,
            back,
            window: super::spectra::hann(LOOK),
            time: vec![0.0; LOOK],
            spectra: std::array::from_fn(|_| bins.clone()),
            cross: bins,
            scores: vec![0.0; LOOK],
            scratch,
            found: [None; 3],
            telling: false,
        }
    }

    /// Both feeds of the last look had sound in which a delay can be found. An organ alone is a few lines, and the
    /// phases of all other bins are chance.
    pub fn telling(&self) -> bool {
        self.telling
    }

    /// Forgets what it found.
    pub fn reset(&mut self) {
        self.found = [None; 3];
    }

    /// Looks at the newest sound of both; gives the delay of the stream behind the house in frames of their own
    /// counts, once two looks agree. `None` also when some of it never came.
    pub fn look(&mut self, stream: &Side, house: &Side) -> Option<i64> {
        self.telling = false;
        let (s, h) = (stream.end() - LOOK as i64, house.end() - LOOK as i64);
        if !stream.has(s, LOOK) || !house.has(h, LOOK) {
            return None;
        }
        for (side, from, at) in [(stream, s, 0), (house, h, 2)] {
            for channel in 0..side.channels() {
                side.windowed(channel, from, &self.window, &mut self.time);
                self.forward
                    .process_with_scratch(&mut self.time, &mut self.spectra[at + channel], &mut self.scratch)
                    .ok()?;
            }
        }
        let [a, b] = [0, 2].map(|at| breadth(&self.spectra[at]));
        self.telling = a.min(b) >= BROAD;
        self.scores.fill(0.0);
        for i in 0..stream.channels() {
            for j in 0..house.channels() {
                self.cross.fill(Complex32::default());
                for bin in BINS {
                    let c = self.spectra[2 + j][bin].conj() * self.spectra[i][bin];
                    let size = c.norm_sqr().sqrt();
                    if size > 1e-20 {
                        self.cross[bin] = c / size;
                    }
                }
                self.back.process_with_scratch(&mut self.cross, &mut self.time, &mut self.scratch).ok()?;
                self.scores.iter_mut().zip(&self.time).for_each(|(s, r)| *s += r * r);
            }
        }
        let (late, early) = (&self.scores[..FAR], &self.scores[LOOK - FAR..]);
        let mean = late.iter().chain(early).sum::<f32>() / (2 * FAR) as f32;
        let best = |part: &[f32]| part.iter().copied().enumerate().fold((0, 0.0), |b, x| if x.1 > b.1 { x } else { b });
        let ((l, lp), (e, ep)) = (best(late), best(early));
        let (lag, peak) = if lp >= ep { (l as i64, lp) } else { (e as i64 - FAR as i64, ep) };
        if mean <= 0.0 || (peak / mean).sqrt() < SURE {
            self.keep(None);
            return None;
        }
        let delay = lag + s - h;
        let agrees = self.found.iter().flatten().any(|d| (d - delay).abs() <= AGREES);
        self.keep(Some(delay));
        agrees.then_some(delay)
    }

    fn keep(&mut self, finding: Option<i64>) {
        self.found = [self.found[1], self.found[2], finding];
    }
}
