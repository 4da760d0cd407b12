//! `no_data`: nothing comes from the input at all.
//!
//! Cause: the device is unplugged, switched off, or its driver stalls. The viewers hear nothing. If nobody acts
//! it stays so. Time that there is: none.

use super::dwell::Timing;
use super::knobs::knobs;
use super::roster::Recruit;
use super::{Evidence, Scene, Severity, Verdict, Watch, Words};
use crate::units::TICKS_A_SECOND;

pub const ABOUT: &str = "nothing comes from the input (unplugged, switched off, stalled)";
pub const HIDES: &[&str] = &[
    "digital_silence",
    "bus_muted",
    "silent_while_house_plays",
    "long_quiet",
    "too_quiet",
    "far_too_quiet",
    "too_loud",
    "far_too_loud",
    "channel_dead",
    "one_side_only",
    "dc_offset",
    "clipping",
    "true_peak_over",
];
pub const WORDS: &[&Words] = &[&LOST, &NOT_THERE];

static LOST: Words = Words {
    headline: "No sound data from the {feed} input",
    checks: [
        "Is the cable from the mixing desk to this computer plugged in at both ends?",
        "Is the desk (or the sound interface) switched on?",
        "Unplug the cable at the computer, wait five seconds, plug it in again.",
    ],
    viewers: "The viewers most likely hear nothing.",
    evidence: "No audio arrived for {value} s (limit {limit} s).",
    caution: "",
};
static NOT_THERE: Words = Words {
    headline: "The {feed} input is not there yet",
    checks: [
        "Switch on the mixing desk (or the sound interface).",
        "Is the cable from the desk to this computer plugged in at both ends?",
        "If it stays so, restart this computer.",
    ],
    viewers: "Nothing is on the way to the viewers yet.",
    evidence: "No audio arrived for {value} s (limit {limit} s).",
    caution: "",
};

knobs! {
    raise_after_seconds = 1.5, 0.5..60, "seconds without any data before it is told";
    clear_after_seconds = 0.5, 0.1..60, "seconds of data before it clears";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(NoData { limit: self.raise_after_seconds, ticks: 0 })
    }
}

struct NoData {
    limit: f64,
    ticks: u64,
}

impl Watch for NoData {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        if !scene.feed.absent() {
            self.ticks = 0;
            return Verdict::Good;
        }
        self.ticks += 1;
        let seconds = self.ticks as f64 / TICKS_A_SECOND as f64;
        let needed = scene.hearing.heard || scene.service.began.is_some() || scene.service.overdue;
        let (words, severity) = if needed { (&LOST, Severity::Warning) } else { (&NOT_THERE, Severity::Advice) };
        Verdict::Bad(Evidence::new(words, severity, seconds, self.limit))
    }
}
