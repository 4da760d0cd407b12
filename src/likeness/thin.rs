//! Any of the measured rates to the 24 kHz at which two feeds are compared, in whole hops: 10 ms in, 240 frames out.
//!
//! A polyphase windowed-sinc low-pass (Kaiser window): flat to 7.5 kHz, 60 dB down from 16.5 kHz, where the first
//! alias would fall into the compared bands, and where sound is soft. Both feeds pass the same filter, so it biases
//! nothing.

use crate::measure::simd::{F32x8, Isa, Kernel, Simd, products};
use crate::units::{HOPS_A_SECOND, SampleRate};

/// Rate of the comparison, Hz.
pub const WORK_HZ: u32 = 24_000;
/// Frames of a hop at that rate.
pub const WORK_HOP: usize = (WORK_HZ as u64 / HOPS_A_SECOND) as usize;
/// Middle of the transition band, Hz.
const CUT_HZ: f64 = 12_000.0;
/// Width of the transition band, Hz.
const TRANSITION_HZ: f64 = 9_000.0;
/// How far what would fold is taken down, dB.
const DOWN_DB: f64 = 60.0;
/// Kaiser's beta for it.
const BETA: f64 = 0.1102 * (DOWN_DB - 8.7);

/// One channel's way to the work rate.
#[derive(Debug, Clone)]
pub struct Thin {
    isa: Isa,
    up: usize,
    down: usize,
    taps: usize,
    /// `up` phases of `taps` coefficients, oldest sample first; the oldest ones are 0 where the filter is no multiple
    /// of eight long.
    phases: Vec<f32>,
    /// The last `taps - 1` samples of the hops before, then the present hop.
    line: Vec<f32>,
}

impl Thin {
    /// For audio at `rate`.
    pub fn new(rate: SampleRate) -> Self {
        let (rate_hz, work) = (rate.hz() as usize, WORK_HZ as usize);
        let common = greatest_common_divisor(rate_hz, work);
        let (up, down) = (work / common, rate_hz / common);
        // Kaiser's estimate of the length over the transition, at the input's rate.
        let width = std::f64::consts::TAU * TRANSITION_HZ / rate_hz as f64;
        let long = ((DOWN_DB - 8.0) / (2.285 * width)).ceil() as usize + 1;
        let taps = long.next_multiple_of(STRANDS);
        let middle = (long * up) as f64 / 2.0;
        let mut phases = vec![0.0f32; up * taps];
        for phase in 0..up {
            let mut sum = 0.0;
            let mut row = vec![0.0; long];
            for (tap, value) in row.iter_mut().enumerate() {
                // Tap 0 is the newest sample here; rows are stored oldest first below.
                let at = ((tap * up + phase) as f64 - middle) / up as f64;
                let x = std::f64::consts::TAU * CUT_HZ / rate_hz as f64 * at;
                let sinc = if x.abs() < 1e-9 { 1.0 } else { x.sin() / x };
                let edge = (1.0 - (at * up as f64 / middle).powi(2)).max(0.0);
                *value = sinc * bessel(BETA * edge.sqrt());
                sum += *value;
            }
            for (tap, value) in row.iter().enumerate() {
                phases[phase * taps + taps - 1 - tap] = (value / sum) as f32;
            }
        }
        Self { isa: Isa::best(), up, down, taps, phases, line: vec![0.0; taps - 1 + rate.hop_frames()] }
    }

    /// One hop: `hop` gives its samples (as many as the rate has in 10 ms), `out` (240 or more) takes what they become.
    pub fn hop(&mut self, hop: impl Iterator<Item = f32>, out: &mut [f32]) {
        let keep = self.taps - 1;
        let len = self.line.len();
        self.line.copy_within(len - keep.., 0);
        self.line[keep..].iter_mut().zip(hop).for_each(|(to, x)| *to = x);
        self.isa.run(Pass { thin: self, out });
    }
}

/// Products that are summed side by side.
const STRANDS: usize = 8;

/// The filter over one hop.
struct Pass<'a> {
    thin: &'a Thin,
    out: &'a mut [f32],
}

impl Kernel for Pass<'_> {
    type Output = ();

    #[inline(always)]
    fn run<S: Simd>(self) {
        // The length at 44.1 and 48 kHz, known to the compiler.
        match self.thin.taps {
            24 => self.all::<S>(24),
            taps => self.all::<S>(taps),
        }
    }
}

impl Pass<'_> {
    #[inline(always)]
    fn all<S: Simd>(self, taps: usize) {
        let Thin { up, down, phases, line, .. } = self.thin;
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

/// Modified Bessel function of the first kind, order 0 (series; enough terms for arguments under 12).
fn bessel(x: f64) -> f64 {
    let (mut sum, mut term) = (1.0, 1.0);
    for k in 1..40 {
        term *= (x / 2.0 / f64::from(k)).powi(2);
        sum += term;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::RATES_HZ;

    /// Level that a sine of `hz` has behind the filter, dB re its level before.
    fn passed_db(rate_hz: u32, hz: f64) -> f64 {
        let rate = SampleRate::new(rate_hz).unwrap();
        let mut thin = Thin::new(rate);
        let (mut n, mut energy, mut count) = (0u64, 0.0, 0);
        for hop in 0..50 {
            let samples = (0..rate.hop_frames()).map(|_| {
                n += 1;
                (std::f64::consts::TAU * hz * n as f64 / f64::from(rate_hz)).sin() as f32
            });
            let mut out = [0.0; WORK_HOP];
            thin.hop(samples, &mut out);
            if hop > 4 {
                energy += out.iter().map(|y| f64::from(*y).powi(2)).sum::<f64>();
                count += WORK_HOP;
            }
        }
        10.0 * (2.0 * energy / count as f64).log10()
    }

    #[test]
    fn every_rate_keeps_the_compared_bands_and_drops_what_would_fold_into_them() {
        for rate_hz in RATES_HZ {
            for hz in [100.0, 1_000.0, 7_200.0] {
                let db = passed_db(rate_hz, hz);
                assert!(db.abs() < 0.02, "{rate_hz} Hz: {hz} Hz passes at {db} dB");
            }
            for hz in [17_000.0, 20_000.0] {
                let db = passed_db(rate_hz, hz);
                assert!(db < -57.0, "{rate_hz} Hz: {hz} Hz passes at {db} dB");
            }
        }
    }
}
