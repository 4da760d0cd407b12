//! Any whole ratio of rates: one row of coefficients for each place that an output can have between two samples.

use super::{Channel, DOWN_DB, LATE, TRANSITION_HZ, WORK_HOP, WORK_HZ, lowpass};
use crate::measure::simd::{F32x8, Isa, Kernel, Lanes, Simd, products};
use crate::units::SampleRate;

/// One channel's way to the work rate.
#[derive(Debug, Clone)]
pub struct Polyphase {
    isa: Isa,
    up: usize,
    down: usize,
    taps: usize,
    /// `up` phases of `taps` coefficients, oldest sample first; those beyond the filter's ends are 0.
    phases: Vec<f32>,
    /// The last `taps - 1` samples of the hops before, then the present hop.
    line: Vec<f32>,
}

impl Polyphase {
    /// For audio at `rate`.
    pub fn new(rate: SampleRate) -> Self {
        let (rate_hz, work) = (rate.hz() as usize, WORK_HZ as usize);
        let common = greatest_common_divisor(rate_hz, work);
        let (up, down) = (work / common, rate_hz / common);
        // Kaiser's estimate of the length over the transition, at the input's rate.
        let width = std::f64::consts::TAU * TRANSITION_HZ / f64::from(rate.hz());
        let half = ((DOWN_DB - 8.0) / (2.285 * width)).ceil() / 2.0 + 0.5;
        let middle = LATE * f64::from(rate.hz());
        let taps = ((middle + half).ceil() as usize).next_multiple_of(STRANDS);
        let mut phases = Vec::with_capacity(up * taps);
        for phase in 0..up {
            let newer = phase as f64 / up as f64;
            let row = (0..taps).rev().map(|tap| lowpass(tap as f64 + newer - middle, half, f64::from(rate.hz())));
            let row: Vec<f64> = row.collect();
            let sum: f64 = row.iter().sum();
            phases.extend(row.iter().map(|value| (value / sum) as f32));
        }
        Self { isa: Isa::best(), up, down, taps, phases, line: vec![0.0; taps - 1 + rate.hop_frames()] }
    }

    /// One hop of as many samples as the rate has in 10 ms; 240 or more are made.
    pub(super) fn hop(&mut self, hop: Channel<'_>, out: &mut [f32]) {
        let keep = self.taps - 1;
        let len = self.line.len();
        self.line.copy_within(len - keep.., 0);
        self.line[keep..].iter_mut().zip(hop.samples()).for_each(|(to, x)| *to = x);
        self.isa.run(Pass { of: self, out });
    }
}

/// Products that are summed side by side.
const STRANDS: usize = 8;

/// The filter over one hop.
struct Pass<'a> {
    of: &'a Polyphase,
    out: &'a mut [f32],
}

impl Kernel for Pass<'_> {
    type Output = ();

    #[inline(always)]
    fn run<S: Simd>(self) {
        // The length at 44.1 kHz, known to the compiler.
        match self.of.taps {
            24 => self.all::<S>(24),
            taps => self.all::<S>(taps),
        }
    }
}

impl Pass<'_> {
    #[inline(always)]
    fn all<S: Simd>(self, taps: usize) {
        let Polyphase { up, down, phases, line, .. } = self.of;
        let (mut newest, mut phase) = (0, 0);
        for out in self.out[..WORK_HOP].as_chunks_mut::<8>().0 {
            let mut outputs = [S::F32::splat(0.0); 8];
            for output in &mut outputs {
                *output = products::<S>(&line[newest..][..taps], &phases[phase * taps..][..taps]);
                phase += down;
                while phase >= *up {
                    (newest, phase) = (newest + 1, phase - up);
                }
            }
            *out = S::F32::sums(outputs).lanes();
        }
    }
}

fn greatest_common_divisor(a: usize, b: usize) -> usize {
    if b == 0 { a } else { greatest_common_divisor(b, a % b) }
}
