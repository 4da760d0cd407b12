//! Rows of bands beside their neighbours.

use crate::likeness::spectra::BANDS;
use crate::measure::simd::{F32x8, Kernel, Lanes, Simd};

/// Bands before and behind that are neighbours.
const NEAR: usize = 3;
/// Bands and what fills the registers up.
const WIDE: usize = BANDS.next_multiple_of(8);

/// Each row less its running median over seven bands, which keeps the steps between the groups of a multiband
/// compressor.
pub(super) struct BesideNeighbours<'a> {
    /// Values by band.
    pub(super) rows: &'a [[f64; BANDS]],
    /// Which of them were heard: the others are nobody's neighbours.
    pub(super) heard: &'a [[bool; BANDS]],
}

impl Kernel for BesideNeighbours<'_> {
    type Output = Vec<[f64; BANDS]>;

    #[inline(always)]
    fn run<S: Simd>(self) -> Self::Output {
        let mut out = Vec::with_capacity(self.rows.len());
        for (row, heard) in self.rows.iter().zip(self.heard) {
            // What is not there goes behind all that is.
            let (mut padded, mut there) = ([f32::INFINITY; WIDE + 2 * NEAR], [0; WIDE + 2 * NEAR]);
            for b in (0..BANDS).filter(|b| heard[*b]) {
                (padded[b + NEAR], there[b + NEAR]) = (row[b] as f32, 1);
            }
            let mut sorted = [[0.0; WIDE]; 7];
            for from in (0..WIDE).step_by(8) {
                let mut near = [S::F32::splat(0.0); 7];
                for (k, near) in near.iter_mut().enumerate() {
                    *near = S::F32::load(&padded[from + k..]);
                }
                for (i, j) in SORTS_SEVEN {
                    (near[i], near[j]) = (near[i].min(near[j]), near[i].max(near[j]));
                }
                for (near, sorted) in near.into_iter().zip(&mut sorted) {
                    sorted[from..from + 8].copy_from_slice(&near.lanes());
                }
            }
            let mut beside = [0.0; BANDS];
            for (b, beside) in beside.iter_mut().enumerate() {
                let n: usize = there[b..b + 7].iter().sum();
                let middle = if n == 0 { 0.0 } else { (sorted[(n - 1) / 2][b] + sorted[n / 2][b]) / 2.0 };
                *beside = (row[b] - f64::from(middle)).clamp(-6.0, 6.0);
            }
            out.push(beside);
        }
        out
    }
}

/// A sorting network: pairs of places that are put in order, one after the other. Fewer than 16 do not sort seven
/// (Knuth, The Art of Computer Programming 3, 5.3.4; from memory).
const SORTS_SEVEN: [(usize, usize); 16] = [
    (0, 6),
    (2, 3),
    (4, 5),
    (0, 2),
    (1, 4),
    (3, 6),
    (0, 1),
    (2, 5),
    (3, 4),
    (1, 2),
    (4, 6),
    (2, 3),
    (4, 5),
    (1, 2),
    (3, 4),
    (5, 6),
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::simd::Isa;

    #[test]
    fn the_network_sorts_every_row_of_noughts_and_ones_and_so_every_row() {
        for bits in 0..1u32 << 7 {
            let mut row: [u32; 7] = std::array::from_fn(|i| bits >> i & 1);
            for (i, j) in SORTS_SEVEN {
                if row[j] < row[i] {
                    row.swap(i, j);
                }
            }
            assert!(row.is_sorted(), "{bits:b}");
        }
    }

    #[test]
    fn a_running_median_leaves_out_what_was_not_heard() {
        let row = std::array::from_fn(|b| if b == 10 { 3.0 } else { (b / 7) as f64 });
        let beside_neighbours = |heard| {
            let all = Isa::all().into_iter().map(|isa| isa.run(BesideNeighbours { rows: &[row], heard: &[heard] }));
            let all: Vec<_> = all.collect();
            assert!(all.iter().all(|one| *one == all[0]));
            all[0][0]
        };
        let beside = beside_neighbours([true; BANDS]);
        assert_eq!((beside[3], beside[10], beside[9], beside[20]), (0.0, 2.0, 0.0, 0.0));
        let mut heard = [false; BANDS];
        (heard[8], heard[10], heard[13]) = (true, true, true);
        let beside = beside_neighbours(heard);
        // Of 1 and 3; of 1, 3 and 1; of nothing.
        assert_eq!((beside[8], beside[10], beside[2]), (-1.0, 2.0, 0.0));
    }
}
