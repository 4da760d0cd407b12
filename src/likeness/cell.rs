//! What the two feeds share: in a third of a second, a cell, and in a second, a block.
//!
//! A frame is 42.7 ms, a cell 8 frames (0.34 s), a block 3 cells (1.02 s).

use super::balance::PEAKS;
use super::spectra::{BANDS, SIZE, STEP, Sums};
use realfft::num_complex::Complex32;

/// Frames of a cell.
pub const CELL_FRAMES: usize = 8;
/// Cells of a block.
pub const BLOCK_CELLS: usize = 3;
/// Seconds of a block.
pub const BLOCK_SECONDS: f64 = (CELL_FRAMES * BLOCK_CELLS * STEP) as f64 / super::thin::WORK_HZ as f64;

/// What the two feeds share in one cell.
#[derive(Debug, Clone, Copy)]
pub struct Cell {
    /// 20 log10 of the coherent gain from a house reference (left, right, middle) to a stream channel, by band,
    /// the moment's broadband gain taken out, dB. With a mono house from it to the stream's left, right, middle.
    pub gain_db: [[[f32; BANDS]; 3]; 2],
    /// Coherence squared of the same.
    pub coherence: [[[f32; BANDS]; 3]; 2],
    /// Band level of the house, dB (any fixed reference).
    pub house_db: [f32; BANDS],
    /// The same as a power.
    pub house_power: [f32; BANDS],
    /// Level of each stream channel over all bands, dB (any fixed reference).
    pub stream_db: [f32; 2],
    /// Broadband gain of the moment, mean over the cell, dB.
    pub broad_db: f32,
    /// Level of the house over all bands, dB.
    pub level_db: f32,
    /// Peak of the house, mean over the cell by power, dBFS: what a compressor goes by.
    pub peak_db: f32,
    /// Moment by moment.
    pub moments: [MomentGain; CELL_FRAMES],
}

/// The house in an eighth of a moment, full scale = 1.
#[derive(Debug, Clone, Copy)]
pub(super) struct Peak {
    /// Largest |sample|.
    pub(super) largest: f32,
    /// Mean square of the louder channel.
    pub(super) mean_square: f32,
}

/// The broadband gain of one moment, and what a compressor would have gone by.
#[derive(Debug, Clone, Copy, Default)]
pub struct MomentGain {
    /// Gain beside that of the last seconds, dB.
    pub gain_db: f32,
    /// Level of the house, dB (any fixed reference).
    pub level_db: f32,
    /// Peaks of the house in the middle half of the moment, dBFS,
    pub peaks_db: [f32; PEAKS],
    /// and how far its mean square is under each, dB.
    pub crests_db: [f32; PEAKS],
}

/// One second of both feeds.
#[derive(Debug, Clone, Default)]
pub struct Block {
    /// All of both came.
    pub came: bool,
    /// The stream, and the house, had sound.
    pub active: [bool; 2],
    /// The delay was known, and the sound that was shared agreed with it.
    pub shared: bool,
    /// Cells (none while the delay is unknown).
    pub cells: Vec<Cell>,
}

/// Cross spectra over one block, and what its moments added up to.
pub(super) struct OpenBlock {
    pub(super) frames: usize,
    pub(super) whole: bool,
    pub(super) squares: [f64; 2],
    pub(super) cross: [Vec<Complex32>; 4],
    cell: Sums,
    cell_frames: usize,
    /// Broadband gain of the moments and peak of the house, dB, by the house's power, and that power.
    cell_broad: [f64; 3],
    moments: [MomentGain; CELL_FRAMES],
    pub(super) cells: Vec<Cell>,
}

impl OpenBlock {
    /// Nothing yet.
    pub(super) fn new() -> Self {
        let bins = vec![Complex32::default(); SIZE / 2 + 1];
        Self {
            frames: 0,
            whole: true,
            squares: [0.0; 2],
            cross: std::array::from_fn(|_| bins.clone()),
            cell: Sums::default(),
            cell_frames: 0,
            cell_broad: [0.0; 3],
            moments: Default::default(),
            cells: Vec::new(),
        }
    }

    /// Takes the sums of a moment whose broadband gain squared is `square`, and the house's `peaks`; the house's power
    /// is their weight.
    pub(super) fn add(&mut self, sums: &Sums, square: f64, power: f64, peaks: &[Peak; PEAKS]) {
        let level = total(&sums.house[0]) + total(&sums.house[1]);
        let broad = square.sqrt();
        self.moments[self.cell_frames] = MomentGain {
            gain_db: (10.0 * square.log10()) as f32,
            level_db: (10.0 * level.max(1e-20).log10()) as f32,
            peaks_db: peaks.map(|p| 20.0 * p.largest.max(1e-6).log10()),
            crests_db: peaks.map(|p| 10.0 * (p.largest.powi(2).max(1e-12) / p.mean_square.max(1e-12)).log10().max(0.0)),
        };
        self.cell_frames += 1;
        self.cell.of_stream = sums.of_stream;
        // In the gaps of talk the stream may have a room's sound only: what the house plays loud says more.
        let peak_db = 20.0 * f64::from(peaks.iter().fold(1e-6f32, |top, p| top.max(p.largest))).log10();
        for (sum, value) in self.cell_broad.iter_mut().zip([10.0 * square.log10(), peak_db, 1.0]) {
            *sum += power * value;
        }
        for b in 0..BANDS {
            for m in 0..3 {
                self.cell.house[m][b] += sums.house[m][b];
            }
            for c in 0..3 {
                self.cell.stream[c][b] += sums.stream[c][b] / square;
            }
            for c in 0..2 {
                for m in 0..3 {
                    self.cell.cross[c][m][b] += sums.cross[c][m][b] / broad;
                }
            }
        }
    }

    /// For the next block.
    pub(super) fn reset(&mut self) {
        (self.frames, self.whole, self.squares) = (0, true, [0.0; 2]);
        self.cross.iter_mut().for_each(|c| c.fill(Complex32::default()));
        (self.cell, self.cell_frames, self.cell_broad) = (Sums::default(), 0, [0.0; 3]);
        self.cells.clear();
    }

    /// A cell's moments are over.
    pub(super) fn close_cell(&mut self) {
        if self.cell_frames == CELL_FRAMES {
            let sums = &self.cell;
            let db = |power: f64| (10.0 * power.max(1e-20).log10()) as f32;
            let house = std::array::from_fn(|b| sums.house[0][b] + sums.house[1][b]);
            let mut cell = Cell {
                gain_db: [[[0.0; BANDS]; 3]; 2],
                coherence: [[[0.0; BANDS]; 3]; 2],
                house_db: house.map(db),
                house_power: house.map(|power| power as f32),
                stream_db: [db(total(&sums.stream[0])), db(total(&sums.stream[1]))],
                broad_db: (self.cell_broad[0] / self.cell_broad[2]) as f32,
                level_db: db(total(&sums.house[0]) + total(&sums.house[1])),
                peak_db: (self.cell_broad[1] / self.cell_broad[2]) as f32,
                moments: self.moments,
            };
            for c in 0..2 {
                for m in 0..3 {
                    for b in 0..BANDS {
                        let [x, y, xy] = sums.of(c, m, b);
                        if x > 1e-18 && y > 1e-18 {
                            cell.gain_db[c][m][b] = (10.0 * (xy / (x * x)).max(1e-20).log10()) as f32;
                            cell.coherence[c][m][b] = (xy / (x * y)).min(1.0) as f32;
                        }
                    }
                }
            }
            self.cells.push(cell);
        }
        (self.cell, self.cell_frames, self.cell_broad) = (Sums::default(), 0, [0.0; 3]);
    }
}

/// Power of all bands.
pub(super) fn total(bands: &[f64; BANDS]) -> f64 {
    bands.iter().sum()
}
