//! The two filters of K-weighting (ITU-R BS.1770-5, Annex 1) for any sample rate, and the reference that runs them.
//!
//! At 48 kHz the coefficients are the printed ones, digit for digit; at other rates they come from the
//! analogue prototype that the printed ones follow (derivation: the same bilinear form, K = tan(pi f0 / fs)).

use crate::units::SampleRate;

/// One second-order section, a0 = 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Biquad {
    /// Feed-forward coefficients.
    pub b: [f64; 3],
    /// Feedback coefficients a1, a2.
    pub a: [f64; 2],
}

/// The shelf (stage 1) and the high-pass (stage 2).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KFilter {
    /// Stage 1, head effects.
    pub shelf: Biquad,
    /// Stage 2, revised low-frequency B curve.
    pub high_pass: Biquad,
}

/// BS.1770-5, Annex 1, tables 1 and 2 (48 kHz).
const AT_48000: KFilter = KFilter {
    shelf: Biquad {
        b: [1.53512485958697, -2.69169618940638, 1.19839281085285],
        a: [-1.69065929318241, 0.73248077421585],
    },
    high_pass: Biquad { b: [1.0, -2.0, 1.0], a: [-1.99004745483398, 0.99007225036621] },
};

impl KFilter {
    /// The filter pair for `rate`.
    pub fn new(rate: SampleRate) -> Self {
        if rate == SampleRate::HZ_48000 { AT_48000 } else { Self::derived(f64::from(rate.hz())) }
    }

    /// The derivation; at 48 kHz it agrees with the printed table to 1e-12 (test).
    fn derived(hz: f64) -> Self {
        let k = (std::f64::consts::PI * 1_681.974_450_955_533 / hz).tan();
        let q = 0.707_175_236_955_419_6;
        let vh = 10f64.powf(3.999_843_853_973_347 / 20.0);
        let vb = vh.powf(0.499_666_774_154_541_6);
        let a0 = 1.0 + k / q + k * k;
        let shelf = Biquad {
            b: [(vh + vb * k / q + k * k) / a0, 2.0 * (k * k - vh) / a0, (vh - vb * k / q + k * k) / a0],
            a: [2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0],
        };
        let k = (std::f64::consts::PI * 38.135_470_876_024_44 / hz).tan();
        let q = 0.500_327_037_323_877_3;
        let a0 = 1.0 + k / q + k * k;
        let high_pass = Biquad { b: [1.0, -2.0, 1.0], a: [2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0] };
        Self { shelf, high_pass }
    }
}

/// One channel through both stages, sample by sample as the standard writes it: the reference that `KBank` is
/// compared with.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct KState {
    s: [f64; 4],
}

impl KState {
    /// One sample through both stages (direct form II transposed).
    pub fn step(&mut self, f: &KFilter, x: f64) -> f64 {
        let [s0, s1, s2, s3] = self.s;
        let y = f.shelf.b[0] * x + s0;
        let n0 = f.shelf.b[1] * x - f.shelf.a[0] * y + s1;
        let n1 = f.shelf.b[2] * x - f.shelf.a[1] * y;
        let z = y + s2;
        let n2 = -2.0 * y - f.high_pass.a[0] * z + s3;
        let n3 = y - f.high_pass.a[1] * z;
        self.s = [n0, n1, n2, n3];
        z
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn derivation_meets_the_printed_table() {
        let d = KFilter::derived(48_000.0);
        for (x, y) in [(d.shelf, AT_48000.shelf), (d.high_pass, AT_48000.high_pass)] {
            for (p, q) in x.b.iter().chain(&x.a).zip(y.b.iter().chain(&y.a)) {
                assert!((p - q).abs() < 1e-12, "{p} against the printed {q}");
            }
        }
    }
}
