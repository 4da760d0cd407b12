//! The line check of fit-out day, step by step, from readings alone: what was found, what it means, what to do.
//! Alignment: EBU R 68 (-18 dBFS) or SMPTE RP 155 (-20 dBFS), 1 kHz; stereo identification: EBU R 49 (the left side
//! is interrupted for 250 ms every 3 s).

mod step;
mod walk;

pub use step::{Heard, Line, STEPS, Step};
pub use walk::{Stage, Walk, worst};

use crate::measure::Reading;
use crate::units::{TICKS_A_SECOND, db_of_power};

/// How a step ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    /// As it should be.
    Pass,
    /// Not as it should be.
    Fail,
    /// It was tried, and what came does not decide it.
    CannotTell,
    /// It was not tried.
    Skipped,
}

impl Answer {
    /// Word for people.
    pub fn word(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Fail => "FAIL",
            Self::CannotTell => "cannot tell",
            Self::Skipped => "skipped",
        }
    }
}

/// One step's end.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What was looked at.
    pub step: &'static str,
    /// How it ended.
    pub answer: Answer,
    /// What was found, with its number and unit.
    pub found: String,
    /// What to do about it; empty when there is nothing to do.
    pub remedy: &'static str,
}

impl Finding {
    /// A step's end.
    pub fn new(step: &'static str, answer: Answer, found: String, remedy: &'static str) -> Self {
        let remedy = if answer == Answer::Fail || answer == Answer::CannotTell { remedy } else { "" };
        Self { step, answer, found, remedy }
    }
}

/// Hum and shocks: said beside every finding of noise or hum.
pub const EARTH_CAUTION: &str = "Never lift or cut the protective earth of mains equipment to cure hum; use an isolation transformer or a balanced \
     line. Mains wiring is for a licensed electrician under local code. If anything tingles: switch off, keep away, call an electrician.";

/// A tone counts as steady when its level moves by less than this, dB.
const STEADY_DB: f64 = 0.5;
/// A side is interrupted when it falls by more than this under its usual level, dB.
const GAP_DB: f64 = 12.0;
/// Level within this of the alignment level, dB (common practice).
const ALIGNED_WITHIN_DB: f64 = 1.0;

/// What a line-up tone on a stereo feed shows: level, sides, polarity.
pub fn tone(readings: &[Reading], alignment_dbfs: f64) -> Vec<Finding> {
    let stereo: Vec<&Reading> = readings.iter().filter(|r| r.channels == 2 && r.measured_hops == 10).collect();
    // Peak level of a sine: 3.01 dB over its RMS.
    let level = |r: &Reading, side: usize| db_of_power(r.channel[side].mean_square) + 3.01;
    let usual = |side: usize| median(stereo.iter().map(|r| level(r, side)).collect());
    let (left, right) = (usual(0), usual(1));
    let no_tone = |found: &str| {
        let remedy = "Send 1 kHz to the stream mix at the alignment level: the desk's oscillator, or a file of `mixwarden linecheck --tones DIR`.";
        vec![Finding::new("line-up tone", Answer::CannotTell, found.into(), remedy)]
    };
    let (Some(left), Some(right)) = (left, right) else { return no_tone("nothing came") };
    if left.max(right) < alignment_dbfs - 30.0 {
        return no_tone("no tone was heard");
    }
    let steady = |side: usize, usual: f64| {
        let near = stereo.iter().filter(|r| (level(r, side) - usual).abs() < STEADY_DB).count();
        near * 10 >= stereo.len() * 7
    };
    if !steady(0, left) || !steady(1, right) {
        return no_tone("sound came, but it was no steady tone");
    }
    let mut findings = Vec::new();
    for (side, found) in [("level, left", left), ("level, right", right)] {
        let off = found - alignment_dbfs;
        let answer = if off.abs() <= ALIGNED_WITHIN_DB { Answer::Pass } else { Answer::Fail };
        let text = format!("{found:.1} dBFS, {off:+.1} dB from the alignment level of {alignment_dbfs:.0} dBFS");
        findings.push(Finding::new(side, answer, text, "Set the output level of the desk (or the input level of the interface) until it reads the alignment level."));
    }
    let gaps = |side: usize, usual: f64| count_gaps(stereo.iter().map(|r| level(r, side) < usual - GAP_DB));
    let (left_gaps, right_gaps) = (gaps(0, left), gaps(1, right));
    let (answer, text) = match (left_gaps, right_gaps) {
        (l, 0) if l >= 2 => {
            (Answer::Pass, format!("the left side was interrupted {l} times, the right never: as EBU R 49 asks"))
        }
        (0, r) if r >= 2 => {
            (Answer::Fail, format!("the right side was interrupted {r} times: left and right are swapped"))
        }
        (0, 0) => (Answer::CannotTell, "the tone has no interruption that marks the left side".into()),
        (l, r) => (Answer::CannotTell, format!("left was interrupted {l} times, right {r} times")),
    };
    findings.push(Finding::new("left and right", answer, text, "Swap the two plugs (or the two channels in the settings); to decide it, send the EBU stereo identification tone."));
    let rho = median(stereo.iter().filter_map(|r| r.correlation()).collect());
    let (answer, text) = match rho {
        Some(rho) if rho > 0.9 => (Answer::Pass, format!("both sides in step (correlation {rho:+.2})")),
        Some(rho) if rho < -0.9 => (Answer::Fail, format!("one side is turned over (correlation {rho:+.2})")),
        Some(rho) => (Answer::CannotTell, format!("correlation {rho:+.2}: not the same tone on both sides")),
        None => (Answer::CannotTell, "one side has no sound".into()),
    };
    findings.push(Finding::new(
        "polarity",
        answer,
        text,
        "One of the two lines is miswired (pins 2 and 3), or a polarity switch is on: correct it at that line.",
    ));
    findings
}

/// What the line carries when nothing is sent: noise floor and offset.
pub fn floor(readings: &[Reading]) -> Vec<Finding> {
    let there: Vec<&Reading> = readings.iter().filter(|r| r.measured_hops == 10).collect();
    if there.len() < 3 * TICKS_A_SECOND as usize {
        return vec![Finding::new(
            "noise floor",
            Answer::CannotTell,
            "too little came to tell".into(),
            "Look at the input first.",
        )];
    }
    let mut findings = Vec::new();
    let channels = there[0].channels;
    let noise = (0..channels)
        .filter_map(|c| median(there.iter().map(|r| db_of_power(r.channel[c].mean_square)).collect()))
        .fold(f64::NEG_INFINITY, f64::max);
    let (answer, text) = if there.iter().all(|r| r.stands_still()) {
        (Answer::CannotTell, "exact zeros: a digital line with nothing on it, or nothing connected".to_string())
    } else if noise < -60.0 {
        (Answer::Pass, format!("{noise:.1} dBFS RMS"))
    } else {
        (Answer::Fail, format!("{noise:.1} dBFS RMS; under -60 dBFS is usual"))
    };
    findings.push(Finding::new("noise floor", answer, text, "Mute channels until it falls; look at gain that is too low before and too high after, at cables beside mains, and at earth loops."));
    let dc = (0..channels)
        .map(|c| 100.0 * (there.iter().map(|r| r.channel[c].dc).sum::<f64>() / there.len() as f64).abs())
        .fold(0.0, f64::max);
    let answer = if dc < 0.5 { Answer::Pass } else { Answer::Fail };
    findings.push(Finding::new(
        "offset (DC)",
        answer,
        format!("{dc:.2} % of full scale"),
        "Try another input of the interface; if it stays, have the interface looked at.",
    ));
    findings
}

/// Whether the device's clock holds and nothing is lost. `seconds` is the steady clock's time for `frames` at `rate_hz`.
pub fn clock(frames: u64, rate_hz: u32, seconds: f64, lost_frames: u64) -> Vec<Finding> {
    let lost = if lost_frames == 0 { Answer::Pass } else { Answer::Fail };
    let remedy = "Another USB socket without a hub; a larger buffer; nothing else heavy on this computer.";
    let mut findings = vec![Finding::new("gaps", lost, format!("{lost_frames} frames lost in {seconds:.0} s"), remedy)];
    let ppm = (frames as f64 / f64::from(rate_hz) / seconds - 1.0) * 1e6;
    // Blocks of 40 ms at either end leave this much open.
    let open = 80_000.0 / seconds;
    let answer = if seconds < 20.0 {
        Answer::CannotTell
    } else if ppm.abs() < 200.0 + open {
        Answer::Pass
    } else {
        Answer::Fail
    };
    let remedy = "Set the same sample rate on the desk and on this computer; give a minute to the measurement.";
    findings.push(Finding::new(
        "clock",
        answer,
        format!("{ppm:+.0} ppm against this computer's clock (known to {open:.0} ppm)"),
        remedy,
    ));
    findings
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.retain(|v| !v.is_nan());
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

fn count_gaps(low: impl Iterator<Item = bool>) -> usize {
    let mut before = false;
    low.filter(|now| {
        let begins = *now && !before;
        before = *now;
        begins
    })
    .count()
}
