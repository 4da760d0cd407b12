//! How much the balance between bands moves from the house to the stream, over the cells of a span of time.
//!
//! A copy, whatever equaliser it passed, has one gain a band, and at most a broadband gain that follows the level;
//! in a mix of its own the gain of a band follows the source that dominates it.

mod beside;
mod broadband;
mod compressor;
mod moves;
mod table;

use super::cell::{CELL_FRAMES, Cell};
use super::spectra::{BANDS, middle_hz};
use super::statistics::{median, percentile};
use super::{GROUP_HZ, GROUPS, Group};
pub use compressor::{Compressor, PEAKS};
use table::Table;

/// Figures of a span.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Balance {
    /// How much the balance between bands moves, dB (rms; what chance explains taken out).
    pub moves_db: f64,
    /// The same after one change of the static gains, at the moment that explains most, was taken out, dB.
    pub moves_beside_step_db: f64,
    /// The same against the neighbouring bands only, dB: a multiband compressor moves whole groups of bands.
    pub local_moves_db: f64,
    /// The part of it that lasts: what a cell shares with those a third and two thirds of a second before, after the
    /// same one change was taken out, dB.
    pub lasting_moves_db: f64,
    /// What the sound that the house does not explain could move at most, if it were in step with the house, dB.
    pub stranger_moves_db: f64,
    /// `moves_db` that an equalised and compressed copy would show here, dB.
    pub copy_moves_db: f64,
    /// Share of the stream that the house does not explain, dB (median over cells and bands).
    pub unexplained_db: f64,
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
    /// Broadband gain in blocks of 4.1 s: standard deviation, dB.
    pub block_moves_db: f64,
    /// The same after what the level explains was taken out, dB.
    pub block_rest_db: f64,
    /// Talk over held sound in the broadband gain, dB, beside what the level explains.
    pub talk_step_db: f64,
    /// Where the gain follows the level: the compressor that explains it.
    pub compressor: Option<Compressor>,
    /// Talk between held sound, or held sound between talk, that has another gain.
    pub steps: Option<Steps>,
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
    /// The house is one channel and the stream carries one sound: the one may be a side of what the other is the sum
    /// of, and then a copy's balance moves with every source that is not in the middle.
    pub one_side: bool,
    /// For each cell given: it was used for the broadband gain.
    pub counted: Vec<bool>,
}

/// A passage of talk between two of held sound, or the other way round, in the broadband gain.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Steps {
    /// It is at least this far from either of the two, dB.
    pub step_db: f64,
    /// The two lie this far apart, dB.
    pub back_db: f64,
    /// Blocks of one passage lie this far apart (four of five of them, in the worst of all passages), dB.
    pub within_db: f64,
}

/// Seconds of a cell.
pub const CELL_SECONDS: f64 = (CELL_FRAMES * super::spectra::STEP) as f64 / super::thin::WORK_HZ as f64;

/// A side is taken for the one of its name unless another leaves less than this part of what it leaves (as an amplitude),
/// and less by more than this. The wrong side may leave no more than -32 dB where voices stand apart, each nearly all of
/// its bands; and a side that is the sum of both may leave -27 dB behind a compressor, and 4 dB more beside the wrong one.
const STRAIGHT: f64 = 0.9;
const STRAIGHT_LESS: f64 = 0.001;

/// Compares over `cells` (of blocks in which both feeds had sound and agreed on the delay). `channels` are those of
/// stream and house, `kinds` is 1 for talk, -1 for held sound, 0 for neither.
pub fn compare(cells: &[&Cell], kinds: &[f64], channels: [usize; 2]) -> Option<Balance> {
    let heard = heard(cells)?;
    // A mono house may be one side of the stream or its sum: the three are of the stream (see `spectra::Sums`).
    let of_stream = channels == [2, 1];
    let references: &[usize] = if channels[1] == 2 || of_stream { &[0, 1, 2] } else { &[0] };
    let mut out = Balance { counted: vec![false; cells.len()], ..Balance::default() };
    let loudest = |c: usize| percentile(&mut cells.iter().map(|x| f64::from(x.stream_db[c])).collect::<Vec<_>>(), 0.95);
    let levels = [loudest(0), if channels[0] == 2 { loudest(1) } else { f64::NEG_INFINITY }];
    let used = |c: usize| c < channels[0] && levels[c] > levels[0].max(levels[1]) - 40.0;
    out.used = if of_stream { [true, false] } else { [used(0), used(1)] };
    let mut tables = Vec::new();
    for c in (0..channels[0]).filter(|c| out.used[*c]) {
        let straight = |m: usize| m == c || channels == [1, 1];
        let strange = |m: usize| {
            let all = cells.iter().zip(&heard).flat_map(|(cell, heard)| {
                (0..BANDS).filter(|b| heard[*b]).map(move |b| (1.0 - f64::from(cell.coherence[c][m][b])).sqrt())
            });
            let (n, sum) = all.fold((0.0, 0.0), |(n, s), x| (n + 1.0, s + x));
            let mean = sum / f64::max(n, 1.0);
            if straight(m) { STRAIGHT * mean - STRAIGHT_LESS } else { mean }
        };
        let (best, _) = references.iter().map(|m| (*m, strange(*m))).min_by(|a, b| a.1.total_cmp(&b.1))?;
        out.from[c] = best;
        tables.push(Table::new(cells, &heard, c, best));
    }
    out.one_side = channels == [1, 1] || of_stream && one_sound(cells, &heard);
    moves::add(&tables, cells, &heard, &mut out);
    out.unexplained_db = table::unexplained(cells, &heard, &out);
    broadband::add(&tables, cells, kinds, &mut out);
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
                        let weight = f64::from(cell.house_power[b]);
                        n += weight;
                        sum += weight * (f64::from(cell.gain_db[c][self.from[c]][b] + cell.broad_db) - self.gain_db);
                    }
                }
            }
            (n > 0.0).then(|| sum / n)
        })
    }

    /// Broadband gain over `cells`, dB; `None` under 5 s of them, and when they lie so far apart that no one gain is
    /// theirs (rhythmic music counts as talk now and then).
    pub fn gain_of<'a>(&self, cells: impl Iterator<Item = &'a Cell>) -> Option<f64> {
        let of_cell = |cell: &Cell| {
            let mut values = Vec::new();
            for c in (0..2).filter(|c| self.used[*c]) {
                for b in (0..BANDS).filter(|b| self.band_heard[*b] && cell.coherence[c][self.from[c]][*b] > 0.5) {
                    values.push(f64::from(cell.gain_db[c][self.from[c]][b] + cell.broad_db));
                }
            }
            (!values.is_empty()).then(|| median(values))
        };
        let mut gains: Vec<f64> = cells.filter_map(of_cell).collect();
        let apart = percentile(&mut gains, 0.85) - percentile(&mut gains, 0.15);
        (gains.len() as f64 * CELL_SECONDS >= 5.0 && apart <= ONE_GAIN_DB).then(|| percentile(&mut gains, 0.5))
    }
}

/// Both sides of the stream carry the same, as a mono house hears them (the references are of the stream).
fn one_sound(cells: &[&Cell], heard: &[[bool; BANDS]]) -> bool {
    let apart = cells.iter().zip(heard).flat_map(|(cell, heard)| {
        let [left, right, _] = cell.gain_db[0];
        (0..BANDS).filter(|b| heard[*b]).map(move |b| f64::from(left[b] - right[b]).abs())
    });
    percentile(&mut apart.collect::<Vec<_>>(), 0.75) < ONE_SOUND_DB
}

/// Gain between the sides of a stream up to which they carry the same, dB (hiss of their own is allowed).
const ONE_SOUND_DB: f64 = 0.5;

/// Spread of the gains of one kind of sound (the middle 70 %) up to which it has one, dB.
const ONE_GAIN_DB: f64 = 4.0;

/// Which bands of which cells the house fills; `None` when there is next to nothing.
fn heard(cells: &[&Cell]) -> Option<Vec<[bool; BANDS]>> {
    let top: [f64; BANDS] = std::array::from_fn(|b| {
        percentile(&mut cells.iter().map(|c| f64::from(c.house_db[b])).collect::<Vec<_>>(), 0.95)
    });
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Cells of 150 s, talk and held sound by turns of 25 s; `gain` by band and time, dB.
    fn figures(gain: impl Fn(usize, usize, bool) -> f64) -> Balance {
        let talks = |t: usize| (t / 73).is_multiple_of(2);
        let cells: Vec<Cell> = (0..440)
            .map(|t| {
                // Levels that come and go, differently in each band.
                let level = |b: usize| -30.0 + 6.0 * ((t * (b + 3)) as f64 * 0.37).sin();
                Cell {
                    gain_db: [[std::array::from_fn(|b| gain(t, b, talks(t)) as f32); 3]; 2],
                    coherence: [[[0.9999; BANDS]; 3]; 2],
                    house_db: std::array::from_fn(|b| level(b) as f32),
                    house_power: std::array::from_fn(|b| 10f64.powf(level(b) / 10.0) as f32),
                    stream_db: [-20.0; 2],
                    broad_db: 0.0,
                    level_db: -18.0 + 2.0 * (t as f32 * 0.7).sin(),
                    peak_db: -8.0 + 2.0 * (t as f32 * 0.9).sin(),
                    moments: Default::default(),
                }
            })
            .collect();
        let kinds: Vec<f64> = (0..440).map(|t| if talks(t) { 1.0 } else { -1.0 }).collect();
        compare(&cells.iter().collect::<Vec<_>>(), &kinds, [2, 2]).unwrap()
    }

    #[test]
    fn an_equaliser_moves_nothing_and_its_curve_is_read() {
        let b = figures(|_, b, _| if b < 10 { -6.0 } else { -2.0 });
        assert!(b.moves_db < 0.02 && b.jitter_db < 0.02 && b.block_moves_db < 0.02, "{b:?}");
        assert!((b.band_gain_db[3] + 6.0).abs() < 0.01 && (b.band_gain_db[15] + 2.0).abs() < 0.01, "{b:?}");
    }

    #[test]
    fn a_source_of_its_own_gain_moves_the_bands_where_it_sounds() {
        let b = figures(|t, b, _| if (5..7).contains(&b) && t % 30 < 15 { 4.0 } else { 0.0 });
        assert!(b.moves_db > 0.6 && b.local_moves_db > 0.6, "{b:?}");
        assert!(b.moves_beside_step_db > 0.5 * b.moves_db, "it comes again and again: {b:?}");
        assert!(b.band_moves_db[6] > 1.5 && b.band_moves_db[15] < 0.1, "{b:?}");
    }

    #[test]
    fn what_stays_for_a_second_lasts_and_what_is_another_thing_in_the_next_cell_does_not() {
        let held = figures(|t, b, _| if b % 5 == 2 && t % 12 < 6 { 2.0 } else { 0.0 });
        assert!(held.lasting_moves_db > 0.3, "{held:?}");
        let brief = figures(|t, b, _| if b % 5 == 2 { [2.0, 0.0, -2.0][t % 3] } else { 0.0 });
        assert!(brief.local_moves_db > 0.3 && brief.lasting_moves_db < 0.1, "{brief:?}");
    }

    #[test]
    fn one_change_of_the_equaliser_is_explained_by_a_step() {
        let b = figures(|t, b, _| if b < 8 && t > 200 { 5.0 } else { 0.0 });
        assert!(b.moves_db > 0.8 && b.moves_beside_step_db < 0.2 && b.lasting_moves_db < 0.1, "{b:?}");
    }

    #[test]
    fn louder_talk_is_a_step_that_comes_back_and_a_fader_that_was_ridden_is_none() {
        let b = figures(|_, _, talk| if talk { 4.0 } else { 0.0 });
        let steps = b.steps.unwrap();
        assert!((b.talk_step_db - 4.0).abs() < 0.05 && (steps.step_db - 4.0).abs() < 0.05, "{b:?}");
        assert!(steps.back_db < 0.05 && steps.within_db < 0.05, "{b:?}");
        let b = figures(|t, _, _| f64::from((t / 57) as u8 * 37 % 7));
        assert!(b.steps.unwrap().within_db > 1.0, "{b:?}");
    }
}
