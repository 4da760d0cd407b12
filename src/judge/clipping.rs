//! `clipping`: runs of full-scale samples, the signal is cut off at the top.
//!
//! Cause: the stream bus or the interface's input is driven too hard. The viewers hear crackle and harshness.
//! Runs of 3 same-sign samples at 0.999 of full scale, 5 of them in 3 s (common practice: 3 samples in a row).

use super::dwell::Timing;
use super::knobs::knobs;
use super::roster::Recruit;
use super::{Evidence, Scene, Severity, Verdict, Watch, Words};
use crate::units::TICKS_A_SECOND;
use std::collections::VecDeque;

pub const ABOUT: &str = "the signal is cut off at full scale";
pub const HIDES: &[&str] = &["true_peak_over", "clicks", "too_loud", "far_too_loud", "dc_offset", "clipping_upstream"];
pub const WORDS: &[&Words] = &[&CLIPPED];

static CLIPPED: Words = Words {
    headline: "The {feed} is distorted: it is too hot",
    checks: [
        "On the desk: lower the fader of the stream mix until the red light stays off.",
        "Is the input level of this computer or its sound interface turned up too far?",
        "Is a limiter on the stream mix switched off?",
    ],
    viewers: "The viewers hear harsh crackle in loud moments.",
    evidence: "The signal was cut off {value} times in 3 s (limit {limit}).",
    caution: "",
};

knobs! {
    raise_after_seconds = 0.0, 0..30, "seconds before it is told";
    clear_after_seconds = 10.0, 1..120, "seconds without before it clears";
    runs = 5.0, 1..100, "cut-off peaks within 3 s that make it clipping";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(Clipping { runs: self.runs, recent: VecDeque::with_capacity(30), sum: 0 })
    }
}

struct Clipping {
    runs: f64,
    recent: VecDeque<u32>,
    sum: u32,
}

impl Watch for Clipping {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        let feed = scene.feed;
        let now: u32 = feed.channel[..feed.channels].iter().map(|c| c.full_scale_runs).sum();
        self.recent.push_back(now);
        self.sum += now;
        if self.recent.len() > 3 * TICKS_A_SECOND as usize {
            self.sum -= self.recent.pop_front().unwrap_or(0);
        }
        if f64::from(self.sum) >= self.runs {
            Verdict::Bad(Evidence::new(&CLIPPED, Severity::Warning, f64::from(self.sum), self.runs))
        } else {
            Verdict::Good
        }
    }
}
