//! The transform behind the spectrum and the look at the mains: both sides of a feed at once.

use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};
use std::ops::Range;
use std::sync::{Arc, LazyLock};

/// A transform of one size, with its window. Both sides go through one complex transform, left as the real part and
/// right as the imaginary one: of Z = L + jR the sum of the sides' powers is (|Z(k)|² + |Z(-k)|²) / 2.
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

    /// The powers of the one or two `sides` times `window` together, `scale` times, into `work`.
    pub(super) fn powers<'a>(
        &self,
        mut sides: impl Iterator<Item = &'a [f32]>,
        window: &[f32],
        scale: f32,
        work: &mut Work,
    ) {
        let n = self.size;
        let left = sides.next().unwrap_or_default().iter().zip(window);
        work.line.clear();
        match sides.next() {
            Some(right) => work.line.extend(left.zip(right).map(|((l, w), r)| Complex::new(l * w, r * w))),
            None => work.line.extend(left.map(|(x, w)| Complex::new(x * w, 0.0))),
        }
        work.line.resize(n, Complex::default());
        work.scratch.resize(self.fft.get_inplace_scratch_len(), Complex::default());
        self.fft.process_with_scratch(&mut work.line, &mut work.scratch);
        work.scale = scale;
        work.power.clear();
        work.power.push(scale * work.line[0].norm_sqr());
        let (half, mirrored) = (&work.line[1..=n / 2], work.line[n / 2..].iter().rev());
        work.power.extend(half.iter().zip(mirrored).map(|(a, b)| scale * 0.5 * (a.norm_sqr() + b.norm_sqr())));
    }
}

/// Buffers of a transform.
#[derive(Default)]
pub(super) struct Work {
    line: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    scale: f32,
    /// What came out: bins 0 to half the size.
    pub(super) power: Vec<f32>,
}

impl Work {
    /// Power of the left less that of the right in `bins` (1 to half the size), and twice what the sides have in
    /// common there (negative where one is turned over), scaled as `power`.
    pub(super) fn sides(&self, bins: Range<usize>) -> [f32; 2] {
        // The left went in as the real part, the right as the imaginary part, of one transform Z: then
        // |L|^2 - |R|^2 is the real part of Z[k] Z[n - k], and 2 Re(L R*) the imaginary one.
        let n = self.line.len();
        let mirrored = self.line[n + 1 - bins.end..n + 1 - bins.start].iter().rev();
        let product = |(a, b): (&Complex<f32>, &Complex<f32>)| a * b;
        let sum = self.line[bins].iter().zip(mirrored).map(product).sum::<Complex<f32>>();
        [self.scale * sum.re, self.scale * sum.im]
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
