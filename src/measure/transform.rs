//! The transform behind the spectrum and the look at the mains: both sides of a feed at once.

use super::simd::{Isa, Kernel, Simd};
use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};
use std::sync::{Arc, LazyLock};

/// A transform of one size, with its window. Both sides go through one complex transform, left as the real part and
/// right as the imaginary one; `Work::separate` takes them apart again.
pub(super) struct Plan {
    size: usize,
    fft: Arc<dyn Fft<f32>>,
    pub(super) hann: Vec<f32>,
}

impl Plan {
    fn new(size: usize) -> Self {
        let step = std::f64::consts::TAU / size as f64;
        let hann = (0..size).map(|n| (0.5 - 0.5 * (step * n as f64).cos()) as f32).collect();
        Self { size, fft: FftPlanner::new().plan_fft_forward(size), hann }
    }

    /// Samples that go in.
    pub(super) fn size(&self) -> usize {
        self.size
    }

    /// The one or two `sides` times `window`, into `work`.
    pub(super) fn transform<'a>(&self, mut sides: impl Iterator<Item = &'a [f32]>, window: &[f32], work: &mut Work) {
        work.line.resize(self.size, Complex::default());
        let (left, right) = (sides.next().unwrap_or_default(), sides.next());
        work.isa.run(Join { left, right, window, line: &mut work.line });
        work.scratch.resize(self.fft.get_inplace_scratch_len(), Complex::default());
        self.fft.process_with_scratch(&mut work.line, &mut work.scratch);
    }
}

/// Both sides times a window, as the parts of complex numbers.
struct Join<'a> {
    left: &'a [f32],
    right: Option<&'a [f32]>,
    window: &'a [f32],
    line: &'a mut [Complex<f32>],
}

impl Kernel for Join<'_> {
    type Output = ();

    #[inline(always)]
    fn run<S: Simd>(self) {
        let left = self.line.iter_mut().zip(self.left).zip(self.window);
        match self.right {
            Some(right) => left.zip(right).for_each(|(((to, l), w), r)| *to = Complex::new(l * w, r * w)),
            None => left.for_each(|((to, x), w)| *to = Complex::new(x * w, 0.0)),
        }
    }
}

/// What both sides have in each bin.
#[derive(Default)]
pub(super) struct Bins {
    /// Power of both together: bins 0 to half the size.
    pub(super) power: Vec<f32>,
    /// Power of the left less that of the right.
    pub(super) leaning: Vec<f32>,
    /// Twice what they have in common; negative where one is turned over.
    pub(super) common: Vec<f32>,
}

/// Buffers of a transform.
pub(super) struct Work {
    isa: Isa,
    line: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    /// What came out.
    pub(super) bins: Bins,
}

impl Work {
    /// Nothing yet.
    pub(super) fn new(isa: Isa) -> Self {
        Self { isa, line: Vec::new(), scratch: Vec::new(), bins: Bins::default() }
    }

    /// Takes the sides apart: their powers, `scale` times, and with `compared` what they have in common.
    pub(super) fn separate(&mut self, scale: f32, compared: bool) {
        let half = self.line.len() / 2;
        let Bins { power, leaning, common } = &mut self.bins;
        for bins in [&mut *power, leaning, common] {
            bins.resize(half + 1, 0.0);
        }
        power[0] = scale * self.line[0].norm_sqr();
        self.isa.run(Separate { line: &self.line, scale, compared, bins: &mut self.bins });
    }
}

/// The left went in as the real part, the right as the imaginary part, of one transform Z. The sum of their powers is
/// (|Z[k]|^2 + |Z[n - k]|^2) / 2; |L|^2 - |R|^2 is the real part of Z[k] Z[n - k], 2 Re(L R*) the imaginary one.
struct Separate<'a> {
    line: &'a [Complex<f32>],
    scale: f32,
    compared: bool,
    bins: &'a mut Bins,
}

impl Kernel for Separate<'_> {
    type Output = ();

    #[inline(always)]
    fn run<S: Simd>(self) {
        // Loops that the compiler turns into the registers of this instruction set.
        let Self { line, scale, compared, bins } = self;
        let half = line.len() / 2;
        let both = || line[1..=half].iter().zip(line[half..].iter().rev());
        for (to, (a, b)) in bins.power[1..].iter_mut().zip(both()) {
            *to = scale * 0.5 * ((a.re * a.re + a.im * a.im) + (b.re * b.re + b.im * b.im));
        }
        if compared {
            for (to, (a, b)) in bins.leaning[1..].iter_mut().zip(both()) {
                *to = scale * (a.re * b.re - a.im * b.im);
            }
            for (to, (a, b)) in bins.common[1..].iter_mut().zip(both()) {
                *to = scale * (a.re * b.im + a.im * b.re);
            }
        }
    }
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
