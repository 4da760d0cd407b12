//! A low-pass that keeps every so many-th value, tick by tick.

use super::simd::{F32x8, Isa, Kernel, Lanes, Simd, products};

/// Outputs that are made together.
const TOGETHER: usize = 8;

/// One channel's decimation.
pub(super) struct Decimator {
    taps: Vec<f32>,
    step: usize,
    /// What came and is still needed.
    past: Vec<f32>,
    seam: Vec<f32>,
}

impl Decimator {
    /// Filters with `taps` (filled up to whole eights) and keeps every `step`th value.
    pub(super) fn new(mut taps: Vec<f32>, step: usize) -> Self {
        taps.resize(taps.len().next_multiple_of(8), 0.0);
        Self { taps, step, past: Vec::new(), seam: Vec::new() }
    }

    /// What comes next has no past.
    pub(super) fn forget(&mut self) {
        self.past.clear();
    }

    /// Takes what came next; appends what becomes of it.
    pub(super) fn take(&mut self, isa: Isa, fresh: &[f32], to: &mut Vec<f32>) {
        let (length, step, known) = (self.taps.len(), self.step, self.past.len());
        let count = (known + fresh.len() + step).saturating_sub(length) / step;
        self.seam.clear();
        self.seam.extend_from_slice(&self.past);
        self.seam.extend_from_slice(&fresh[..fresh.len().min(length)]);
        // Windows that begin in the past are read from the seam, the others where they came.
        let of_seam = count.min(known.div_ceil(step));
        isa.run(Filter { taps: &self.taps, step, from: &self.seam, count: of_seam, to });
        let rest = &fresh[(of_seam * step).saturating_sub(known).min(fresh.len())..];
        isa.run(Filter { taps: &self.taps, step, from: rest, count: count - of_seam, to });
        let used = count * step;
        self.past.drain(..used.min(known));
        self.past.extend_from_slice(&fresh[used.saturating_sub(known)..]);
    }
}

struct Filter<'a> {
    taps: &'a [f32],
    step: usize,
    from: &'a [f32],
    count: usize,
    to: &'a mut Vec<f32>,
}

impl Filter<'_> {
    /// Output `at`, in eight sums.
    #[inline(always)]
    fn output<S: Simd>(&self, at: usize, length: usize) -> S::F32 {
        products::<S>(&self.from[at * self.step..][..length], &self.taps[..length])
    }

    /// All outputs of a filter of `length` taps.
    #[inline(always)]
    fn all<S: Simd>(self, length: usize) {
        let whole = self.count / TOGETHER * TOGETHER;
        for at in (0..whole).step_by(TOGETHER) {
            let mut outputs = [S::F32::splat(0.0); TOGETHER];
            for (i, output) in outputs.iter_mut().enumerate() {
                *output = self.output::<S>(at + i, length);
            }
            self.to.extend_from_slice(&S::F32::sums(outputs).lanes());
        }
        for at in whole..self.count {
            let sum = self.output::<S>(at, length).sum();
            self.to.push(sum);
        }
    }
}

impl Kernel for Filter<'_> {
    type Output = ();

    #[inline(always)]
    fn run<S: Simd>(self) {
        // The lengths at 44.1 and 48 kHz, known to the compiler.
        match self.taps.len() {
            24 => self.all::<S>(24),
            48 => self.all::<S>(48),
            length => self.all::<S>(length),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn however_it_is_cut_the_same_values_come_out() {
        let x: Vec<f32> = (0u32..5_000).map(|i| (i.wrapping_mul(2_654_435_761) >> 8) as f32 / 1e7 - 0.8).collect();
        let taps: Vec<f32> = (0..21).map(|k| 0.01 * k as f32).collect();
        for step in [3, 8, 9] {
            let direct: Vec<f32> = (0..=(x.len() - 24) / step)
                .map(|i| {
                    taps.iter().zip(&x[i * step..]).map(|(t, x)| f64::from(*t) * f64::from(*x)).sum::<f64>() as f32
                })
                .collect();
            let mut whole = Vec::new();
            for isa in Isa::all() {
                for cut in [5_000, 1_700, 97, 16, 1] {
                    let (mut filter, mut out) = (Decimator::new(taps.clone(), step), Vec::new());
                    x.chunks(cut).for_each(|part| filter.take(isa, part, &mut out));
                    if whole.is_empty() {
                        whole.clone_from(&out);
                    }
                    assert_eq!(out, whole, "step {step}, cut {cut}, {}", isa.name());
                }
            }
            assert_eq!(whole.len(), direct.len());
            assert!(whole.iter().zip(&direct).all(|(a, b)| (a - b).abs() < 1e-5));
        }
    }
}
