//! How much the balance between bands moves from the house to the stream, over the cells of a span of time.
//!
//! A copy, whatever equaliser it passed, has one gain a band, and at most a broadband gain that follows the level;
//! in a mix of its own the gain of a band follows the source that dominates it.

use super::spectra::{BANDS, edges, middle_hz};
use super::statistics::{FIT, Spread, deviation, least_squares, median, percentile, weighted_median};
use super::track::{CELL_FRAMES, Cell};
use super::{GROUP_HZ, GROUPS, Group};

/// Figures of a span.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Balance {
    /// How much the balance between bands moves, dB (rms; what chance explains taken out).
    pub moves_db: f64,
    /// The same after what each band's own level explains (as a multiband compressor would) was taken out, dB.
    pub moves_beside_level_db: f64,
    /// The same after one change of the static gains, at the moment that explains most, was taken out, dB.
    pub moves_beside_step_db: f64,
    /// The same against the neighbouring bands only, dB: a multiband compressor moves whole groups of bands.
    pub local_moves_db: f64,
    /// What the sound that the house does not explain could move at most, if it were in step with the house, dB.
    pub stranger_moves_db: f64,
    /// The same, of averages over 4 s: what outlasts a compressor's moments, dB.
    pub slow_moves_db: f64,
    /// `moves_db` that an equalised and compressed copy would show here, dB.
    pub copy_moves_db: f64,
    /// Share of the stream that the house does not explain, dB (median over cells and bands).
    pub unexplained_db: f64,
    /// The same of the second worst band, dB.
    pub unexplained_band_db: f64,
    /// Static gain by band, dB.
    pub band_gain_db: [f64; BANDS],
    /// How much each band's gain moves against the others, dB.
    pub band_moves_db: [f64; BANDS],
    /// Bands that were heard.
    pub band_heard: [bool; BANDS],
    /// Broadband gain, dB (median over bands).
    pub gain_db: f64,
    /// Roughness of the static gain from band to band, dB.
    pub slope_db: f64,
    /// Median change of the broadband gain from cell to cell, dB.
    pub jitter_db: f64,
    /// Share of the broadband gain's movement that the level explains, 0 to 1.
    pub level_explains: f64,
    /// Broadband gain in blocks of 4.1 s: standard deviation, dB.
    pub block_moves_db: f64,
    /// The same after what the level explains was taken out, dB.
    pub block_rest_db: f64,
    /// Talk over held sound in the broadband gain, dB, beside what the level explains.
    pub talk_step_db: f64,
    /// How far blocks of one kind of sound lie apart in the broadband gain, dB.
    pub kind_spread_db: f64,
    /// Changes between talk and held sound.
    pub passages: usize,
    /// Wobble of the broadband gain within a block, dB.
    pub wobble_db: f64,
    /// Blocks.
    pub blocks: usize,
    /// Seconds of cells that were used.
    pub seconds: f64,
    /// Reference of each stream channel: 0 left, 1 right, 2 both.
    pub from: [usize; 2],
    /// The stream channel was used at all.
    pub used: [bool; 2],
    /// For each cell given: it was used for the broadband gain.
    pub counted: Vec<bool>,
}

/// Cells of a block of the broadband gain.
const BLOCK: usize = 12;
/// Seconds of a cell.
pub const CELL_SECONDS: f64 = (CELL_FRAMES * super::spectra::STEP) as f64 / super::thin::WORK_HZ as f64;

/// One channel's table: rows of bands.
struct Table {
    /// Gain, dB.
    gain: Vec<[f64; BANDS]>,
    /// Weight; 0 where the band was not heard.
    weight: Vec<[f64; BANDS]>,
    /// Expected square of chance, dB².
    chance: Vec<[f64; BANDS]>,
    /// Mean square that the unexplained part would move the gain by if it were in step, dB².
    stranger: Vec<[f64; BANDS]>,
}

/// Compares over `cells` (of blocks in which both feeds had sound and agreed on the delay). `channels` are those of
/// stream and house, `kinds` is 1 for talk, -1 for held sound, 0 for neither.
pub fn compare(cells: &[&Cell], kinds: &[f64], channels: [usize; 2]) -> Option<Balance> {
    let heard = heard(cells)?;
    let references: &[usize] = if channels[1] == 2 { &[0, 1, 2] } else { &[0] };
    let mut out = Balance { counted: vec![false; cells.len()], ..Balance::default() };
    let loudest = |c: usize| percentile(&cells.iter().map(|x| f64::from(x.stream_db[c])).collect::<Vec<_>>(), 0.95);
    let levels = [loudest(0), if channels[0] == 2 { loudest(1) } else { f64::NEG_INFINITY }];
    out.used = std::array::from_fn(|c| c < channels[0] && levels[c] > levels[0].max(levels[1]) - 40.0);
    let mut tables = Vec::new();
    for c in (0..channels[0]).filter(|c| out.used[*c]) {
        let straight = |m: usize| m == c || channels[1] == 1;
        let mean = |m: usize| {
            let all = cells.iter().zip(&heard).flat_map(|(cell, heard)| {
                (0..BANDS).filter(|b| heard[*b]).map(move |b| f64::from(cell.coherence[c][m][b]))
            });
            let (n, sum) = all.fold((0.0, 0.0), |(n, s), g| (n + 1.0, s + g));
            sum / f64::max(n, 1.0) + if straight(m) { 0.003 } else { 0.0 }
        };
        let best = references.iter().copied().max_by(|a, b| mean(*a).total_cmp(&mean(*b)))?;
        out.from[c] = best;
        tables.push(table(cells, &heard, c, best));
    }
    moves(&tables, cells, &heard, &mut out);
    unexplained(&tables, cells, &heard, &mut out);
    broadband(&tables, cells, kinds, &mut out);
    out.copy_moves_db = 0.12 + 0.22 * out.slope_db.min(3.0) + 0.35 * out.jitter_db.min(1.0);
    Some(out)
}

impl Balance {
    /// Group of a band.
    fn group(band: usize) -> usize {
        GROUP_HZ.iter().rposition(|low| middle_hz(band) >= *low).unwrap_or(0)
    }

    /// By group: static gain over the median, and how much it moves.
    pub fn groups(&self) -> [Group; GROUPS] {
        std::array::from_fn(|g| {
            let bands: Vec<usize> = (0..BANDS).filter(|b| Self::group(*b) == g && self.band_heard[*b]).collect();
            let n = bands.len() as f64;
            let over = bands.iter().map(|b| self.band_gain_db[*b] - self.gain_db).sum::<f64>() / n;
            let moves = (bands.iter().map(|b| self.band_moves_db[*b].powi(2)).sum::<f64>() / n).sqrt();
            if bands.is_empty() { Group::default() } else { Group { over_db: Some(over), moves_db: moves } }
        })
    }

    /// Gain by group in `cells`, over the median gain of the whole span, dB.
    pub fn groups_of(&self, cells: &[&Cell]) -> [Option<f64>; GROUPS] {
        std::array::from_fn(|g| {
            let (mut n, mut sum) = (0.0, 0.0);
            for c in (0..2).filter(|c| self.used[*c]) {
                for b in (0..BANDS).filter(|b| Self::group(*b) == g && self.band_heard[*b]) {
                    for cell in cells.iter().filter(|x| x.coherence[c][self.from[c]][b] > 0.3) {
                        // Loud cells say more; their power is the weight.
                        let weight = 10f64.powf(f64::from(cell.house_db[b]) / 10.0);
                        n += weight;
                        sum += weight * (f64::from(cell.gain_db[c][self.from[c]][b] + cell.broad_db) - self.gain_db);
                    }
                }
            }
            (n > 0.0).then(|| sum / n)
        })
    }

    /// Broadband gain over `cells`, dB; `None` under 5 s of them.
    pub fn gain_of<'a>(&self, cells: impl Iterator<Item = &'a Cell>) -> Option<f64> {
        let mut values = Vec::new();
        let mut count = 0;
        for cell in cells {
            count += 1;
            for c in (0..2).filter(|c| self.used[*c]) {
                for b in (0..BANDS).filter(|b| self.band_heard[*b] && cell.coherence[c][self.from[c]][*b] > 0.5) {
                    values.push(f64::from(cell.gain_db[c][self.from[c]][b] + cell.broad_db));
                }
            }
        }
        (count as f64 * CELL_SECONDS >= 5.0 && !values.is_empty()).then(|| median(values))
    }
}

/// Which bands of which cells the house fills; `None` when there is next to nothing.
fn heard(cells: &[&Cell]) -> Option<Vec<[bool; BANDS]>> {
    let top: [f64; BANDS] =
        std::array::from_fn(|b| percentile(&cells.iter().map(|c| f64::from(c.house_db[b])).collect::<Vec<_>>(), 0.95));
    let most = top.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let mut any = 0;
    let rows = cells
        .iter()
        .map(|cell| {
            let row: [bool; BANDS] =
                std::array::from_fn(|b| f64::from(cell.house_db[b]) > (top[b] - 35.0).max(most - 60.0));
            let enough = row.iter().filter(|x| **x).count() >= 5;
            any += usize::from(enough);
            if enough { row } else { [false; BANDS] }
        })
        .collect();
    (any >= 8).then_some(rows)
}

fn table(cells: &[&Cell], heard: &[[bool; BANDS]], c: usize, m: usize) -> Table {
    let edges = edges();
    let mut t = Table { gain: Vec::new(), weight: Vec::new(), chance: Vec::new(), stranger: Vec::new() };
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

/// The movement of the balance: gain by band, less its median over time, less each cell's median over bands.
fn moves(tables: &[Table], cells: &[&Cell], heard: &[[bool; BANDS]], out: &mut Balance) {
    let mut whole = Spread::default();
    let mut beside = Spread::default();
    let mut slow = Spread::default();
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
        for block in 0..cells.len() / BLOCK {
            for b in 0..BANDS {
                let span = block * BLOCK..(block + 1) * BLOCK;
                let (mut n, mut w, mut sum, mut chance) = (0, 0.0, 0.0, 0.0);
                for t in span.filter(|t| heard[*t][b]) {
                    let weight = table.weight[t][b];
                    n += 1;
                    w += weight;
                    sum += weight * rest[t][b].clamp(-6.0, 6.0);
                    chance += weight * weight * table.chance[t][b];
                }
                if n >= BLOCK / 3 {
                    slow.add(w, sum / w, chance / (w * w));
                }
            }
        }
        for b in 0..BANDS {
            beside_level(&rest, table, cells, heard, b, &mut beside);
        }
    }
    out.moves_db = whole.rms();
    out.moves_beside_level_db = beside.rms();
    out.slow_moves_db = slow.rms();
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

/// Adds what is left of a band's movement when its own level, and that of its neighbourhood, are regressed out.
fn beside_level(
    rest: &[[f64; BANDS]],
    table: &Table,
    cells: &[&Cell],
    heard: &[[bool; BANDS]],
    b: usize,
    sum: &mut Spread,
) {
    let rows: Vec<usize> = (0..cells.len()).filter(|t| heard[*t][b]).collect();
    if rows.len() < 60 {
        rows.iter().for_each(|t| sum.add(table.weight[*t][b], rest[*t][b].clamp(-6.0, 6.0), table.chance[*t][b]));
        return;
    }
    let around = b.saturating_sub(4)..(b + 5).min(BANDS);
    let wide = |cell: &Cell| -> f64 {
        10.0 * around.clone().map(|k| 10f64.powf(f64::from(cell.house_db[k]) / 10.0)).sum::<f64>().max(1e-20).log10()
    };
    let levels: Vec<f64> = cells.iter().map(|c| wide(c)).collect();
    let top = percentile(&levels, 0.95);
    let own_top = percentile(&cells.iter().map(|c| f64::from(c.house_db[b])).collect::<Vec<_>>(), 0.95);
    let mut before = 0.0;
    let mut follow = Follow::new(top);
    let features: Vec<[f64; FIT]> = cells
        .iter()
        .zip(&levels)
        .map(|(cell, level)| {
            let [fast, slow] = follow.step(*level);
            let narrow = f64::from(cell.house_db[b]).max(own_top - 40.0) - own_top;
            let was = std::mem::replace(&mut before, narrow);
            let near = (level - top).max(-40.0);
            [1.0, near, (near + 12.0).max(0.0), fast, slow, narrow, was]
        })
        .collect();
    let target: Vec<(usize, f64, f64)> =
        rows.iter().map(|t| (*t, table.weight[*t][b], rest[*t][b].clamp(-6.0, 6.0))).collect();
    let fit = least_squares(target.iter().map(|(t, w, y)| (&features[*t], *w, *y)));
    for (t, w, y) in target {
        let explained: f64 = fit.iter().zip(&features[t]).map(|(k, x)| k * x).sum();
        sum.add(w, y - explained, table.chance[t][b]);
    }
}

fn unexplained(tables: &[Table], cells: &[&Cell], heard: &[[bool; BANDS]], out: &mut Balance) {
    let mut all = Vec::new();
    let mut bands = vec![Vec::new(); BANDS];
    let used: Vec<usize> = (0..2).filter(|c| out.used[*c]).collect();
    for c in used.iter().take(tables.len()) {
        for (cell, heard) in cells.iter().zip(heard) {
            for b in (0..BANDS).filter(|b| heard[*b]) {
                let rest = 1.0 - f64::from(cell.coherence[*c][out.from[*c]][b]);
                all.push(rest);
                bands[b].push(rest);
            }
        }
    }
    let db = |x: f64| 10.0 * x.max(1e-6).log10();
    out.unexplained_db = db(median(all));
    let mut by_band: Vec<f64> = bands.into_iter().filter(|b| b.len() >= 20).map(|b| db(median(b))).collect();
    by_band.sort_by(f64::total_cmp);
    out.unexplained_band_db = by_band.iter().rev().nth(1).copied().unwrap_or(-60.0);
}

/// The gain that all bands share: its place, its roughness over bands, and how it moves in time.
fn broadband(tables: &[Table], cells: &[&Cell], kinds: &[f64], out: &mut Balance) {
    let n = cells.len();
    let mut fixed = vec![[0.0; BANDS]; tables.len()];
    let mut shown = [0.0; BANDS];
    for (table, fixed) in tables.iter().zip(&mut fixed) {
        for b in 0..BANDS {
            let column: Vec<f64> = (0..n)
                .filter(|t| table.weight[*t][b] > 0.0)
                .map(|t| table.gain[t][b] + f64::from(cells[t].broad_db))
                .collect();
            fixed[b] = if column.is_empty() { f64::NAN } else { median(column) };
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
    let top = percentile(&cells.iter().map(|c| f64::from(c.level_db)).collect::<Vec<_>>(), 0.95);
    let mut follow = Follow::new(top);
    let (mut gains, mut features, mut of_kind) = (Vec::new(), Vec::new(), Vec::new());
    for t in 0..n {
        let level = f64::from(cells[t].level_db);
        let [fast, slow] = follow.step(level);
        if level < top - 30.0 {
            continue;
        }
        let (mut values, mut weights) = (Vec::new(), Vec::new());
        for (table, fixed) in tables.iter().zip(&fixed) {
            for b in (0..BANDS).filter(|b| table.weight[t][*b] > 0.0) {
                values.push(table.gain[t][b] + f64::from(cells[t].broad_db) - fixed[b]);
                weights.push(table.weight[t][b]);
            }
        }
        if !values.is_empty() {
            out.counted[t] = true;
            gains.push(weighted_median(&values, &weights));
            let near = level - top;
            of_kind.push(kinds[t]);
            features.push([1.0, near, (near + 12.0).max(0.0), fast, slow, kinds[t], 0.0]);
        }
    }
    out.seconds = gains.len() as f64 * CELL_SECONDS;
    if gains.len() < 2 * BLOCK {
        return;
    }
    out.jitter_db = median(gains.windows(2).map(|w| (w[1] - w[0]).abs()).collect());
    let sure = features.iter().zip(&gains).filter(|(x, _)| x[5] != 0.0);
    out.talk_step_db = 2.0 * least_squares(sure.map(|(x, y)| (x, 1.0, *y)))[5];
    features.iter_mut().for_each(|x| x[5] = 0.0);
    let fit = least_squares(features.iter().zip(&gains).map(|(x, y)| (x, 1.0, *y)));
    let rest: Vec<f64> =
        features.iter().zip(&gains).map(|(x, y)| y - fit.iter().zip(x).map(|(k, x)| k * x).sum::<f64>()).collect();
    let raw = deviation(&gains);
    out.level_explains = if raw > 1e-6 { 1.0 - (deviation(&rest) / raw).powi(2) } else { 0.0 };
    let blocks = |values: &[f64]| values.chunks_exact(BLOCK).map(|b| median(b.to_vec())).collect::<Vec<f64>>();
    let by_block = blocks(&gains);
    out.blocks = by_block.len();
    out.block_moves_db = deviation(&by_block);
    passages(&by_block, &of_kind, out);
    out.block_rest_db = deviation(&blocks(&rest));
    let within = gains.chunks_exact(BLOCK).map(|b| {
        let middle = median(b.to_vec());
        1.483 * median(b.iter().map(|x| (x - middle).abs()).collect())
    });
    out.wobble_db = median(within.collect());
}

/// How often talk and held sound take turns, and how alike the blocks of one kind are.
fn passages(by_block: &[f64], of_kind: &[f64], out: &mut Balance) {
    let kinds = of_kind.chunks_exact(BLOCK).map(|k| k.iter().sum::<f64>() / BLOCK as f64);
    let pure: Vec<(f64, f64)> =
        by_block.iter().copied().zip(kinds).filter(|(_, k)| k.abs() > 0.8).map(|(g, k)| (g, k.signum())).collect();
    out.passages = pure.windows(2).filter(|w| w[0].1 != w[1].1).count();
    let spread = |kind: f64| {
        let of: Vec<f64> = pure.iter().filter(|(_, k)| *k == kind).map(|(g, _)| *g).collect();
        let middle = median(of.clone());
        percentile(&of.iter().map(|g| (g - middle).abs()).collect::<Vec<_>>(), 0.75)
    };
    out.kind_spread_db = spread(1.0).max(spread(-1.0));
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
