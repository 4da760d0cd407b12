//! `far_too_loud`: short-term loudness far over the target; somebody's hand slipped, or the wrong source is up.

use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::roster::Recruit;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};

pub const ABOUT: &str = "three seconds of sound lie far over the loudness target";
pub const HIDES: &[&str] = &["clipping_upstream", "too_loud", "true_peak_over"];
pub const WORDS: &[&Words] = &[&FAR];

static FAR: Words = Words {
    headline: "The {feed} is far too loud",
    checks: [
        "On the desk: lower the fader of the stream mix now.",
        "Which channel has jumped up? Lower it.",
        "Is a level control between desk and computer turned right up?",
    ],
    viewers: "The viewers hear it much too loud.",
    evidence: "Three seconds read {value} LUFS; it should be below {limit} LUFS.",
    caution: "If you listen on headphones, turn them down first. These figures say nothing of the loudness in the room.",
};

knobs! {
    raise_after_seconds = 8.0, 1..120, "seconds before it is told";
    clear_after_seconds = 6.0, 1..120, "seconds back in range before it clears";
    above_target_lu = 8.0, 3..25, "distance over the target, LU";
    clear_above_target_lu = 5.0, 1..25, "distance over the target at which it ends, LU";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(Far { settings: self.clone() })
    }
}

struct Far {
    settings: Settings,
}

impl Watch for Far {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        if !scene.has_target() {
            return Verdict::Good;
        }
        let s = &self.settings;
        let Some(short) = scene.feed.short_term_lufs else { return Verdict::Unsure };
        let target = scene.target.lufs;
        if short > target + s.above_target_lu {
            Verdict::Bad(Evidence::new(&FAR, Severity::Warning, short, target + s.above_target_lu))
        } else if short < target + s.clear_above_target_lu {
            Verdict::Good
        } else {
            Verdict::Unsure
        }
    }
}
