//! How much the balance between bands moves.

use super::beside::BesideNeighbours;
use super::{Balance, Table};
use crate::likeness::cell::Cell;
use crate::likeness::spectra::BANDS;
use crate::likeness::statistics::{Spread, percentile, weighted_median};
use crate::measure::simd::Isa;

/// The movement of the balance: gain by band, less its median over time, less each cell's median over bands.
pub(super) fn add(tables: &[Table], cells: &[&Cell], heard: &[[bool; BANDS]], out: &mut Balance) {
    let isa = Isa::best();
    let mut whole = Spread::default();
    let mut local = Spread::default();
    let (mut strange, mut weights) = (0.0, 0.0);
    let mut steps = 0.0;
    let mut lasting = Lasting::default();
    let mut bands = [Spread::default(); BANDS];
    for table in tables {
        let mut rest = table.gain.clone();
        medians_out(&mut rest, heard);
        for (row, weight) in rest.iter_mut().zip(&table.weight) {
            let middle = weighted_median(row, weight);
            row.iter_mut().for_each(|r| *r -= middle);
        }
        medians_out(&mut rest, heard);
        for t in 0..cells.len() {
            for b in (0..BANDS).filter(|b| heard[t][*b]) {
                let r = rest[t][b].clamp(-6.0, 6.0);
                whole.add(table.weight[t][b], r, table.chance[t][b]);
                bands[b].add(table.weight[t][b], r, table.chance[t][b]);
            }
        }
        let beside = isa.run(BesideNeighbours { rows: &rest, heard });
        for (t, beside) in beside.iter().enumerate() {
            for b in (0..BANDS).filter(|b| heard[t][*b]) {
                local.add(table.weight[t][b], beside[b], table.chance[t][b]);
                strange += table.weight[t][b] * table.stranger[t][b];
                weights += table.weight[t][b];
            }
        }
        let (explained, at) = step_explains(&rest, table);
        steps += explained;
        for part in [0..at, at..cells.len()] {
            let (rows, heard) = (&mut rest[part.clone()], &heard[part.clone()]);
            let level = level_bands(&medians(&table.gain[part.clone()], heard));
            medians_out(rows, heard);
            lasting.add(&isa.run(BesideNeighbours { rows, heard }), &table.weight[part], &level);
        }
    }
    out.moves_db = whole.rms();
    out.local_moves_db = local.rms();
    out.lasting_moves_db = lasting.rms();
    out.stranger_moves_db = (strange / f64::max(weights, 1e-9)).sqrt();
    whole.squares -= steps;
    out.moves_beside_step_db = whole.rms();
    for b in 0..BANDS {
        out.band_moves_db[b] = bands[b].rms();
        out.band_heard[b] = bands[b].weights > 0.0;
    }
}

/// Each band's median; `None` where the band was not heard.
fn medians(rows: &[[f64; BANDS]], heard: &[[bool; BANDS]]) -> [Option<f64>; BANDS] {
    let mut column = Vec::with_capacity(rows.len());
    std::array::from_fn(|b| {
        column.clear();
        column.extend(rows.iter().zip(heard).filter(|(_, h)| h[b]).map(|(r, _)| r[b]));
        (!column.is_empty()).then(|| percentile(&mut column, 0.5))
    })
}

/// Takes each band's median out.
fn medians_out(rows: &mut [[f64; BANDS]], heard: &[[bool; BANDS]]) {
    let medians = medians(rows, heard).map(|m| m.unwrap_or(0.0));
    rows.iter_mut().for_each(|row| row.iter_mut().zip(medians).for_each(|(r, middle)| *r -= middle));
}

/// Weights of the bands: less where the static gain is steep. Inside of such a band an equaliser treats each note
/// otherwise, and the band moves with the tune.
fn level_bands(gain: &[Option<f64>; BANDS]) -> [f64; BANDS] {
    std::array::from_fn(|b| {
        let beside = |k: Option<usize>| k.and_then(|k| *gain.get(k)?).zip(gain[b]).map_or(0.0, |(k, b)| (k - b).abs());
        let steep = beside(b.checked_sub(1)).max(beside(Some(b + 1)));
        1.0 / (1.0 + (steep / STEEP_DB).powi(2))
    })
}

/// Step of the static gain from band to band at which a band counts half, dB.
const STEEP_DB: f64 = 0.7;

/// Movement that one cell shares with the next two. A source that is louder in one mix stays so as long as it sounds;
/// what a compressor does to a band, and what chance does, is another thing in the next cell.
#[derive(Default)]
struct Lasting {
    weights: f64,
    products: f64,
}

impl Lasting {
    fn add(&mut self, rows: &[[f64; BANDS]], weights: &[[f64; BANDS]], level: &[f64; BANDS]) {
        let roots: Vec<[f64; BANDS]> = weights.iter().map(|w| w.map(f64::sqrt)).collect();
        for later in 1..=2 {
            for t in later..rows.len() {
                for b in 0..BANDS {
                    // Nothing where either was not heard: its weight is 0.
                    let weight = level[b] * roots[t][b] * roots[t - later][b];
                    self.weights += weight;
                    self.products += weight * rows[t][b] * rows[t - later][b];
                }
            }
        }
    }

    fn rms(&self) -> f64 {
        if self.weights > 0.0 { (self.products / self.weights).max(0.0).sqrt() } else { 0.0 }
    }
}

/// The weighted squares that one change of the static gains explains, at the best of its places, and that place: the
/// first cell after it.
fn step_explains(rest: &[[f64; BANDS]], table: &Table) -> (f64, usize) {
    let mut all = [[0.0; 2]; BANDS];
    let each = |row: &[f64; BANDS], t: usize, to: &mut [[f64; 2]; BANDS]| {
        for b in 0..BANDS {
            let w = table.weight[t][b];
            to[b][0] += w;
            to[b][1] += w * row[b].clamp(-6.0, 6.0);
        }
    };
    rest.iter().enumerate().for_each(|(t, row)| each(row, t, &mut all));
    let mut before = [[0.0; 2]; BANDS];
    let mut best = (0.0f64, 0);
    for (t, row) in rest.iter().enumerate() {
        each(row, t, &mut before);
        let explained: f64 = (0..BANDS)
            .map(|b| {
                let [w, s] = before[b];
                let (v, r) = (all[b][0] - w, all[b][1] - s);
                let part = |w: f64, s: f64| if w > 1e-9 { s * s / w } else { 0.0 };
                part(w, s) + part(v, r)
            })
            .sum();
        if explained > best.0 {
            best = (explained, t + 1);
        }
    }
    best
}
