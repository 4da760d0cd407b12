//! The interpolator of the true peak: its points between two samples, eight pairs at once or one, and the bounds that
//! make most of them needless. What it is and why: `true_peak`.

use super::simd::{F32x8, Lanes, Simd};
use super::taps::{BEFORE, COARSE, FINE, TAPS, coarse_bound, line_bound, place, taps, weights};

/// Second differences on each side of a pair's middle that count by their own weights; the others as the largest.
const NEAR: usize = 5;
/// Pairs of samples looked at together.
pub(super) const GROUP: usize = 8;
/// What f32 arithmetic may lose in a point and in a bound together, as a part of the peak around: 32 products
/// and sums of weights that add up to less than 3 lose less than 32 * 3 * 6e-8, mirrored pairs no more than twice that.
const ROUNDING: f64 = 2e-5;

/// The taps, and the bounds that follow from them.
#[derive(Debug, Clone)]
pub struct Interpolator {
    /// The three first points between two samples, as factors of sums and differences of the samples that lie
    /// alike on both sides: their taps mirror each other, which saves a third of the arithmetic.
    coarse: [Mirrored; TAPS / 2],
    /// The 12 points between the five first ones (both samples among these), two that mirror each other at a time.
    fine: [Opposite; FINE / 2],
    /// |point| <= larger sample of the pair + the sum of near * second differences, from the middle outwards on both
    /// sides, + far * the largest second difference of the others + spill * peak.
    pub(super) near: [f32; NEAR],
    pub(super) far: f32,
    pub(super) spill: f32,
    /// |point| <= larger first point + coarse_bend * second difference of first points + rounding.
    coarse_bend: f32,
}

/// What a pair of samples that lie alike on both sides gives to the three first points.
#[derive(Debug, Clone, Copy)]
struct Mirrored {
    /// Their sum, to the point in the middle.
    middle: f32,
    /// Their sum, to the other two.
    even: f32,
    /// Their difference, to the first of these; the last takes it the other way.
    odd: f32,
}

/// Two points that mirror each other: the larger of their |values| is |even part| + |odd part|.
#[derive(Debug, Clone, Copy)]
struct Opposite {
    /// Of the sum of the outermost first points, of the sum of the next two, of the one in the middle.
    even: [f32; 3],
    /// Of the differences of the outermost and of the next two.
    odd: [f32; 2],
}

impl Default for Interpolator {
    fn default() -> Self {
        Self::new()
    }
}

impl Interpolator {
    /// Computes taps and bounds.
    pub fn new() -> Self {
        let knots: [[f32; TAPS]; COARSE + 1] = std::array::from_fn(|i| taps(i as f64 / COARSE as f64));
        let fine: [[f32; COARSE + 1]; FINE] = std::array::from_fn(|i| weights(place(i)));
        let (mut bends, mut spill) = ([0.0f64; TAPS], 0.0f64);
        let mut widen = |taps: &[f64; TAPS], fraction: f64| {
            let (by, rest) = line_bound(taps, fraction);
            bends.iter_mut().zip(by).for_each(|(all, by)| *all = all.max(by));
            spill = spill.max(rest);
        };
        for (i, weights) in fine.iter().enumerate() {
            let whole = std::array::from_fn(|k| {
                weights.iter().zip(&knots).map(|(w, knot)| f64::from(*w) * f64::from(knot[k])).sum()
            });
            widen(&whole, place(i) / COARSE as f64);
        }
        for (i, knot) in knots.iter().enumerate() {
            widen(&knot.map(f64::from), i as f64 / COARSE as f64);
        }
        // bends[j] belongs to the second difference around tap j + 1.
        let near: [f64; NEAR] = std::array::from_fn(|i| bends[BEFORE - 1 - i].max(bends[BEFORE + i]));
        let far = bends[..BEFORE - NEAR].iter().chain(&bends[BEFORE + NEAR..]).sum::<f64>();
        let coarse_bend = fine.iter().enumerate().map(|(i, w)| coarse_bound(w, place(i))).fold(0.0, f64::max);
        Self {
            coarse: std::array::from_fn(|k| {
                let (first, other) = (f64::from(knots[1][k]), f64::from(knots[1][TAPS - 1 - k]));
                let (even, odd) = ((first + other) / 2.0, (first - other) / 2.0);
                Mirrored { middle: knots[2][k], even: even as f32, odd: odd as f32 }
            }),
            fine: std::array::from_fn(|i| {
                let w = fine[i].map(f64::from);
                let half = |x: f64| (x / 2.0) as f32;
                Opposite {
                    even: [half(w[0] + w[4]), half(w[1] + w[3]), fine[i][2]],
                    odd: [half(w[0] - w[4]), half(w[1] - w[3])],
                }
            }),
            near: near.map(|by| by as f32),
            far: far as f32,
            spill: (spill + ROUNDING) as f32,
            coarse_bend: coarse_bend as f32,
        }
    }
}

impl Interpolator {
    /// Whether larger sample and nearest second differences of one of eight pairs come to more than `limit`.
    #[inline(always)]
    pub(super) fn may_exceed<S: Simd>(&self, line: &[f32], limit: f32) -> bool {
        let line = &line[BEFORE - NEAR..BEFORE + NEAR + 1 + GROUP];
        let mut here = S::F32::load(&line[1..]);
        let mut slope = here.sub(S::F32::load(line));
        let mut bends = [slope; 2 * NEAR];
        for (i, bend) in bends.iter_mut().enumerate() {
            let next = S::F32::load(&line[i + 2..]);
            let after = next.sub(here);
            *bend = after.sub(slope).abs();
            (here, slope) = (next, after);
        }
        let mut bound = S::F32::load(&line[NEAR..]).abs().max(S::F32::load(&line[NEAR + 1..]).abs());
        for (i, by) in self.near.iter().enumerate() {
            bound = bound.add(S::F32::splat(*by).mul(bends[NEAR - 1 - i].add(bends[NEAR + i])));
        }
        bound.over(S::F32::splat(limit)) != 0
    }

    /// Largest |point| of eight pairs; `line` begins 15 samples before the first pair.
    #[inline(always)]
    pub(super) fn group<S: Simd>(&self, line: &[f32], peak: f32, top: f32) -> f32 {
        let line = &line[..TAPS + GROUP - 1];
        // Every other pair apart: two short chains of sums instead of a long one, and few registers at a time.
        let zero = S::F32::splat(0.0);
        let (mut middle, mut even, mut odd) = ([zero; 2], [zero; 2], [zero; 2]);
        for i in 0..2 {
            for (two, by) in self.coarse.as_chunks::<2>().0.iter().enumerate() {
                let k = 2 * two + i;
                let (x, y) = (S::F32::load(&line[k..]), S::F32::load(&line[TAPS - 1 - k..]));
                let (sum, difference) = (x.add(y), x.sub(y));
                middle[i] = middle[i].add(S::F32::splat(by[i].middle).mul(sum));
                even[i] = even[i].add(S::F32::splat(by[i].even).mul(sum));
                odd[i] = odd[i].add(S::F32::splat(by[i].odd).mul(difference));
            }
        }
        let (even, odd) = (even[0].add(even[1]), odd[0].add(odd[1]));
        let knots = [
            S::F32::load(&line[BEFORE..]),
            even.add(odd),
            middle[0].add(middle[1]),
            even.sub(odd),
            S::F32::load(&line[BEFORE + 1..]),
        ];
        let largest = knots[1].abs().max(knots[2].abs()).max(knots[3].abs()).max(knots[0].abs());
        let bend = |i: usize| knots[i - 1].sub(knots[i].add(knots[i])).add(knots[i + 1]).abs();
        let bent = bend(1).max(bend(2)).max(bend(3)).mul(S::F32::splat(self.coarse_bend));
        let rounding = S::F32::splat(ROUNDING as f32 * peak);
        let bound = largest.max(knots[4].abs()).add(bent).add(rounding);
        let mut top = top;
        if largest.over(S::F32::splat(top)) != 0 {
            top = largest.lanes().into_iter().fold(top, f32::max);
        }
        if bound.over(S::F32::splat(top)) == 0 {
            return top;
        }
        let [k0, k1, k2, k3, k4] = knots;
        let (sums, differences) = ([k0.add(k4), k1.add(k3)], [k0.sub(k4), k1.sub(k3)]);
        let mut largest = zero;
        for two in &self.fine {
            let [outer, inner, middle] = two.even.map(S::F32::splat);
            let even = outer.mul(sums[0]).add(inner.mul(sums[1])).add(middle.mul(k2));
            let [outer, inner] = two.odd.map(S::F32::splat);
            let odd = outer.mul(differences[0]).add(inner.mul(differences[1]));
            largest = largest.max(even.abs().add(odd.abs()));
        }
        largest.lanes().into_iter().fold(top, f32::max)
    }

    /// Largest |point| of one pair in the plainest way; `window` begins 15 samples before it.
    pub(super) fn pair(&self, window: &[f32], top: f32) -> f32 {
        let (mut middle, mut even, mut odd) = ([0.0; 2], [0.0; 2], [0.0; 2]);
        for (k, by) in self.coarse.iter().enumerate() {
            let (x, y) = (window[k], window[TAPS - 1 - k]);
            middle[k % 2] += by.middle * (x + y);
            even[k % 2] += by.even * (x + y);
            odd[k % 2] += by.odd * (x - y);
        }
        let (even, odd) = (even[0] + even[1], odd[0] + odd[1]);
        let knots = [window[BEFORE], even + odd, middle[0] + middle[1], even - odd, window[BEFORE + 1]];
        let [k0, k1, k2, k3, k4] = knots;
        let fine = self.fine.iter().map(|Opposite { even, odd }| {
            let even = even[0] * (k0 + k4) + even[1] * (k1 + k3) + even[2] * k2;
            let odd = odd[0] * (k0 - k4) + odd[1] * (k1 - k3);
            even.abs() + odd.abs()
        });
        fine.chain(knots[..COARSE].iter().map(|k| k.abs())).fold(top, f32::max)
    }
}
