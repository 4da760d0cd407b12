//! How much the balance between bands moves.

use super::{Balance, Table};
use crate::likeness::spectra::BANDS;
use crate::likeness::statistics::{Spread, median, weighted_median};
use crate::likeness::track::Cell;

/// The movement of the balance: gain by band, less its median over time, less each cell's median over bands.
pub(super) fn add(tables: &[Table], cells: &[&Cell], heard: &[[bool; BANDS]], out: &mut Balance) {
    let mut whole = Spread::default();
    let mut local = Spread::default();
    let (mut strange, mut weights) = (0.0, 0.0);
    let mut steps = 0.0;
    let mut bands = [Spread::default(); BANDS];
    let medians_out = |rows: &mut Vec<[f64; BANDS]>| {
        for b in 0..BANDS {
            let column: Vec<f64> = rows.iter().zip(heard).filter(|(_, h)| h[b]).map(|(r, _)| r[b]).collect();
            if !column.is_empty() {
                let middle = median(column);
                rows.iter_mut().for_each(|r| r[b] -= middle);
            }
        }
    };
    for table in tables {
        let mut rest = table.gain.clone();
        medians_out(&mut rest);
        for (row, weight) in rest.iter_mut().zip(&table.weight) {
            let middle = weighted_median(row, weight);
            row.iter_mut().for_each(|r| *r -= middle);
        }
        medians_out(&mut rest);
        for t in 0..cells.len() {
            for b in (0..BANDS).filter(|b| heard[t][*b]) {
                let r = rest[t][b].clamp(-6.0, 6.0);
                whole.add(table.weight[t][b], r, table.chance[t][b]);
                bands[b].add(table.weight[t][b], r, table.chance[t][b]);
            }
        }
        for (t, row) in rest.iter().enumerate() {
            let smooth = smoothed(row, &heard[t]);
            for b in (0..BANDS).filter(|b| heard[t][*b]) {
                local.add(table.weight[t][b], (row[b] - smooth[b]).clamp(-6.0, 6.0), table.chance[t][b]);
                strange += table.weight[t][b] * table.stranger[t][b];
                weights += table.weight[t][b];
            }
        }
        steps += step_explains(&rest, table);
    }
    out.moves_db = whole.rms();
    out.local_moves_db = local.rms();
    out.stranger_moves_db = (strange / f64::max(weights, 1e-9)).sqrt();
    whole.squares -= steps;
    out.moves_beside_step_db = whole.rms();
    for b in 0..BANDS {
        out.band_moves_db[b] = bands[b].rms();
        out.band_heard[b] = bands[b].weights > 0.0;
    }
}

/// Running median over seven bands: keeps the steps between the groups of a multiband compressor.
fn smoothed(row: &[f64; BANDS], heard: &[bool; BANDS]) -> [f64; BANDS] {
    std::array::from_fn(|b| {
        let (mut near, mut n) = ([0.0; 7], 0);
        for k in (b.saturating_sub(3)..(b + 4).min(BANDS)).filter(|k| heard[*k]) {
            near[n] = row[k];
            n += 1;
        }
        near[..n].sort_by(f64::total_cmp);
        if n == 0 { 0.0 } else { (near[(n - 1) / 2] + near[n / 2]) / 2.0 }
    })
}

/// The weighted squares that one change of the static gains explains, at the best of its places.
fn step_explains(rest: &[[f64; BANDS]], table: &Table) -> f64 {
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
    let mut best = 0.0f64;
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
        best = best.max(explained);
    }
    best
}
