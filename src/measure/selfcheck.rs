//! The built-in self-check: the reference signals and one programme through the very code that measures live.
//!
//! Two kinds of rows: what a standard's own table demands, and what the `ebur128` crate, a second meter by other
//! hands, reads from the same synthesised programme.

use super::reference::{Case, Expectation, Quantity, RATE_HZ, cases};
use super::{Meter, Reading};
use crate::feed::{Block, Cutter, FeedPatch, Role};
use crate::units::{SampleRate, db_of_amplitude, db_of_power, power_of_lufs};

/// What the check leaves out, and why.
pub const NOT_COVERED: [&str; 3] = [
    "EBU Tech 3341 cases 7 and 8, EBU Tech 3342 cases 5 and 6: recorded programmes, they cannot be synthesised",
    "ITU-R BS.2217-2 programme material (voice, music), frequency sweep, summing tests, layouts above 5.1: recordings, or not described closely enough to be made",
    "analogue inputs, cables and converters: the signals are made inside the program; a line check looks at those",
];

/// Frames in a block given to the cutter: a size that devices use, and one that no hop divides.
const BLOCK_FRAMES: usize = 1_024;

/// One figure: demanded, read, and whether they meet.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Signal.
    pub signal: String,
    /// Figure, for people.
    pub quantity: &'static str,
    /// Unit of the three numbers below.
    pub unit: &'static str,
    /// What it should be; `None`: no reading.
    pub expected: Option<f64>,
    /// Allowed below, positive.
    pub below: f64,
    /// Allowed above, positive.
    pub above: f64,
    /// What was read.
    pub read: Option<f64>,
    /// Document and clause, or the second meter.
    pub source: &'static str,
}

impl Row {
    /// Within the tolerance, both ends included (as the documents print it).
    pub fn pass(&self) -> bool {
        match (self.expected, self.read) {
            (Some(expected), Some(read)) => read >= expected - self.below && read <= expected + self.above,
            (None, None) => true,
            _ => false,
        }
    }
}

/// Runs everything, about 25 minutes of audio; `each` is called with every row as it is ready.
pub fn run(each: &mut impl FnMut(Row)) {
    for case in cases() {
        case_rows(&case).into_iter().for_each(&mut *each);
    }
    second_meter().into_iter().for_each(each);
}

/// The rows of one case.
pub fn case_rows(case: &Case) -> Vec<Row> {
    let readings = measure(SampleRate::HZ_48000, case.channels, &case.samples());
    let row = |e: &Expectation| {
        let (expected, read) = read(&readings, e);
        let (quantity, unit) = words(e.quantity);
        let signal = case.name.clone();
        Row { signal, quantity, unit, expected, below: e.below, above: e.above, read, source: case.source }
    };
    case.expectations.iter().map(row).collect()
}

/// All readings of `samples` (interleaved, `channels` wide); an open tick at the end is dropped, as Tech 3341 2.3
/// drops an incomplete block.
pub fn measure(rate: SampleRate, channels: usize, samples: &[f32]) -> Vec<Reading> {
    let places: Vec<u16> = (0..channels as u16).collect();
    let patch = FeedPatch::new("stream", Role::Stream, &places);
    let mut meter = Meter::new(rate, &patch);
    let mut readings = Vec::new();
    let mut cutter = Cutter::new(rate, channels, &[patch]).expect("the patch names channels below the count");
    for block in samples.chunks(BLOCK_FRAMES * channels) {
        cutter.block(Block { samples: block }, &mut |_, hop| readings.extend(meter.hop(&hop)));
    }
    readings
}

fn words(quantity: Quantity) -> (&'static str, &'static str) {
    match quantity {
        Quantity::Momentary => ("momentary", "LUFS"),
        Quantity::ShortTerm => ("short-term", "LUFS"),
        Quantity::Integrated => ("integrated", "LUFS"),
        Quantity::Range => ("loudness range", "LU"),
        Quantity::MaxMomentary => ("max momentary", "LUFS"),
        Quantity::MaxShortTerm => ("max short-term", "LUFS"),
        Quantity::MaxMomentarySteps => ("max momentary, 20 steps", "LUFS"),
        Quantity::MaxShortTermSteps => ("max short-term, 20 steps", "LUFS"),
        Quantity::TruePeak => ("max true peak", "dBTP"),
    }
}

/// The figure of an expectation, and the expected figure that it belongs to.
fn read(readings: &[Reading], e: &Expectation) -> (Option<f64>, Option<f64>) {
    let Some(last) = readings.last() else { return (e.expected, None) };
    let target = e.expected.unwrap_or(f64::NAN);
    let farthest =
        |values: &mut dyn Iterator<Item = f64>| values.max_by(|a, b| (a - target).abs().total_cmp(&(b - target).abs()));
    // What each of the 20 steps should and does read: the step farthest off.
    let steps = |ticks_a_step: usize, get: fn(&Reading) -> Option<f64>| {
        let each = (0..20).map(|i| {
            let at = readings.get((i + 1) * ticks_a_step - 1).and_then(get);
            (Some(target - 19.0 + i as f64), at)
        });
        let off = |(e, r): &(Option<f64>, Option<f64>)| e.zip(*r).map_or(f64::INFINITY, |(e, r)| (e - r).abs());
        each.max_by(|a, b| off(a).total_cmp(&off(b))).unwrap_or((e.expected, None))
    };
    let value = match e.quantity {
        Quantity::Momentary => {
            farthest(&mut readings.iter().skip(9).flat_map(|r| [r.momentary_lufs, r.momentary_top_lufs]).flatten())
        }
        Quantity::ShortTerm => farthest(&mut readings.iter().skip(29).filter_map(|r| r.short_term_lufs)),
        Quantity::Integrated => last.integrated_lufs,
        Quantity::Range => last.range_lu,
        Quantity::MaxMomentary => last.max_momentary_lufs,
        Quantity::MaxShortTerm => last.max_short_term_lufs,
        Quantity::MaxMomentarySteps => return steps(8, |r| r.max_momentary_lufs),
        Quantity::MaxShortTermSteps => return steps(60, |r| r.max_short_term_lufs),
        Quantity::TruePeak => last.max_true_peak.iter().copied().reduce(f64::max).map(db_of_amplitude),
    };
    (e.expected, value)
}

/// Loudness range straight from EBU Tech 3342 v4, section 5: all short-term values sorted, no bins.
pub fn range_directly(short_term_lufs: &[f64]) -> Option<f64> {
    let powers: Vec<f64> = short_term_lufs.iter().filter(|l| **l >= -70.0).map(|l| power_of_lufs(*l)).collect();
    if powers.is_empty() {
        return None;
    }
    let gate = powers.iter().sum::<f64>() / powers.len() as f64 / 100.0; // -20 LU
    let mut kept: Vec<f64> = powers.into_iter().filter(|p| *p >= gate).collect();
    kept.sort_by(f64::total_cmp);
    let at = |percent: f64| kept[((kept.len() - 1) as f64 * percent / 100.0 + 1.0).round() as usize - 1];
    Some(db_of_power(at(95.0) / at(10.0)))
}

/// A made-up minute and a half: bursts of filtered noise like syllables on a slow swell, two sides that differ,
/// a loud passage, a pause. The same on every machine.
fn programme() -> Vec<f32> {
    let mut seed = 0x2545_f491_4f6c_dd1d_u64;
    let mut noise = move || {
        seed ^= seed << 13;
        seed ^= seed >> 7;
        seed ^= seed << 17;
        (seed >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    };
    let (mut left, mut right) = (0.0, 0.0);
    let mut out = Vec::new();
    for n in 0..90 * RATE_HZ {
        let t = f64::from(n) / f64::from(RATE_HZ);
        let syllable = (std::f64::consts::TAU * 3.7 * t).sin().max(0.0);
        let swell = match t as u32 {
            0..=29 => 0.15,
            30..=49 => 0.7,
            50..=54 => 0.0,
            _ => 0.05 + 0.3 * (t - 55.0) / 35.0,
        };
        left += 0.35 * (noise() - left);
        right += 0.2 * (noise() - right);
        let gain = swell * (0.2 + syllable);
        out.extend([(gain * left) as f32, (gain * (0.6 * left + right)) as f32]);
    }
    out
}

/// The synthesised programme through the `ebur128` crate, polled at 10 Hz, beside this meter.
fn second_meter() -> Vec<Row> {
    use ebur128::{EbuR128, Mode};
    const SOURCE: &str = "ebur128 crate, a second meter";
    let samples = programme();
    let readings = measure(SampleRate::HZ_48000, 2, &samples);
    let Some(ours) = readings.last() else { return Vec::new() };
    let row = |quantity, unit, expected: Option<f64>, below, above, read| {
        let signal = "synthesised programme, 90 s".to_string();
        Row { signal, quantity, unit, expected, below, above, read, source: SOURCE }
    };
    let polled = || -> Result<[f64; 4], ebur128::Error> {
        let mut other = EbuR128::new(2, RATE_HZ, Mode::all() & !Mode::HISTOGRAM)?;
        let (mut momentary, mut short_term) = (f64::NEG_INFINITY, f64::NEG_INFINITY);
        for (i, hop) in samples.chunks(2 * RATE_HZ as usize / 100).enumerate() {
            other.add_frames_f32(hop)?;
            if i >= 39 {
                momentary = momentary.max(other.loudness_momentary()?);
            }
            if i >= 299 && (i + 1).is_multiple_of(10) {
                short_term = short_term.max(other.loudness_shortterm()?);
            }
        }
        let peak = other.true_peak(0)?.max(other.true_peak(1)?);
        Ok([other.loudness_global()?, momentary, short_term, db_of_amplitude(peak)])
    };
    let mut rows: Vec<Row> = match polled() {
        Ok([integrated, momentary, short_term, dbtp]) => vec![
            row("integrated", "LUFS", Some(integrated), 0.01, 0.01, ours.integrated_lufs),
            row("max momentary", "LUFS", Some(momentary), 0.01, 0.01, ours.max_momentary_lufs),
            row("max short-term", "LUFS", Some(short_term), 0.01, 0.01, ours.max_short_term_lufs),
            // Its 12-tap interpolator at 4 points a sample may read low where ours, finer, does not.
            row(
                "max true peak",
                "dBTP",
                Some(dbtp),
                0.1,
                0.55,
                Some(db_of_amplitude(ours.max_true_peak.iter().copied().fold(0.0, f64::max))),
            ),
        ],
        Err(_) => vec![row("integrated", "LUFS", Some(f64::NAN), 0.01, 0.01, ours.integrated_lufs)],
    };
    // The crate takes one short-term value a second; Tech 3342 asks for ten, so its range is no measure of ours.
    let values: Vec<f64> = readings.iter().filter_map(|r| r.short_term_lufs).collect();
    let mut range = row("loudness range", "LU", range_directly(&values), 0.01, 0.01, ours.range_lu);
    range.source = "EBU Tech 3342 v4, section 5, computed directly";
    rows.push(range);
    rows
}
