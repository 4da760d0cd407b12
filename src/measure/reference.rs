//! The test signals of EBU Tech 3341 v4, EBU Tech 3342 v4 and ITU-R BS.2217-2 that can be made from their
//! description, with what a meter must read from them. Made here, sample by sample; no recording is needed.
//!
//! Not among them, because they are recordings: Tech 3341 cases 7 and 8 (= Tech 3342 cases 5 and 6), and the
//! programme material, the sweep and the summing test of BS.2217.

use crate::units::amplitude_of_db;
use std::f64::consts::TAU;

/// Sample rate of all these signals, Hz (the rate of the published files).
pub const RATE_HZ: u32 = 48_000;

/// What is read from the meter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Quantity {
    /// Momentary loudness, the value farthest from the expected one from 1 s on, LUFS.
    Momentary,
    /// Short-term loudness, the value farthest from the expected one from 3 s on, LUFS.
    ShortTerm,
    /// Integrated loudness at the end, LUFS.
    Integrated,
    /// Loudness range at the end, LU.
    Range,
    /// Largest momentary loudness, LUFS.
    MaxMomentary,
    /// Largest short-term loudness, LUFS.
    MaxShortTerm,
    /// Largest momentary loudness after each of 20 steps of 0.8 s: -38, -37, ... -19 LUFS; the step farthest off.
    MaxMomentarySteps,
    /// Largest short-term loudness after each of 20 steps of 6 s: -38, -37, ... -19 LUFS; the step farthest off.
    MaxShortTermSteps,
    /// Largest true peak of any channel, dBTP.
    TruePeak,
}

/// One figure that the signal must give.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expectation {
    /// Which figure.
    pub quantity: Quantity,
    /// The figure; `None`: there must be no reading.
    pub expected: Option<f64>,
    /// How far below it may be, in the figure's unit (positive).
    pub below: f64,
    /// How far above it may be, in the figure's unit (positive).
    pub above: f64,
}

/// A signal, what it must read, and where that is written.
#[derive(Debug, Clone, PartialEq)]
pub struct Case {
    /// Name of the case within its document.
    pub name: String,
    /// Document and clause.
    pub source: &'static str,
    /// Channels: 2, 5 (L R C Ls Rs) or 6 (L R C LFE Ls Rs).
    pub channels: usize,
    signal: Signal,
    /// What it must read.
    pub expectations: Vec<Expectation>,
}

#[derive(Debug, Clone, PartialEq)]
enum Signal {
    /// One sine without a break in phase; level in dBFS of its peak (`None`: zeros) and seconds of each part,
    /// then each channel's gain in dB (`None`: zeros).
    Parts { hz: f64, parts: Vec<(Option<f64>, f64)>, gains_db: Vec<Option<f64>> },
    /// One second of a sine of `rate / divisor` Hz, 10 ms fades.
    Tone { divisor: f64, amplitude: f64, degrees: f64 },
    /// rate/6 at half scale with one period of rate/4 at full scale in it, made at four times the rate,
    /// low-passed, and every fourth sample taken from `offset` on.
    Burst { offset: usize },
}

impl Case {
    /// The signal's samples, interleaved, full scale = 1.
    pub fn samples(&self) -> Vec<f32> {
        match &self.signal {
            Signal::Parts { hz, parts, gains_db } => {
                let gains: Vec<f64> = gains_db.iter().map(|g| g.map_or(0.0, amplitude_of_db)).collect();
                let mut out = Vec::new();
                let mut n = 0u64;
                for (level_dbfs, seconds) in parts {
                    let amplitude = level_dbfs.map_or(0.0, amplitude_of_db);
                    for _ in 0..(seconds * f64::from(RATE_HZ)).round() as u64 {
                        let x = amplitude * (TAU * hz * n as f64 / f64::from(RATE_HZ)).sin();
                        out.extend(gains.iter().map(|g| (g * x) as f32));
                        n += 1;
                    }
                }
                out
            }
            Signal::Tone { divisor, amplitude, degrees } => {
                let mut x: Vec<f64> = (0..RATE_HZ)
                    .map(|n| amplitude * (TAU * f64::from(n) / divisor + degrees.to_radians()).sin())
                    .collect();
                fade(&mut x, RATE_HZ as usize / 100);
                twice(x.into_iter())
            }
            Signal::Burst { offset } => twice(burst().into_iter().skip(*offset).step_by(4)),
        }
    }
}

fn twice(x: impl Iterator<Item = f64>) -> Vec<f32> {
    x.flat_map(|x| [x as f32; 2]).collect()
}

fn fade(x: &mut [f64], frames: usize) {
    let last = x.len() - 1;
    for i in 0..frames {
        let gain = i as f64 / frames as f64;
        x[i] *= gain;
        x[last - i] *= gain;
    }
}

/// Tech 3341 table 1, cases 20-23, at four times the rate, band-limited. The steady part is shorter than in the
/// published files (it only repeats itself); the burst and the fades are whole.
fn burst() -> Vec<f64> {
    const PERIODS: usize = 2_000;
    let steady = |n: usize| 0.5 * (TAU * n as f64 / 24.0).sin();
    let mut x: Vec<f64> = (0..24 * PERIODS).map(steady).collect();
    x.extend((0..16).map(|n| (TAU * n as f64 / 16.0).sin()));
    x.extend((0..24 * PERIODS).map(steady));
    fade(&mut x, 4 * RATE_HZ as usize / 10);
    // Anti-alias low-pass at a quarter of the band: 385 taps, Hann-windowed sinc.
    const HALF: isize = 192;
    let mut taps: Vec<f64> = (-HALF..=HALF)
        .map(|i| {
            let u = std::f64::consts::PI * i as f64 / 4.0;
            let sinc = if i == 0 { 1.0 } else { u.sin() / u };
            sinc * (0.5 + 0.5 * (std::f64::consts::PI * i as f64 / (HALF + 1) as f64).cos())
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    taps.iter_mut().for_each(|t| *t /= sum);
    let mut line = vec![0.0; HALF as usize];
    line.extend(&x);
    line.extend(vec![0.0; HALF as usize]);
    line.windows(taps.len()).map(|w| w.iter().zip(&taps).map(|(x, t)| x * t).sum()).collect()
}

const TECH_3341: &str = "EBU Tech 3341 v4, table 1";
const TECH_3342: &str = "EBU Tech 3342 v4, table 1";
const BS_2217: &str = "ITU-R BS.2217-2";

/// All cases, in the order of the documents.
pub fn cases() -> Vec<Case> {
    let mut all = tech_3341_loudness();
    all.extend(tech_3341_true_peak());
    all.extend(tech_3342());
    all.extend(bs_2217());
    all
}

fn case(name: String, source: &'static str, signal: Signal, expectations: Vec<Expectation>) -> Case {
    let channels = match &signal {
        Signal::Parts { gains_db, .. } => gains_db.len(),
        _ => 2,
    };
    Case { name, source, channels, signal, expectations }
}

fn stereo(hz: f64, parts: &[(Option<f64>, f64)]) -> Signal {
    Signal::Parts { hz, parts: parts.to_vec(), gains_db: vec![Some(0.0); 2] }
}

fn near(quantity: Quantity, expected: f64, within: f64) -> Expectation {
    Expectation { quantity, expected: Some(expected), below: within, above: within }
}

fn levels(parts: &[(f64, f64)]) -> Vec<(Option<f64>, f64)> {
    parts.iter().map(|(level, seconds)| (Some(*level), *seconds)).collect()
}

fn tech_3341_loudness() -> Vec<Case> {
    use Quantity::*;
    let tone = |n: u32, parts: &[(f64, f64)], read: Vec<Expectation>| {
        case(format!("case {n}"), TECH_3341, stereo(1_000.0, &levels(parts)), read)
    };
    let all = |at: f64| vec![near(Momentary, at, 0.1), near(ShortTerm, at, 0.1), near(Integrated, at, 0.1)];
    let integrated = || vec![near(Integrated, -23.0, 0.1)];
    let surround = Signal::Parts {
        hz: 1_000.0,
        parts: vec![(Some(0.0), 20.0)],
        gains_db: [-28.0, -28.0, -24.0, -30.0, -30.0].map(Some).to_vec(),
    };
    let mut out = vec![
        tone(1, &[(-23.0, 20.0)], all(-23.0)),
        tone(2, &[(-33.0, 20.0)], all(-33.0)),
        tone(3, &[(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)], integrated()),
        tone(4, &[(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)], integrated()),
        tone(5, &[(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)], integrated()),
        case("case 6".into(), TECH_3341, surround, integrated()),
        tone(9, &[(-20.0, 1.34), (-30.0, 1.66)].repeat(5), vec![near(ShortTerm, -23.0, 0.1)]),
    ];
    let file = |case_number: u32, i: u32, lead: f64, length: f64, read: Quantity| {
        let parts = [(None, f64::from(i) * lead), (Some(-23.0), length), (None, 1.0)];
        case(format!("case {case_number}-{}", i + 1), TECH_3341, stereo(1_000.0, &parts), vec![near(read, -23.0, 0.1)])
    };
    let ramp = |case_number: u32, lead: f64, length: f64, read: Quantity| {
        let parts: Vec<_> = (0..20)
            .flat_map(|i| {
                let i = f64::from(i);
                [(None, i * lead), (Some(-38.0 + i), length), (None, length - i * lead)]
            })
            .collect();
        case(format!("case {case_number}"), TECH_3341, stereo(1_000.0, &parts), vec![near(read, -19.0, 0.1)])
    };
    out.extend((0..20).map(|i| file(10, i, 0.15, 3.0, MaxShortTerm)));
    out.push(ramp(11, 0.15, 3.0, MaxShortTermSteps));
    out.push(tone(12, &[(-20.0, 0.18), (-30.0, 0.22)].repeat(25), vec![near(Momentary, -23.0, 0.1)]));
    out.extend((0..20).map(|i| file(13, i, 0.02, 0.4, MaxMomentary)));
    out.push(ramp(14, 0.02, 0.4, MaxMomentarySteps));
    out
}

fn tech_3341_true_peak() -> Vec<Case> {
    let peak = |n: u32, signal: Signal, dbtp: f64| {
        let read = Expectation { quantity: Quantity::TruePeak, expected: Some(dbtp), below: 0.4, above: 0.2 };
        case(format!("case {n}"), TECH_3341, signal, vec![read])
    };
    let tone = |divisor, amplitude, degrees| Signal::Tone { divisor, amplitude, degrees };
    let mut out = vec![
        peak(15, tone(4.0, 0.5, 0.0), -6.0),
        peak(16, tone(4.0, 0.5, 45.0), -6.0),
        peak(17, tone(6.0, 0.5, 60.0), -6.0),
        peak(18, tone(8.0, 0.5, 67.5), -6.0),
        peak(19, tone(4.0, 1.41, 45.0), 3.0),
    ];
    out.extend((0..4).map(|offset| peak(20 + offset, Signal::Burst { offset: offset as usize }, 0.0)));
    out
}

fn tech_3342() -> Vec<Case> {
    let rows: [(&[f64], f64); 4] = [
        (&[-20.0, -30.0], 10.0),
        (&[-20.0, -15.0], 5.0),
        (&[-40.0, -20.0], 20.0),
        (&[-50.0, -35.0, -20.0, -35.0, -50.0], 15.0),
    ];
    let each = rows.iter().enumerate().map(|(i, (steps, range_lu))| {
        let parts: Vec<_> = steps.iter().map(|level| (Some(*level), 20.0)).collect();
        let read = vec![near(Quantity::Range, *range_lu, 1.0)];
        case(format!("case {}", i + 1), TECH_3342, stereo(1_000.0, &parts), read)
    });
    each.collect()
}

fn bs_2217() -> Vec<Case> {
    let mut out = Vec::new();
    for lkfs in [-23.0, -24.0] {
        let shift = lkfs + 23.0;
        let read = || vec![near(Quantity::Integrated, lkfs, 0.1)];
        // Levels of the published files, dBFS of the peak.
        let tones = [
            (25.0, -11.91),
            (100.0, -21.17),
            (500.0, -22.347),
            (1_000.0, -23.0),
            (2_000.0, -25.374),
            (10_000.0, -26.347),
        ];
        for (hz, dbfs) in tones {
            let name = format!("{} LKFS {hz} Hz 2ch", -lkfs);
            out.push(case(name, BS_2217, stereo(hz, &[(Some(dbfs + shift), 29.0)]), read()));
        }
        let places = [
            ("Left", -19.989),
            ("Right", -19.989),
            ("Centre", -19.989),
            ("LFE", -18.16),
            ("Ls", -21.481),
            ("Rs", -21.481),
        ];
        for (channel, (place, dbfs)) in places.into_iter().enumerate() {
            let lfe = place == "LFE";
            let mut gains_db = vec![None; 6];
            gains_db[channel] = Some(0.0);
            let hz = if lfe { 100.0 } else { 1_000.0 };
            let signal = Signal::Parts { hz, parts: vec![(Some(dbfs + shift), 29.0)], gains_db };
            let mut expectations = read();
            if lfe {
                expectations[0].expected = None; // the LFE channel is left out of the sum
            }
            out.push(case(format!("{} LKFS channel check {place}", -lkfs), BS_2217, signal, expectations));
        }
    }
    let bursts = [(-90.0, 0.8), (-69.5, 0.5), (-90.0, 0.5), (-69.5, 0.5), (-90.0, 0.5), (-69.5, 0.5), (-90.0, 0.7)];
    let steps = [(-90.0, 0.5), (-19.9, 0.9), (-7.1, 1.3), (-19.9, 0.8), (-90.0, 0.5)];
    let gate = |name: &str, parts: &[(f64, f64)], lkfs| {
        case(name.into(), BS_2217, stereo(1_000.0, &levels(parts)), vec![near(Quantity::Integrated, lkfs, 0.1)])
    };
    out.push(gate("absolute gate", &bursts, -69.5));
    out.push(gate("relative gate", &steps, -10.0));
    out
}
