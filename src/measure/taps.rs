//! Taps of the true-peak interpolator, and how far the points that they give may be from a straight line.

use super::kaiser::kaiser;
use std::f64::consts::PI;

/// Taps a point.
pub(super) const TAPS: usize = 32;
/// Points a sample that are computed first, the sample itself among them.
pub(super) const COARSE: usize = 4;
/// Points a sample between those.
pub(super) const FINE: usize = 3 * COARSE;
/// Samples before the first of the pair that a point lies between.
pub(super) const BEFORE: usize = TAPS / 2 - 1;
/// Shape of the Kaiser window.
const BETA: f64 = 5.0;

/// Where the fine points lie, in steps of first points: 0.25, 0.5, 0.75, 1.25, ... 3.75.
pub(super) fn place(fine: usize) -> f64 {
    (fine / 3) as f64 + (fine % 3 + 1) as f64 / 4.0
}

/// Weights of the polynomial through five points, at `at` (0 to 4).
pub(super) fn weights(at: f64) -> [f32; COARSE + 1] {
    std::array::from_fn(|i| {
        let others = (0..=COARSE).filter(|j| *j != i);
        others.map(|j| (at - j as f64) / (i as f64 - j as f64)).product::<f64>() as f32
    })
}

/// Taps of the point at `fraction` of the way from sample `BEFORE` to the next.
pub(super) fn taps(fraction: f64) -> [f32; TAPS] {
    let half = TAPS as f64 / 2.0;
    let mut taps = [0.0; TAPS];
    if fraction.fract() == 0.0 {
        let mut sample = [0.0; TAPS];
        sample[BEFORE + fraction as usize] = 1.0;
        return sample;
    }
    for (i, t) in taps.iter_mut().enumerate() {
        let x = i as f64 - BEFORE as f64 - fraction;
        let sinc = if x == 0.0 { 1.0 } else { (PI * x).sin() / (PI * x) };
        *t = sinc * kaiser(x / half, BETA);
    }
    let sum: f64 = taps.iter().sum();
    taps.map(|t| (t / sum) as f32)
}

/// How far a point may be from the straight line between its two samples: a factor of each second difference and one
/// of the peak. What taps and line differ by is written as a sum of second differences (the factors are its
/// |weights|); the parts that second differences cannot make, a constant and a slope, go to the peak.
pub(super) fn line_bound(h: &[f64; TAPS], fraction: f64) -> (Vec<f64>, f64) {
    let mut rest = *h;
    rest[BEFORE] -= 1.0 - fraction;
    rest[BEFORE + 1] -= fraction;
    let constant: f64 = rest.iter().sum();
    rest[BEFORE] -= constant;
    let slope: f64 = rest.iter().enumerate().map(|(k, r)| r * (k as f64 - BEFORE as f64)).sum();
    rest[BEFORE] += slope;
    rest[BEFORE + 1] -= slope;
    (second_sums(&rest).iter().map(|c| c.abs()).collect(), constant.abs() + 2.0 * slope.abs())
}

/// Weights c with rest = sum of c[j] * (1, -2, 1) centred on j + 1.
fn second_sums(rest: &[f64]) -> Vec<f64> {
    let (mut first, mut second) = (0.0, 0.0);
    let each = rest.iter().map(|r| {
        first += r;
        second += first;
        second
    });
    each.collect()
}

/// The same between first points: how far a fine one may be from the straight line between its neighbours, as a
/// factor of the largest of the three second differences.
pub(super) fn coarse_bound(weights: &[f32; COARSE + 1], at: f64) -> f64 {
    let mut rest = weights.map(f64::from);
    let left = at as usize;
    rest[left] -= 1.0 - (at - left as f64);
    rest[left + 1] -= at - left as f64;
    second_sums(&rest).iter().map(|c| c.abs()).sum()
}
