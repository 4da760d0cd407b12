//! Medians, spreads and fits over the cells of a comparison.

use crate::measure::simd::{F32x8, Isa, Kernel, Lanes, Simd};

/// A weighted spread, less what chance explains.
#[derive(Debug, Clone, Copy, Default)]
pub struct Spread {
    /// Sum of the weights.
    pub weights: f64,
    /// Weighted sum of the squares.
    pub squares: f64,
    chance: f64,
}

impl Spread {
    /// One value with its weight and the square that chance alone would give.
    pub fn add(&mut self, weight: f64, value: f64, chance: f64) {
        self.weights += weight;
        self.squares += weight * value * value;
        self.chance += weight * chance;
    }

    /// Root of the mean square beyond chance.
    pub fn rms(&self) -> f64 {
        if self.weights > 0.0 { ((self.squares - self.chance) / self.weights).max(0.0).sqrt() } else { 0.0 }
    }
}

/// Standard deviation.
pub fn deviation(values: &[f64]) -> f64 {
    let n = values.len().max(1) as f64;
    let mean = values.iter().sum::<f64>() / n;
    (values.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / n).sqrt()
}

/// Median; 0 of nothing.
pub fn median(mut values: Vec<f64>) -> f64 {
    percentile(&mut values, 0.5)
}

/// The value under which this share lies; 0 of nothing. Leaves the values in another order.
pub fn percentile(values: &mut [f64], share: f64) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let place = ((values.len() - 1) as f64 * share).round() as usize;
    *values.select_nth_unstable_by(place, f64::total_cmp).1
}

/// Median by weight of up to 48 values; 0 where all weights are 0.
pub fn weighted_median(values: &[f64], weights: &[f64]) -> f64 {
    Isa::best().run(WeightedMedian { values, weights })
}

/// Values that a weighted median may be of.
const MOST: usize = 48;

/// The least value that has, with those up to it, half of the weight: for a handful that is quicker than to sort them.
struct WeightedMedian<'a> {
    values: &'a [f64],
    weights: &'a [f64],
}

impl Kernel for WeightedMedian<'_> {
    type Output = f64;

    #[inline(always)]
    fn run<S: Simd>(self) -> f64 {
        let (mut values, mut weights, mut all) = ([f32::INFINITY; MOST], [0.0; MOST], 0.0);
        for (i, (value, weight)) in self.values.iter().zip(self.weights).enumerate() {
            (values[i], weights[i]) = (*value as f32, *weight as f32);
            all += weights[i];
        }
        let mut least = (f32::INFINITY, 0.0);
        if all == 0.0 {
            return 0.0;
        }
        for (eight, own) in values.as_chunks::<8>().0.iter().zip(self.values.chunks(8)) {
            let (top, mut up_to) = (S::F32::load(eight), S::F32::splat(0.0));
            for (value, weight) in values.iter().zip(&weights).take(self.values.len()) {
                up_to = up_to.add(S::F32::splat(*weight).where_at_most(S::F32::splat(*value), top));
            }
            for ((value, own), up_to) in eight.iter().zip(own).zip(up_to.lanes()) {
                if up_to >= all / 2.0 && *value < least.0 {
                    least = (*value, *own);
                }
            }
        }
        least.1
    }
}

/// Weighted least squares with a little ridge (normal equations, Gauss with pivots).
pub fn least_squares<'a, const N: usize>(rows: impl Iterator<Item = (&'a [f64; N], f64, f64)>) -> [f64; N] {
    // The right side stands apart from the matrix.
    let (mut a, mut right) = ([[0.0f64; N]; N], [0.0f64; N]);
    for (x, w, y) in rows {
        for i in 0..N {
            for j in 0..N {
                a[i][j] += w * x[i] * x[j];
            }
            right[i] += w * x[i] * y;
        }
    }
    solved(a, right)
}

/// Solves the normal equations `a` x = `right`, with a little ridge.
pub fn solved<const N: usize>(mut a: [[f64; N]; N], mut right: [f64; N]) -> [f64; N] {
    for i in 0..N {
        a[i][i] += 1e-6 * a[i][i] + 1e-9;
    }
    for i in 0..N {
        let pivot = (i..N).max_by(|p, q| a[*p][i].abs().total_cmp(&a[*q][i].abs())).unwrap_or(i);
        a.swap(i, pivot);
        right.swap(i, pivot);
        for row in i + 1..N {
            let factor = a[row][i] / a[i][i];
            for k in i..N {
                a[row][k] -= factor * a[i][k];
            }
            right[row] -= factor * right[i];
        }
    }
    let mut out = [0.0; N];
    for i in (0..N).rev() {
        let known: f64 = (i + 1..N).map(|k| a[i][k] * out[k]).sum();
        out[i] = (right[i] - known) / a[i][i];
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fit_finds_the_line_that_made_the_values_and_a_weight_of_nothing_hides_one() {
        let rows: Vec<[f64; 2]> = (0..20).map(|i| [1.0, f64::from(i)]).collect();
        let at = |x: &[f64; 2]| if x[1] == 7.0 { (0.0, 1e3) } else { (1.0, 3.0 - 0.5 * x[1]) };
        let [offset, slope] = least_squares(rows.iter().map(|x| (x, at(x).0, at(x).1)));
        assert!((offset - 3.0).abs() < 1e-3 && (slope + 0.5).abs() < 1e-4, "{offset} {slope}");
    }

    #[test]
    fn a_spread_is_what_chance_does_not_explain() {
        let mut spread = Spread::default();
        for value in [1.0, -1.0, 1.0, -1.0] {
            spread.add(2.0, value, 0.75);
        }
        assert!((spread.rms() - 0.5).abs() < 1e-12);
        spread.add(100.0, 0.0, 1.0);
        assert_eq!(spread.rms(), 0.0);
    }

    #[test]
    fn a_weighted_median_is_that_of_the_sorted_values_on_every_instruction_set() {
        let mut seed = 5u32;
        let mut random = || {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(seed >> 16) / 4096.0 - 8.0
        };
        for n in 1..=MOST {
            // Whole weights: their sums are exact in any order.
            let rows: Vec<(f64, f64)> = (0..n).map(|_| (random(), random().max(0.0).floor())).collect();
            let (values, weights): (Vec<f64>, Vec<f64>) = rows.iter().copied().unzip();
            let mut sorted = rows;
            sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
            let half = weights.iter().sum::<f64>() / 2.0;
            let mut up_to = 0.0;
            let reach = |row: &&(f64, f64)| {
                up_to += row.1;
                row.1 > 0.0 && up_to >= half
            };
            let expected = sorted.iter().find(reach).map_or(0.0, |row| row.0);
            for isa in Isa::all() {
                let found = isa.run(WeightedMedian { values: &values, weights: &weights });
                assert_eq!(found, expected, "{n} values, {}", isa.name());
            }
        }
    }

    #[test]
    fn a_weighted_median_leaves_out_what_has_no_weight() {
        assert_eq!(weighted_median(&[9.0, 1.0, 2.0, 3.0], &[0.0, 1.0, 1.0, 5.0]), 3.0);
        assert_eq!(weighted_median(&[9.0, 1.0, 2.0], &[0.0, 1.0, 1.0]), 1.0);
    }
}
