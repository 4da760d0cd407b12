//! `dc_offset`: the signal does not swing around zero. A fault of an interface or of one channel; costs headroom
//! and makes cuts click. A note: nobody can mend it in a service.

use super::dwell::Timing;
use super::knobs::knobs;
use super::roster::Recruit;
use super::{Evidence, Scene, Severity, Verdict, Watch, Words};
use crate::units::{MAX_CHANNELS, TICKS_A_SECOND};

pub const ABOUT: &str = "the signal does not swing around zero (DC offset)";
pub const HIDES: &[&str] = &[];
pub const WORDS: &[&Words] = &[&OFFSET];

static OFFSET: Words = Words {
    headline: "The {feed} leans to one side electrically",
    checks: [
        "After the service: switch on the low-cut filter of each channel in turn and look whether it goes.",
        "Try another input of the sound interface.",
        "If it stays so, have the interface checked.",
    ],
    viewers: "The viewers may hear clicks when sound is cut in or out.",
    evidence: "The mean value was {value} % of full scale (limit {limit} %).",
    caution: "",
};

knobs! {
    raise_after_seconds = 10.0, 1..300, "seconds before it is noted";
    clear_after_seconds = 5.0, 1..120, "seconds without before it clears";
    above_percent = 0.5, 0.05..20, "mean value, % of full scale";
    clear_below_percent = 0.3, 0.01..20, "mean value at which it ends, % of full scale";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(Offset { settings: self.clone(), mean: [0.0; MAX_CHANNELS] })
    }
}

/// Time constant of the running mean, ticks (5 s).
const SMOOTHING_TICKS: f64 = 5.0 * TICKS_A_SECOND as f64;

struct Offset {
    settings: Settings,
    mean: [f64; MAX_CHANNELS],
}

impl Watch for Offset {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        let feed = scene.feed;
        if feed.absent() {
            return Verdict::Unsure;
        }
        let mut worst = 0.0f64;
        for (mean, c) in self.mean.iter_mut().zip(&feed.channel[..feed.channels]) {
            *mean += (c.dc - *mean) / SMOOTHING_TICKS;
            worst = worst.max(mean.abs() * 100.0);
        }
        if worst > self.settings.above_percent && !feed.stands_still() {
            Verdict::Bad(Evidence::new(&OFFSET, Severity::Note, worst, self.settings.above_percent))
        } else if worst < self.settings.clear_below_percent {
            Verdict::Good
        } else {
            Verdict::Unsure
        }
    }
}
