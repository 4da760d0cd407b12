//! `long_quiet`: no sound for long, and no sign of a fault. A note for the review; silent prayer does this.

use super::dwell::Timing;
use super::knobs::knobs;
use super::roster::Recruit;
use super::{Evidence, Scene, Severity, Verdict, Watch, Words};

pub const ABOUT: &str = "no sound for long in a service, with no sign of a fault";
pub const HIDES: &[&str] = &[];
pub const WORDS: &[&Words] = &[&QUIET];

static QUIET: Words = Words {
    headline: "The {feed} has been quiet for long",
    checks: [
        "If this is a silence that was meant: all is well.",
        "If somebody speaks: is the microphone on and sent to the stream mix?",
        "Is the fader of the stream mix up?",
    ],
    viewers: "The viewers hear a quiet room.",
    evidence: "The level stayed at {value} LUFS, under {limit} LUFS.",
    caution: "",
};

knobs! {
    raise_after_seconds = 90.0, 20..1800, "seconds of quiet before it is noted";
    clear_after_seconds = 3.0, 0.1..60, "seconds of sound before it clears";
    below_lufs = -58.0, -80..-40, "level of one second that counts as quiet, LUFS";
    clear_above_lufs = -55.0, -80..-30, "level that ends it, LUFS";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(LongQuiet { settings: self.clone() })
    }
}

struct LongQuiet {
    settings: Settings,
}

impl Watch for LongQuiet {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        if !scene.has_target() {
            return Verdict::Good;
        }
        if !scene.hearing.heard {
            return Verdict::Good;
        }
        match scene.hearing.second_lufs() {
            None => Verdict::Unsure,
            Some(l) if l < self.settings.below_lufs => {
                Verdict::Bad(Evidence::new(&QUIET, Severity::Note, l, self.settings.below_lufs))
            }
            Some(l) if l > self.settings.clear_above_lufs => Verdict::Good,
            Some(_) => Verdict::Unsure,
        }
    }
}
