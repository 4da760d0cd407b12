//! Spectra of one moment of both feeds, brought to the same time, and their sums by band.

use super::side::Side;
use realfft::num_complex::{Complex32, Complex64};
use realfft::{RealFftPlanner, RealToComplex};
use std::sync::Arc;

/// Frames of one spectrum at the work rate: 85.3 ms.
pub const SIZE: usize = 2_048;
/// Frames from one spectrum to the next: 42.7 ms.
pub const STEP: usize = SIZE / 2;
/// Bands compared, a quarter of an octave or 70 Hz wide: 105 Hz to 7.2 kHz.
pub const BANDS: usize = 21;
/// Bins of the cross spectra that carry the delay: 150 Hz to 6 kHz.
pub const PHASE_BINS: std::ops::Range<usize> = 13..512;

/// Hann window.
pub fn hann(frames: usize) -> Vec<f32> {
    let at = |i: usize| std::f64::consts::TAU * i as f64 / frames as f64;
    (0..frames).map(|i| (0.5 - 0.5 * at(i).cos()) as f32).collect()
}

/// First bin of each band, and the bin behind the last.
pub fn edges() -> [usize; BANDS + 1] {
    let mut edges = [9; BANDS + 1];
    for band in 0..BANDS {
        let before = edges[band];
        edges[band + 1] = (before + 6).max((before as f64 * 2f64.powf(0.25)).round() as usize);
    }
    edges
}

/// Middle of each band, Hz.
pub fn middle_hz(band: usize) -> f64 {
    let edges = edges();
    (edges[band] as f64 * edges[band + 1] as f64).sqrt() * f64::from(super::thin::WORK_HZ) / SIZE as f64
}

/// Sums over one moment, by band.
///
/// Each stream channel is compared with three sounds of the house: left, right, middle (half of their sum). A mono
/// house may be the sum or one side of what the stream has both sides of: then the three are of the stream, and the
/// one house is compared with them as if they were references of the first channel.
#[derive(Debug, Clone, Copy, Default)]
pub struct Sums {
    /// Power of each stream channel, and of the middle where the three are of the stream.
    pub stream: [[f64; BANDS]; 3],
    /// Power of the house's left, right and middle.
    pub house: [[f64; BANDS]; 3],
    /// Cross power of each stream channel with each of these.
    pub cross: [[[Complex64; BANDS]; 3]; 2],
    /// The three are of the stream.
    pub of_stream: bool,
}

impl Sums {
    /// Power of the house and of the stream, and the square of what they share, for a channel, a reference, a band.
    pub fn of(&self, channel: usize, reference: usize, band: usize) -> [f64; 3] {
        let (house, stream) = if self.of_stream { (0, reference) } else { (reference, channel) };
        let cross = self.cross[channel][reference][band].norm_sqr();
        [self.house[house][band], self.stream[stream][band], cross]
    }
}

/// The transforms.
pub struct Spectra {
    forward: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    time: Vec<f32>,
    scratch: Vec<Complex32>,
    edges: [usize; BANDS + 1],
    /// Turn of each bin by the part of a frame that the house is moved beside the whole ones.
    turns: Vec<Complex32>,
    /// Of each stream channel.
    pub stream: [Vec<Complex32>; 2],
    /// Of each house channel, moved to the stream's time.
    pub house: [Vec<Complex32>; 2],
}

impl Spectra {
    /// Ready.
    pub fn new() -> Self {
        let forward = RealFftPlanner::<f32>::new().plan_fft_forward(SIZE);
        let scratch = vec![Complex32::default(); forward.get_scratch_len()];
        let bins = || std::array::from_fn(|_| vec![Complex32::default(); SIZE / 2 + 1]);
        Self {
            forward,
            window: hann(SIZE),
            time: vec![0.0; SIZE],
            scratch,
            edges: edges(),
            turns: vec![Complex32::default(); edges()[BANDS]],
            stream: bins(),
            house: bins(),
        }
    }

    /// The spectra of the stream from frame `at` and of the house from `at - delay`; both must be there.
    pub fn take(&mut self, stream: &Side, house: &Side, at: i64, delay: f64) {
        let whole = delay.round();
        self.turn(whole - delay);
        for channel in 0..stream.channels() {
            stream.windowed(channel, at, &self.window, &mut self.time);
            let to = &mut self.stream[channel];
            // The lengths are the plan's own: it cannot refuse them.
            let _ = self.forward.process_with_scratch(&mut self.time, to, &mut self.scratch);
        }
        for channel in 0..house.channels() {
            house.windowed(channel, at - whole as i64, &self.window, &mut self.time);
            let to = &mut self.house[channel];
            let _ = self.forward.process_with_scratch(&mut self.time, to, &mut self.scratch);
            for (bin, turn) in to.iter_mut().zip(&self.turns) {
                *bin *= turn;
            }
        }
    }

    /// The turn of each bin for this part of a frame, in four strands that do not wait for each other.
    fn turn(&mut self, frames: f64) {
        let turn = std::f64::consts::TAU * frames / SIZE as f64;
        let mut now = [0.0, 1.0, 2.0, 3.0].map(|bin| Complex64::from_polar(1.0, bin * turn));
        let step = Complex64::from_polar(1.0, 4.0 * turn);
        for four in self.turns.chunks_mut(4) {
            for (turn, now) in four.iter_mut().zip(&mut now) {
                *turn = Complex32::new(now.re as f32, now.im as f32);
                *now *= step;
            }
        }
    }

    /// Sums by band of what was taken last.
    pub fn sums(&self, stream_channels: usize, house_channels: usize) -> Sums {
        let mut sums = Sums { of_stream: (stream_channels, house_channels) == (2, 1), ..Sums::default() };
        for band in 0..BANDS {
            let bins = self.edges[band]..self.edges[band + 1];
            let power = |spectrum: &[Complex32]| power(&spectrum[bins.clone()]);
            let cross = |a: &[Complex32], b: &[Complex32]| cross(&a[bins.clone()], &b[bins.clone()]);
            for j in 0..house_channels {
                sums.house[j][band] = power(&self.house[j]);
            }
            if house_channels == 2 {
                let both = cross(&self.house[0], &self.house[1]).re;
                sums.house[2][band] = (sums.house[0][band] + sums.house[1][band] + 2.0 * both) / 4.0;
            }
            for i in 0..stream_channels {
                sums.stream[i][band] = power(&self.stream[i]);
                for j in 0..house_channels {
                    sums.cross[i][j][band] = cross(&self.house[j], &self.stream[i]);
                }
                if house_channels == 2 {
                    sums.cross[i][2][band] = (sums.cross[i][0][band] + sums.cross[i][1][band]) / 2.0;
                }
            }
            if sums.of_stream {
                let both = cross(&self.stream[0], &self.stream[1]).re;
                sums.stream[2][band] = (sums.stream[0][band] + sums.stream[1][band] + 2.0 * both) / 4.0;
                let [left, right] = [sums.cross[0][0][band], sums.cross[1][0][band]];
                (sums.cross[0][1][band], sums.cross[0][2][band]) = (right, (left + right) / 2.0);
            }
        }
        sums
    }
}

/// Sum of the squares, in four strands that the compiler can lay side by side.
fn power(spectrum: &[Complex32]) -> f64 {
    let (fours, rest) = spectrum.as_chunks::<4>();
    let mut strands = [0.0f32; 4];
    for four in fours {
        for (sum, x) in strands.iter_mut().zip(four) {
            *sum += x.norm_sqr();
        }
    }
    f64::from(strands.iter().sum::<f32>() + rest.iter().map(Complex32::norm_sqr).sum::<f32>())
}

/// Sum of `a` (conjugate) times `b`, in the same way.
fn cross(a: &[Complex32], b: &[Complex32]) -> Complex64 {
    let ((a4, a_rest), (b4, b_rest)) = (a.as_chunks::<4>(), b.as_chunks::<4>());
    let (mut re, mut im) = ([0.0f32; 4], [0.0f32; 4]);
    for (a, b) in a4.iter().zip(b4) {
        for i in 0..4 {
            re[i] += a[i].re * b[i].re + a[i].im * b[i].im;
            im[i] += a[i].re * b[i].im - a[i].im * b[i].re;
        }
    }
    let rest: Complex32 = a_rest.iter().zip(b_rest).map(|(a, b)| a.conj() * b).sum();
    Complex64::new(f64::from(re.iter().sum::<f32>() + rest.re), f64::from(im.iter().sum::<f32>() + rest.im))
}
