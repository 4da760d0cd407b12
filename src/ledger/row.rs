//! What the log keeps of one feed's second: figures, and its ten ticks packed small.

use crate::judge::Severity;
use crate::measure::Reading;
use crate::units::{StreamTime, TICKS_A_SECOND, db_of_amplitude, db_of_power, lufs_of_power};

/// Ticks in a second.
pub const TICKS: usize = TICKS_A_SECOND as usize;
/// Bytes of a packed second: ten ticks of four values of two bytes.
pub const FINE_BYTES: usize = TICKS * 8;

/// One tick, as kept: each value to 0.01 dB. `None`: never came; minus infinity: nothing there.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct FineTick {
    /// Momentary loudness at the tick's end, LUFS: the blocks that BS.1770-5 gates (400 ms, 75 % overlap).
    pub momentary_lufs: Option<f64>,
    /// Short-term loudness at the tick's end, LUFS: what Tech 3342 takes the range of.
    pub short_term_lufs: Option<f64>,
    /// Loudness of each side over this tick alone (as if it played on both sides), LUFS; a mono feed twice the same.
    pub sides_lufs: [Option<f64>; 2],
}

/// One feed over one second; outside services, and when it has grown old, over one minute.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Row {
    /// Its end, seconds of stream time since the program started.
    pub second: u64,
    /// Wall time of its end, ms since 1970.
    pub unix_ms: i64,
    /// What it spans, seconds: 1 or 60.
    pub span_seconds: u32,
    /// How much of it was measured, hops of 10 ms.
    pub measured_hops: u32,
    /// Largest momentary loudness, LUFS.
    pub momentary_top_lufs: Option<f64>,
    /// Short-term loudness at its end (of a minute: the largest), LUFS.
    pub short_term_lufs: Option<f64>,
    /// Integrated loudness of the programme so far, LUFS.
    pub integrated_lufs: Option<f64>,
    /// Loudness range of the programme so far, LU.
    pub range_lu: Option<f64>,
    /// RMS of left and right, dBFS.
    pub rms_dbfs: [Option<f64>; 2],
    /// Largest true peak of left and right, dBTP.
    pub true_peak_dbtp: [Option<f64>; 2],
    /// The worst that stood in it.
    pub worst: Option<Severity>,
    /// Its ticks, when they are still kept.
    pub fine: Option<[FineTick; TICKS]>,
}

impl Row {
    /// Nothing of it came.
    pub fn absent(&self) -> bool {
        self.measured_hops == 0
    }
}

/// Many rows of one feed as one, of the span of all; `None` for none.
pub fn fold(rows: &[Row]) -> Option<Row> {
    let last = rows.last()?;
    let top = |get: &dyn Fn(&Row) -> Option<f64>| rows.iter().filter_map(get).reduce(f64::max);
    let hops: u32 = rows.iter().map(|r| r.measured_hops).sum();
    let mean = |i: usize| {
        let power = |r: &Row| Some(f64::from(r.measured_hops) * 10f64.powf(r.rms_dbfs[i]? / 10.0));
        (hops > 0).then(|| db_of_power(rows.iter().filter_map(power).sum::<f64>() / f64::from(hops)))
    };
    Some(Row {
        span_seconds: rows.iter().map(|r| r.span_seconds).sum(),
        measured_hops: hops,
        momentary_top_lufs: top(&|r| r.momentary_top_lufs),
        short_term_lufs: top(&|r| r.short_term_lufs),
        rms_dbfs: [mean(0), mean(1)],
        true_peak_dbtp: [top(&|r| r.true_peak_dbtp[0]), top(&|r| r.true_peak_dbtp[1])],
        worst: rows.iter().filter_map(|r| r.worst).max(),
        fine: None,
        ..last.clone()
    })
}

/// Makes the rows of one feed out of its readings.
#[derive(Debug, Clone, Default)]
pub struct RowMaker {
    open: Row,
    ticks: [FineTick; TICKS],
    square: [f64; 2],
    peak: [f64; 2],
    count: usize,
}

impl RowMaker {
    /// Takes one reading; gives the row that it completes.
    pub fn take(&mut self, reading: &Reading, worst: Option<Severity>, unix_ms: i64) -> Option<Row> {
        let top = |a: Option<f64>, b: Option<f64>| match (a, b) {
            (Some(a), Some(b)) => Some(a.max(b)),
            (a, b) => a.or(b),
        };
        let side = |i: usize| &reading.channel[i.min(reading.channels - 1)];
        self.ticks[self.count] = FineTick {
            momentary_lufs: reading.momentary_lufs,
            short_term_lufs: reading.short_term_lufs,
            sides_lufs: [0, 1].map(|i| (!reading.absent()).then(|| lufs_of_power(2.0 * side(i).k_mean_square))),
        };
        self.open.momentary_top_lufs = top(self.open.momentary_top_lufs, reading.momentary_top_lufs);
        self.open.measured_hops += u32::from(reading.measured_hops);
        self.open.worst = self.open.worst.max(worst);
        for i in 0..2 {
            self.square[i] += side(i).mean_square * f64::from(reading.measured_hops);
            self.peak[i] = self.peak[i].max(side(i).true_peak);
        }
        self.count += 1;
        if self.count < TICKS {
            return None;
        }
        let done = std::mem::take(self);
        let hops = f64::from(done.open.measured_hops);
        let of_side = |get: &dyn Fn(usize) -> f64| [0, 1].map(|i| (hops > 0.0).then(|| get(i)));
        Some(Row {
            second: second_of(reading.at),
            unix_ms,
            span_seconds: 1,
            short_term_lufs: reading.short_term_lufs,
            integrated_lufs: reading.integrated_lufs,
            range_lu: reading.range_lu,
            rms_dbfs: of_side(&|i| db_of_power(done.square[i] / hops)),
            true_peak_dbtp: of_side(&|i| db_of_amplitude(done.peak[i])),
            fine: Some(done.ticks),
            ..done.open
        })
    }
}

/// The second that ends at or after `at`.
pub fn second_of(at: StreamTime) -> u64 {
    at.0.div_ceil(100)
}

const NO_DATA: i16 = i16::MIN;
const NOTHING_THERE: i16 = i16::MIN + 1;

fn pack_one(x: Option<f64>) -> i16 {
    match x {
        None => NO_DATA,
        Some(x) if x.is_finite() => {
            (x * 100.0).round().clamp(f64::from(NOTHING_THERE) + 1.0, f64::from(i16::MAX)) as i16
        }
        Some(_) => NOTHING_THERE,
    }
}

fn unpack_one(x: i16) -> Option<f64> {
    match x {
        NO_DATA => None,
        NOTHING_THERE => Some(f64::NEG_INFINITY),
        x => Some(f64::from(x) / 100.0),
    }
}

/// Ticks to bytes: momentary, short-term, left, right of each, as little-endian hundredths of a dB.
pub fn pack(ticks: &[FineTick; TICKS]) -> [u8; FINE_BYTES] {
    let mut bytes = [0; FINE_BYTES];
    let values = ticks.iter().flat_map(|t| [t.momentary_lufs, t.short_term_lufs, t.sides_lufs[0], t.sides_lufs[1]]);
    for (two, value) in bytes.chunks_exact_mut(2).zip(values) {
        two.copy_from_slice(&pack_one(value).to_le_bytes());
    }
    bytes
}

/// Bytes to ticks; `None` when the length is not that of a packed second.
pub fn unpack(bytes: &[u8]) -> Option<[FineTick; TICKS]> {
    if bytes.len() != FINE_BYTES {
        return None;
    }
    let mut ticks = [FineTick::default(); TICKS];
    for (tick, bytes) in ticks.iter_mut().zip(bytes.chunks_exact(8)) {
        let value = |i: usize| unpack_one(i16::from_le_bytes([bytes[2 * i], bytes[2 * i + 1]]));
        *tick = FineTick { momentary_lufs: value(0), short_term_lufs: value(1), sides_lufs: [value(2), value(3)] };
    }
    Some(ticks)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_packed_second_comes_back_to_a_hundredth() {
        let mut ticks = [FineTick::default(); TICKS];
        for (i, t) in ticks.iter_mut().enumerate() {
            t.momentary_lufs = Some(-23.004_9 - i as f64);
            t.short_term_lufs = Some(f64::NEG_INFINITY);
            t.sides_lufs = [None, Some(-400.0)];
        }
        let back = unpack(&pack(&ticks)).unwrap();
        for (a, b) in ticks.iter().zip(&back) {
            assert!((a.momentary_lufs.unwrap() - b.momentary_lufs.unwrap()).abs() <= 0.005_001);
            assert_eq!(b.short_term_lufs, Some(f64::NEG_INFINITY));
            assert_eq!(b.sides_lufs, [None, Some(-327.66)], "the lowest level that two bytes hold");
        }
        assert!(unpack(&[0; 7]).is_none());
    }
}
