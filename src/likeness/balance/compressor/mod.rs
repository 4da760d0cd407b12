//! A compressor fitted to the broadband gain, moment by moment, and what talk has over held sound beside it.
//!
//! Talk that is louder in the stream than in the room, and a compressor that treats talk as talk is (short, with
//! peaks), look alike to any figure that is taken over a cell. A compressor goes by what was just before: once its
//! threshold, attack and release are found, what it does in each moment is known but for its ratio.

mod taken;

use super::broadband::OfCell;
use crate::likeness::cell::{CELL_FRAMES, Cell, MomentGain};
use crate::likeness::statistics::{median, percentile, solved};
use crate::measure::simd::Isa;
pub use taken::PEAKS;
use taken::{Setting, Sound, TOGETHER, Taken};

/// What is softer than the loud by more than this is not fitted to, dB.
const SOFTER_DB: f64 = 25.0;
/// Moments after the first until the compressor is where it would be (1 s).
const SETTLING: usize = 24;
/// Moments of each kind that a fit needs (3 s).
const ENOUGH: usize = 70;
/// Where the search begins: thresholds under the loud, dB; attack and release, seconds (common practice).
const THRESHOLDS_DB: [f64; 4] = [-20.0, -14.0, -9.0, -4.0];
const TIMES: [(f64, f64); TOGETHER] =
    [(0.005, 0.06), (0.005, 0.15), (0.005, 0.5), (0.02, 0.06), (0.02, 0.15), (0.02, 0.5), (0.4, 1.5), (0.4, 4.0)];
/// Steps of the search around the best, dB of threshold; the others go with them.
const CLOSER_DB: [f64; 4] = [3.0, 3.0, 1.5, 1.5];

/// What a fit has found.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Compressor {
    /// Talk over held sound beside it, dB.
    pub step_db: f64,
    /// What fit and step leave, dB (rms, outliers held).
    pub rest_db: f64,
    /// What is taken from each dB over the threshold, dB: 1 for a limiter.
    pub taken: f64,
}

/// Fits over `cells`; `kinds` as in `compare`. `None` where there is not enough of talk and of held sound.
pub(super) fn fit(cells: &[&Cell], kinds: &[f64], of_cell: &[OfCell]) -> Option<Compressor> {
    let moments = || cells.iter().flat_map(|cell| &cell.moments);
    let mut levels: Vec<f64> = moments().map(|m| f64::from(m.level_db)).collect();
    let least_db = percentile(&mut levels, 0.95) - SOFTER_DB;
    let row = |(moment, m): (usize, &MomentGain)| {
        let (cell, kind) = (cells[moment / CELL_FRAMES], kinds[moment / CELL_FRAMES]);
        // A moment's own gain is told beside its cell's.
        let gain_db = of_cell[moment / CELL_FRAMES].gain_db? + f64::from(m.gain_db - cell.broad_db);
        let counts = kind != 0.0 && f64::from(m.level_db) > least_db;
        counts.then_some(Row { moment, gain_db, kind: kind / 2.0, weight: 1.0 })
    };
    let last = levels.len().saturating_sub(1);
    let rows: Vec<Row> = moments().enumerate().take(last).skip(SETTLING).filter_map(row).collect();
    let talk = rows.iter().filter(|r| r.kind > 0.0).count();
    if talk.min(rows.len() - talk) < ENOUGH {
        return None;
    }
    let shaped = of_cell.iter().flat_map(|of| std::iter::repeat_n(of.shaped_db as f32, CELL_FRAMES * PEAKS));
    let peaks = moments().flat_map(|m| m.peaks_db).zip(shaped).map(|(peak, shaped)| peak + shaped).collect();
    let mut search = Search::new(rows, Sound::new(peaks, moments().flat_map(|m| m.crests_db).collect()));
    for threshold_db in THRESHOLDS_DB {
        search.try_all(TIMES.map(|(attack, release)| Setting { threshold_db, attack, release, by_square: 0.5 }));
    }
    for closer_db in CLOSER_DB {
        search.weigh();
        search.try_around(closer_db);
    }
    search.weigh();
    Some(search.found())
}

/// A moment that counts.
struct Row {
    moment: usize,
    gain_db: f64,
    /// Half for talk, minus half for held sound.
    kind: f64,
    weight: f64,
}

/// The search for the setting that leaves least.
struct Search {
    rows: Vec<Row>,
    sound: Sound,
    best: Best,
}

/// The best so far, and what it takes from each row's moment.
struct Best {
    setting: Setting,
    taken: Vec<f64>,
    /// Constant, part and step of its fit.
    found: [f64; 3],
    /// Weighted mean of the squares that it leaves.
    rest: f64,
}

impl Search {
    fn new(rows: Vec<Row>, sound: Sound) -> Self {
        let best = Best { setting: Setting::default(), taken: Vec::new(), found: [0.0; 3], rest: f64::INFINITY };
        Self { rows, sound, best }
    }

    fn try_all(&mut self, settings: [Setting; TOGETHER]) {
        let taken = Isa::best().run(Taken { sound: &self.sound, settings });
        for (lane, setting) in settings.into_iter().enumerate() {
            let taken: Vec<f64> = self.rows.iter().map(|r| f64::from(taken[r.moment][lane])).collect();
            let (found, rest) = fit_of(&self.rows, &taken);
            if rest < self.best.rest {
                self.best = Best { setting, taken, found, rest };
            }
        }
    }

    fn try_around(&mut self, closer_db: f64) {
        let at = self.best.setting;
        let (times, part) = (1.6f64.powf(closer_db / 3.0), closer_db / 12.0);
        self.try_all([
            Setting { threshold_db: at.threshold_db - closer_db, ..at },
            Setting { threshold_db: at.threshold_db + closer_db, ..at },
            Setting { attack: at.attack / times, ..at },
            Setting { attack: (at.attack * times).min(at.release), ..at },
            Setting { release: (at.release / times).max(at.attack), ..at },
            Setting { release: at.release * times, ..at },
            Setting { by_square: (at.by_square - part).max(0.0), ..at },
            Setting { by_square: (at.by_square + part).min(1.0), ..at },
        ]);
    }

    /// What the best leaves of each row, dB, and how much is usual.
    fn rests(&self) -> (Vec<f64>, f64) {
        let [constant, part, step] = self.best.found;
        let rest = |(r, taken): (&Row, &f64)| (r.gain_db - constant - part * taken - step * r.kind).abs();
        let rests: Vec<f64> = self.rows.iter().zip(&self.best.taken).map(rest).collect();
        let usual = 1.483 * median(rests.clone()) + 1e-6;
        (rests, usual)
    }

    /// What lies far off weighs less from now on.
    fn weigh(&mut self) {
        let (rests, usual) = self.rests();
        for (row, rest) in self.rows.iter_mut().zip(rests) {
            row.weight = 1.0 / (rest / (2.0 * usual)).max(1.0);
        }
        (self.best.found, self.best.rest) = fit_of(&self.rows, &self.best.taken);
    }

    fn found(&self) -> Compressor {
        let (rests, usual) = self.rests();
        let [_, part, step_db] = self.best.found;
        let squares = rests.iter().map(|r| r.min(3.0 * usual).powi(2)).sum::<f64>();
        Compressor { step_db, rest_db: (squares / rests.len() as f64).sqrt(), taken: -part }
    }
}

/// The gain as a constant, a part of what a limiter takes, and a step from held sound to talk; and the weighted mean of
/// the squares that these leave.
fn fit_of(rows: &[Row], taken: &[f64]) -> ([f64; 3], f64) {
    let (mut a, mut right, mut squares) = ([[0.0; 3]; 3], [0.0; 3], 0.0);
    for (r, taken) in rows.iter().zip(taken) {
        let (x, weighed) = ([1.0, *taken, r.kind], [r.weight, r.weight * taken, r.weight * r.kind]);
        for i in 0..3 {
            for j in i..3 {
                a[i][j] += weighed[i] * x[j];
            }
            right[i] += weighed[i] * r.gain_db;
        }
        squares += r.weight * r.gain_db * r.gain_db;
    }
    let weight = a[0][0];
    (a[1][0], a[2][0], a[2][1]) = (a[0][1], a[0][2], a[1][2]);
    let found = solved(a, right);
    let explained: f64 = found.iter().zip(right).map(|(f, r)| f * r).sum();
    (found, (squares - explained) / weight)
}

#[cfg(test)]
mod tests {
    use super::taken::WINDOW;
    use super::*;
    use crate::likeness::spectra::BANDS;

    /// 120 s of talk and held sound by turns of 10 s, of which a compressor without a knee takes `taken` of what is over
    /// -20 dBFS, attack 13 ms, release 130 ms; talk has `step_db` beside it. Levels are invented.
    fn found(taken: f64, step_db: f64) -> Compressor {
        const CELLS: usize = 352;
        let mut seed = 9u32;
        let mut random = move || {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(seed >> 8) / f64::from(1u32 << 24)
        };
        let talks = |cell: usize| (cell / 29).is_multiple_of(2);
        let (mut syllable, mut reduced) = (0.0f64, 0.0f64);
        // Peak, crest, and what the compressor takes.
        let course: Vec<[f64; 3]> = (0..CELLS * CELL_FRAMES * PEAKS)
            .map(|i| {
                // Syllables that come and go, with high peaks; or chords that swell.
                syllable = 0.97 * syllable + if random() < 0.05 { 12.0 * random() } else { 0.0 };
                let swell = 6.0 * (i as f64 * 0.01).sin();
                let (level, crest) = if talks(i / 64) {
                    (syllable - 38.0, 8.0 + 6.0 * random())
                } else {
                    (swell - 24.0, 3.0 + 3.0 * random())
                };
                let want = taken * (level + crest + 20.0).max(0.0);
                reduced += if want > reduced { 0.33 } else { 0.04 } * (want - reduced);
                [level + crest, crest, reduced]
            })
            .collect();
        let moment = |m: usize| {
            let own: [[f64; 3]; PEAKS] = std::array::from_fn(|i| course[m * PEAKS + i]);
            // As a power seen through a Hann window of two moments.
            let from = (m * PEAKS).saturating_sub(PEAKS / 2);
            let (mut sum, mut powers) = (0.0, 0.0);
            for (i, [peak, _, taken]) in course[from..].iter().take(WINDOW).enumerate() {
                let hann = 0.5 - 0.5 * (std::f64::consts::TAU * (i as f64 + 0.5) / WINDOW as f64).cos();
                let power = (hann * 10f64.powf(peak / 20.0)).powi(2);
                (sum, powers) = (sum + power * 10f64.powf(-taken / 10.0), powers + power);
            }
            let step_db = if talks(m / CELL_FRAMES) { step_db } else { 0.0 };
            MomentGain {
                gain_db: (10.0 * (sum / powers).log10() + step_db) as f32,
                level_db: own.iter().map(|o| (o[0] - o[1]) as f32).sum::<f32>() / PEAKS as f32,
                peaks_db: own.map(|o| o[0] as f32),
                crests_db: own.map(|o| o[1] as f32),
            }
        };
        let cells: Vec<Cell> = (0..CELLS)
            .map(|t| {
                let moments: [MomentGain; CELL_FRAMES] = std::array::from_fn(|m| moment(t * CELL_FRAMES + m));
                Cell {
                    gain_db: [[[0.0; BANDS]; 3]; 2],
                    coherence: [[[1.0; BANDS]; 3]; 2],
                    house_db: [0.0; BANDS],
                    house_power: [1.0; BANDS],
                    stream_db: [0.0; 2],
                    broad_db: moments.iter().map(|m| m.gain_db).sum::<f32>() / CELL_FRAMES as f32,
                    level_db: -20.0,
                    peak_db: -10.0,
                    moments,
                }
            })
            .collect();
        let kinds: Vec<f64> = (0..CELLS).map(|t| if talks(t) { 1.0 } else { -1.0 }).collect();
        let of_cell: Vec<OfCell> =
            cells.iter().map(|c| OfCell { shaped_db: 0.0, gain_db: Some(f64::from(c.broad_db)) }).collect();
        fit(&cells.iter().collect::<Vec<_>>(), &kinds, &of_cell).expect("there is enough of both")
    }

    #[test]
    fn talk_that_was_made_louder_is_told_from_what_a_compressor_does_to_it() {
        for taken in [0.5, 0.75] {
            for step_db in [0.0, 3.0, -3.0] {
                let found = found(taken, step_db);
                assert!((found.step_db - step_db).abs() < 0.3 && found.rest_db < 0.3, "{taken}, {step_db}: {found:?}");
                assert!((found.taken - taken).abs() < 0.15, "{taken}, {step_db}: {found:?}");
            }
        }
    }
}
