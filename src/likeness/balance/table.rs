//! The gains of one stream channel as a table of cells by bands, with what chance and strange sound could do to them.

use super::Balance;
use crate::likeness::cell::{CELL_FRAMES, Cell};
use crate::likeness::spectra::{BANDS, edges};
use crate::likeness::statistics::median;

/// One channel's table: rows of bands.
pub(super) struct Table {
    /// Gain, dB.
    pub(super) gain: Vec<[f64; BANDS]>,
    /// Weight; 0 where the band was not heard.
    pub(super) weight: Vec<[f64; BANDS]>,
    /// Expected square of chance, dB².
    pub(super) chance: Vec<[f64; BANDS]>,
    /// Mean square that the unexplained part would move the gain by if it were in step, dB².
    pub(super) stranger: Vec<[f64; BANDS]>,
}

impl Table {
    /// Of stream channel `c` against reference `m`.
    pub(super) fn new(cells: &[&Cell], heard: &[[bool; BANDS]], c: usize, m: usize) -> Self {
        let edges = edges();
        let rows = || Vec::with_capacity(cells.len());
        let mut t = Self { gain: rows(), weight: rows(), chance: rows(), stranger: rows() };
        for (cell, heard) in cells.iter().zip(heard) {
            let [mut gain, mut weight, mut chance, mut stranger] = [[0.0; BANDS]; 4];
            for b in (0..BANDS).filter(|b| heard[*b]) {
                let n = 0.49 * (edges[b + 1] - edges[b]) as f64 * CELL_FRAMES as f64;
                let raw = f64::from(cell.coherence[c][m][b]);
                let g = (raw - (1.0 - raw) / n).clamp(1e-3, 1.0);
                chance[b] = 8.686f64.powi(2) * (1.0 - g) / (2.0 * g * n);
                weight[b] = 1.0 / (chance[b] + 0.09);
                gain[b] = f64::from(cell.gain_db[c][m][b]);
                stranger[b] = 8.686f64.powi(2) * (1.0 - g) / (2.0 * g.max(0.05));
            }
            t.gain.push(gain);
            t.weight.push(weight);
            t.chance.push(chance);
            t.stranger.push(stranger);
        }
        t
    }
}

/// Share of the stream that the house does not explain, dB (median over cells and bands).
pub(super) fn unexplained(cells: &[&Cell], heard: &[[bool; BANDS]], of: &Balance) -> f64 {
    let mut all = Vec::with_capacity(2 * BANDS * cells.len());
    for c in (0..2).filter(|c| of.used[*c]) {
        for (cell, heard) in cells.iter().zip(heard) {
            let rest = |b: usize| 1.0 - f64::from(cell.coherence[c][of.from[c]][b]);
            all.extend((0..BANDS).filter(|b| heard[*b]).map(rest));
        }
    }
    10.0 * median(all).max(1e-6).log10()
}
