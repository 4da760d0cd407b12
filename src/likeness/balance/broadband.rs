//! The gain that all bands share, and how it moves in time.

use super::{Balance, CELL_SECONDS, Steps, Table, compressor};
use crate::likeness::cell::Cell;
use crate::likeness::spectra::BANDS;
use crate::likeness::statistics::{deviation, least_squares, median, percentile, weighted_median};

/// Cells of a block of the broadband gain: 4.1 s.
const BLOCK: usize = 12;

/// The gain that all bands share: its place, its roughness over bands, and how it moves in time.
pub(super) fn add(tables: &[Table], cells: &[&Cell], kinds: &[f64], out: &mut Balance) {
    let n = cells.len();
    let mut fixed = vec![[0.0; BANDS]; tables.len()];
    let mut shown = [0.0; BANDS];
    let mut column = Vec::with_capacity(n);
    for (table, fixed) in tables.iter().zip(&mut fixed) {
        for b in 0..BANDS {
            column.clear();
            let filled = (0..n).filter(|t| table.weight[*t][b] > 0.0);
            column.extend(filled.map(|t| table.gain[t][b] + f64::from(cells[t].broad_db)));
            fixed[b] = if column.is_empty() { f64::NAN } else { percentile(&mut column, 0.5) };
            shown[b] += fixed[b] / tables.len() as f64;
        }
    }
    let known: Vec<f64> = shown.iter().copied().filter(|x| x.is_finite()).collect();
    if known.is_empty() {
        return;
    }
    let steps: Vec<f64> = known.windows(2).map(|w| (w[1] - w[0]).powi(2)).collect();
    out.slope_db = (steps.iter().sum::<f64>() / steps.len().max(1) as f64).sqrt();
    out.gain_db = median(known);
    out.band_gain_db = shown.map(|x| if x.is_finite() { x } else { 0.0 });
    let top = percentile(&mut cells.iter().map(|c| f64::from(c.level_db)).collect::<Vec<_>>(), 0.95);
    let top_peak = percentile(&mut cells.iter().map(|c| f64::from(c.peak_db)).collect::<Vec<_>>(), 0.95);
    let mut follow = Follow::new(top);
    let (mut gains, mut features, mut of_kind) = (Vec::with_capacity(n), Vec::with_capacity(n), Vec::with_capacity(n));
    let (mut values, mut weights) = (Vec::new(), Vec::new());
    let shown_power = out.band_gain_db.map(|gain| 10f64.powf(gain / 10.0));
    let mut of_cell = Vec::with_capacity(n);
    for t in 0..n {
        let level = f64::from(cells[t].level_db);
        let [fast, slow] = follow.step(level);
        let shaped_db = shaped_db(cells[t], &shown_power) - out.gain_db - level;
        of_cell.push(OfCell { shaped_db, gain_db: None });
        if level < top - 30.0 {
            continue;
        }
        values.clear();
        weights.clear();
        for (table, fixed) in tables.iter().zip(&fixed) {
            for b in (0..BANDS).filter(|b| table.weight[t][*b] > 0.0) {
                values.push(table.gain[t][b] + f64::from(cells[t].broad_db) - fixed[b]);
                weights.push(table.weight[t][b]);
            }
        }
        if !values.is_empty() {
            out.counted[t] = true;
            let gain_db = weighted_median(&values, &weights);
            gains.push(gain_db);
            of_cell[t].gain_db = Some(gain_db);
            of_kind.push(kinds[t]);
            let (near, peak) = (level - top + shaped_db, f64::from(cells[t].peak_db) - top_peak + shaped_db);
            let over = |knee: f64| (peak - knee).max(0.0);
            features.push([
                1.0,
                near,
                (near + 12.0).max(0.0),
                fast,
                slow,
                kinds[t],
                peak,
                over(-6.0),
                over(-12.0),
                over(-20.0),
            ]);
        }
    }
    out.seconds = gains.len() as f64 * CELL_SECONDS;
    if gains.len() < 2 * BLOCK {
        return;
    }
    out.jitter_db = median(gains.windows(2).map(|w| (w[1] - w[0]).abs()).collect());
    let sure = features.iter().zip(&gains).filter(|(x, _)| x[5] != 0.0);
    let beside_level = 2.0 * least_squares(sure.map(|(x, y)| (x, 1.0, *y)))[5];
    features.iter_mut().for_each(|x| x[5] = 0.0);
    let fit = least_squares(features.iter().zip(&gains).map(|(x, y)| (x, 1.0, *y)));
    let rest: Vec<f64> =
        features.iter().zip(&gains).map(|(x, y)| y - fit.iter().zip(x).map(|(k, x)| k * x).sum::<f64>()).collect();
    let blocks = |values: &[f64]| values.chunks_exact(BLOCK).map(|b| median(b.to_vec())).collect::<Vec<f64>>();
    let by_block = blocks(&gains);
    out.blocks = by_block.len();
    out.block_moves_db = deviation(&by_block);
    let step = passages(&by_block, &of_kind, out);
    // Talk is softer than song: a fit on level and kind of a gain that follows neither finds both, one against the
    // other. Where nothing works from moment to moment the level explains nothing.
    let follows = out.jitter_db >= FOLLOWS_LEVEL_DB;
    if follows && out.moves_db <= FITTED_MOVES_DB {
        out.compressor = compressor::fit(cells, kinds, &of_cell);
    }
    out.block_rest_db = if follows { deviation(&blocks(&rest)) } else { out.block_moves_db };
    out.talk_step_db = step.filter(|_| !follows).unwrap_or(beside_level);
    let within = gains.chunks_exact(BLOCK).map(|b| {
        let middle = median(b.to_vec());
        1.483 * median(b.iter().map(|x| (x - middle).abs()).collect())
    });
    out.wobble_db = median(within.collect());
}

/// Movement up to which a compressor is fitted, dB: over it no copy is told.
const FITTED_MOVES_DB: f64 = 0.5;

/// What a compressor is fitted to beside the moments themselves.
pub(super) struct OfCell {
    /// What the static gains add to the level of the house, dB.
    pub(super) shaped_db: f64,
    /// Broadband gain beside the static gains, dB, if it counts.
    pub(super) gain_db: Option<f64>,
}

/// Level of a cell of the house behind the static gains, dB: what a compressor behind the equaliser goes by.
fn shaped_db(cell: &Cell, gains: &[f64; BANDS]) -> f64 {
    let power = |(power, gain): (&f32, &f64)| f64::from(*power) * gain;
    10.0 * cell.house_power.iter().zip(gains).map(power).sum::<f64>().max(1e-20).log10()
}

/// Change of the broadband gain from cell to cell from which it may follow the level, dB.
const FOLLOWS_LEVEL_DB: f64 = 0.1;
/// Blocks of one kind in a row that make a passage.
const PASSAGE_BLOCKS: usize = 2;

/// Passages of one kind: whether one of another level stands between two that are alike. Gives talk over held sound, dB,
/// where both were heard.
fn passages(by_block: &[f64], of_kind: &[f64], out: &mut Balance) -> Option<f64> {
    let kinds = of_kind.chunks_exact(BLOCK).map(|k| k.iter().sum::<f64>() / BLOCK as f64);
    let pure: Vec<(f64, f64)> =
        by_block.iter().copied().zip(kinds).filter(|(_, k)| k.abs() > 0.8).map(|(g, k)| (g, k.signum())).collect();
    let passages: Vec<Passage> =
        pure.chunk_by(|a, b| a.1 == b.1).filter(|p| p.len() >= PASSAGE_BLOCKS).map(Passage::of).collect();
    out.steps = steps(&passages);
    let of = |kind: f64| pure.iter().filter(|(_, k)| *k == kind).map(|(g, _)| *g).collect::<Vec<f64>>();
    let [talk, held] = [of(1.0), of(-1.0)];
    (!talk.is_empty() && !held.is_empty()).then(|| median(talk) - median(held))
}

/// Blocks of one kind in a row.
struct Passage {
    kind: f64,
    gain_db: f64,
    /// How far its blocks lie from it: four of five not farther.
    apart_db: f64,
}

impl Passage {
    fn of(blocks: &[(f64, f64)]) -> Self {
        let gain_db = median(blocks.iter().map(|b| b.0).collect());
        let mut apart: Vec<f64> = blocks.iter().map(|b| (b.0 - gain_db).abs()).collect();
        Self { kind: blocks[0].1, gain_db, apart_db: percentile(&mut apart, 0.8) }
    }
}

/// Of all passages that stand between two of the other kind, the one whose neighbours are most alike for its step.
fn steps(passages: &[Passage]) -> Option<Steps> {
    let within_db = passages.iter().map(|p| p.apart_db).fold(0.0, f64::max);
    let mut best: Option<Steps> = None;
    for (j, other) in passages.iter().enumerate() {
        for before in passages[..j].iter().filter(|p| p.kind != other.kind) {
            for after in passages[j + 1..].iter().filter(|p| p.kind != other.kind) {
                let step = |p: &Passage| (p.gain_db - other.gain_db).abs();
                let found = Steps {
                    step_db: step(before).min(step(after)),
                    back_db: (before.gain_db - after.gain_db).abs(),
                    within_db,
                };
                let better = |b: Steps| found.back_db * b.step_db < b.back_db * found.step_db;
                if best.is_none_or(better) {
                    best = Some(found);
                }
            }
        }
    }
    best
}

/// Level followed with 0.8 s and 5 s, dB re the loud.
struct Follow {
    top: f64,
    state: Option<[f64; 2]>,
}

impl Follow {
    fn new(top: f64) -> Self {
        Self { top, state: None }
    }

    fn step(&mut self, level: f64) -> [f64; 2] {
        let x = (level - self.top).max(-40.0);
        let mut now = self.state.unwrap_or([x; 2]);
        for (value, seconds) in now.iter_mut().zip([0.8f64, 5.0]) {
            *value += (1.0 - (-CELL_SECONDS / seconds).exp()) * (x - *value);
        }
        self.state = Some(now);
        now
    }
}
