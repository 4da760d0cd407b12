//! Every second sample behind a low-pass whose middle is a quarter of the rate: every second of its coefficients is 0,
//! but for the one in the middle, and the others stand twice. What 48 kHz needs, by far the most.

use super::{Channel, WORK_HOP, lowpass};
use crate::measure::simd::{Isa, Kernel, Lanes, Simd};

/// Coefficients on either side of the middle one, of those that are not 0.
const SIDE: usize = 6;
/// Samples on either side of the middle one: 1, 3, .. 11.
pub(super) const REACH: usize = 2 * SIDE - 1;
/// Even samples of the hops before that a hop needs, and odd ones up to the middle.
const KEEP: [usize; 2] = [REACH, REACH / 2 + 1];

/// One channel from 48 to 24 kHz.
#[derive(Debug, Clone)]
pub struct HalfBand {
    isa: Isa,
    middle: f32,
    /// From the outermost in.
    side: [f32; SIDE],
    even: Vec<f32>,
    odd: Vec<f32>,
}

impl HalfBand {
    /// The low-pass of `thin` at 48 kHz.
    pub(super) fn new() -> Self {
        let row: Vec<f64> =
            (0..=2 * REACH).map(|tap| lowpass(tap as f64 - REACH as f64, REACH as f64 + 0.5, 48_000.0)).collect();
        let sum: f64 = row.iter().sum();
        Self {
            isa: Isa::best(),
            middle: (row[REACH] / sum) as f32,
            side: std::array::from_fn(|i| (row[2 * i] / sum) as f32),
            even: vec![0.0; KEEP[0] + WORK_HOP],
            odd: vec![0.0; KEEP[1] + WORK_HOP],
        }
    }

    /// One hop of 480 samples; 240 or more are made.
    pub(super) fn hop(&mut self, hop: Channel<'_>, out: &mut [f32]) {
        self.even.copy_within(WORK_HOP.., 0);
        self.odd.copy_within(WORK_HOP.., 0);
        let to = self.even[KEEP[0]..].iter_mut().zip(&mut self.odd[KEEP[1]..]);
        if hop.width == 2 {
            // By far the most, and the compiler makes more of a known width.
            let at = hop.at & 1;
            for ((even, odd), two) in to.zip(hop.samples.as_chunks::<4>().0) {
                (*even, *odd) = (two[at], two[at + 2]);
            }
        } else {
            for ((even, odd), two) in to.zip(hop.samples.chunks_exact(2 * hop.width)) {
                (*even, *odd) = (two[hop.at], two[hop.at + hop.width]);
            }
        }
        self.isa.run(Pass { of: self, out });
    }
}

/// The filter over one hop.
struct Pass<'a> {
    of: &'a HalfBand,
    out: &'a mut [f32],
}

impl Kernel for Pass<'_> {
    type Output = ();

    #[inline(always)]
    fn run<S: Simd>(self) {
        let HalfBand { middle, side, even, odd, .. } = self.of;
        for (eight, out) in self.out[..WORK_HOP].as_chunks_mut::<8>().0.iter_mut().enumerate() {
            let at = 8 * eight;
            let mut sum = S::F32::load(&odd[at..]).mul(S::F32::splat(*middle));
            for (i, tap) in side.iter().enumerate() {
                let pair = S::F32::load(&even[at + i..]).add(S::F32::load(&even[at + REACH - i..]));
                sum = sum.add(pair.mul(S::F32::splat(*tap)));
            }
            *out = sum.lanes();
        }
    }
}
