//! Clicks: what linear prediction from the samples before cannot foresee, alone within 12 ms on both sides.
//!
//! Speech and music are predictable over 8 samples; a loose connector, a slipped clock or a cut is not. The
//! prediction (covariance method over 20 ms) leaves a residue; a click is a residue in one cell of 0.5 ms that is
//! 14 dB over every other within 12 ms. Glottal pulses, string attacks, drums, claps have neighbours as large.

use super::super::simd::{F32x8, Lanes, Simd, peak_of};

/// Samples that predict.
pub(super) const ORDER: usize = 8;
/// Cells in a hop (0.5 ms each).
const CELLS: usize = 20;
/// Cells looked at on each side (12 ms).
const AROUND: usize = 24;
const RING: usize = 64;
/// Residue of a click over its neighbours, amplitude.
const OVER: f32 = 5.0;
/// Residue of a click, full scale = 1.
const LEAST: f32 = 0.01;
/// Hops with a smaller peak are not looked at: no click is in them.
const QUIET: f32 = 0.005;

/// Samples of a click whose residue is near its largest: as many as the prediction looks back, and two. The attack
/// of an electronic drum has more.
const MOST_SAMPLES: usize = ORDER + 2;

/// Part of the ceiling that a top reaches which was cut off there, and by how much of it its samples differ.
const EDGE: f32 = 0.85;
const FLAT: f32 = 0.04;
/// Samples from two before a residue on that are looked at for a top beside it.
const RIM: usize = 4;
/// What is left of the ceiling after a hop (half of it after 0.35 s).
const CEILING_SINKS: f32 = 0.98;

/// One channel's clicks.
pub(super) struct Clicks {
    /// Residues of the last three hops, sample by sample, oldest first.
    residues: [Vec<f32>; 3],
    /// Products of samples 0 to `ORDER` apart, summed over the hop before.
    before: [f64; ORDER + 1],
    /// `ORDER` samples and the hop behind them, for the products.
    wide: Vec<f64>,
    ring: [f32; RING],
    /// Whether the residue of a cell is the edge of a top that was cut off.
    edges: [bool; RING],
    /// The feed's peak of the last half second, sinking.
    ceiling: f32,
    at: usize,
}

impl Clicks {
    /// For hops of `n` frames.
    pub(super) fn new(n: usize) -> Self {
        Self {
            residues: std::array::from_fn(|_| vec![0.0; n]),
            before: [0.0; ORDER + 1],
            wide: vec![0.0; ORDER + n],
            ring: [0.0; RING],
            edges: [false; RING],
            ceiling: 0.0,
            at: 0,
        }
    }

    /// Takes a hop (`samples`: `ORDER` samples, the hop before, the hop of `n`); gives the clicks that are certain.
    #[inline(always)]
    pub(super) fn hop<S: Simd>(&mut self, samples: &[f32], n: usize, peak: f32) -> u32 {
        let begin = ORDER + n;
        let products = products::<S>(samples, begin, &mut self.wide);
        let (mut residues, mut edges) = ([0.0; CELLS], [false; CELLS]);
        self.ceiling = peak.max(self.ceiling * CEILING_SINKS);
        self.residues.rotate_left(1);
        let fresh = &mut self.residues[2];
        if peak > QUIET {
            let sums = std::array::from_fn(|k| products[k] + self.before[k]);
            let predictor = predictor(&sums, samples).map(|a| a as f32);
            for (cell, residue) in residues.iter_mut().enumerate() {
                let part = begin + cell * n / CELLS..begin + (cell + 1) * n / CELLS;
                let into = &mut fresh[cell * n / CELLS..];
                *residue = residue_of::<S>(samples, part.clone(), &predictor, into);
                if *residue > LEAST {
                    let (around, ceiling) = (&samples[part.start - 2..], EDGE * self.ceiling);
                    // Few cells reach up to it.
                    let reach = &around[..(part.len() + RIM).min(around.len())];
                    edges[cell] = peak_of::<S>(reach) > ceiling && is_edge(around, &into[..part.len()], ceiling);
                }
            }
        } else {
            fresh.fill(0.0);
        }
        self.before = products;
        let mut found = 0;
        for (cell, residue) in residues.into_iter().enumerate() {
            self.ring[self.at % RING] = residue;
            self.edges[self.at % RING] = edges[cell];
            self.at += 1;
            found += u32::from(self.is_click() && self.is_short(2 * CELLS + cell - AROUND));
        }
        found
    }

    /// Whether a click begins in the cell `AROUND` before the newest. The residue of a jump lasts as long as the
    /// prediction looks back: into the next cell at most, and may be larger there.
    #[inline(always)]
    fn is_click(&self) -> bool {
        let cell = |back: usize| self.ring[(self.at + RING - 1 - back) % RING];
        let first = cell(AROUND);
        let top = first.max(cell(AROUND - 1));
        if top < LEAST || first * OVER < top || cell(AROUND + 1) * OVER > top || cell(AROUND - 2) * OVER > top {
            return false;
        }
        let edge = |back: usize| self.edges[(self.at + RING - 1 - back) % RING];
        if edge(if first == top { AROUND } else { AROUND - 1 }) {
            return false;
        }
        let before = (AROUND + 1..=2 * AROUND).map(cell);
        let after = (0..AROUND - 1).map(cell);
        before.chain(after).all(|other| other * OVER < top)
    }
}

impl Clicks {
    /// Few samples of this cell and the next, of the last three hops, are near their largest.
    fn is_short(&self, cell: usize) -> bool {
        let part = |cell: usize| {
            let (hop, n) = (&self.residues[cell / CELLS], self.residues[0].len());
            &hop[cell % CELLS * n / CELLS..(cell % CELLS + 1) * n / CELLS]
        };
        let both = || part(cell).iter().chain(part(cell + 1));
        let top = both().fold(0.0f32, |t, x| t.max(x.abs()));
        both().filter(|x| x.abs() * OVER > top).count() <= MOST_SAMPLES
    }
}

/// The largest residue lies at the rim of a flat top near the ceiling: a wave that was cut off, not a click (whose
/// sample stands alone). `samples` begin two before the residues'.
fn is_edge(samples: &[f32], residues: &[f32], ceiling: f32) -> bool {
    let top = (0..residues.len()).max_by(|a, b| residues[*a].abs().total_cmp(&residues[*b].abs())).unwrap_or(0);
    samples[top..samples.len().min(top + RIM + 1)]
        .windows(2)
        .any(|w| w[0].abs() > ceiling && (w[0] - w[1]).abs() < FLAT * ceiling)
}

/// Sums of x[n] x[n - k] over the samples from `begin` on, k = 0 to `ORDER`.
#[inline(always)]
fn products<S: Simd>(samples: &[f32], begin: usize, wide: &mut [f64]) -> [f64; ORDER + 1] {
    wide.iter_mut().zip(&samples[begin - ORDER..]).for_each(|(to, x)| *to = f64::from(*x));
    let mut sums = [S::F64::splat(0.0); ORDER + 1];
    let last = wide.len() - (wide.len() - ORDER) % 4;
    for at in (ORDER..last).step_by(4) {
        let around = &wide[at - ORDER..at + 4];
        let x = S::F64::load(&around[ORDER..]);
        for k in 0..ORDER + 1 {
            sums[k] = sums[k].add(x.mul(S::F64::load(&around[ORDER - k..])));
        }
    }
    let mut out = sums.map(|s| s.lanes().iter().sum::<f64>());
    for at in last..wide.len() {
        for k in 0..ORDER + 1 {
            out[k] += wide[at] * wide[at - k];
        }
    }
    out
}

/// Covariance method: the predictor of x[n] from x[n - 1] ... x[n - ORDER] with the least squares over both hops.
fn predictor(sums: &[f64; ORDER + 1], samples: &[f32]) -> [f64; ORDER] {
    // c[i][j]: sum of x[n - i] x[n - j]; each next diagonal step swaps one product at either end.
    let mut c = [[0.0; ORDER + 1]; ORDER + 1];
    c[0] = *sums;
    let (first, last) = (ORDER, samples.len());
    let x = |n: usize| f64::from(samples[n]);
    for i in 0..ORDER {
        for j in i..ORDER {
            c[i + 1][j + 1] = c[i][j] + x(first - 1 - i) * x(first - 1 - j) - x(last - 1 - i) * x(last - 1 - j);
        }
    }
    // Cholesky with a floor 90 dB under the signal: what is below is no structure.
    let floor = 1e-9 * sums[0] + 1e-12;
    let mut l = [[0.0f64; ORDER]; ORDER];
    for i in 0..ORDER {
        for j in 0..=i {
            let mut sum = c[j + 1][i + 1];
            if i == j {
                sum += floor;
            }
            for k in 0..j {
                sum -= l[i][k] * l[j][k];
            }
            l[i][j] = if i == j { sum.max(floor * 1e-3).sqrt() } else { sum / l[j][j] };
        }
    }
    let mut y = [0.0; ORDER];
    for i in 0..ORDER {
        let known: f64 = (0..i).map(|k| l[i][k] * y[k]).sum();
        y[i] = (c[0][i + 1] - known) / l[i][i];
    }
    let mut a = [0.0; ORDER];
    for i in (0..ORDER).rev() {
        let known: f64 = (i + 1..ORDER).map(|k| l[k][i] * a[k]).sum();
        a[i] = (y[i] - known) / l[i][i];
    }
    a
}

/// Largest |residue| in a part of the samples; each goes into `into`.
#[inline(always)]
fn residue_of<S: Simd>(
    samples: &[f32],
    part: std::ops::Range<usize>,
    predictor: &[f32; ORDER],
    into: &mut [f32],
) -> f32 {
    let mut top = S::F32::splat(0.0);
    let mut at = part.start;
    while at + 8 <= part.end {
        let around = &samples[at - ORDER..at + 8];
        let mut rest = S::F32::load(&around[ORDER..]);
        for k in 0..ORDER {
            rest = rest.sub(S::F32::splat(predictor[k]).mul(S::F32::load(&around[ORDER - 1 - k..])));
        }
        top = top.max(rest.abs());
        into[at - part.start..at - part.start + 8].copy_from_slice(&rest.lanes());
        at += 8;
    }
    let mut top = top.lanes().into_iter().fold(0.0, f32::max);
    for n in at..part.end {
        let rest = predictor.iter().enumerate().fold(samples[n], |r, (k, a)| r - a * samples[n - 1 - k]);
        top = top.max(rest.abs());
        into[n - part.start] = rest;
    }
    top
}
