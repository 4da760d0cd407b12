//! `too_loud` (this file) and `far_too_loud` (`far`): the mix lies over the loudness target.
//!
//! Cause: the stream bus's fader, or one source far up. The viewers turn down; the platform's limiter squashes it.

pub mod far;

use super::dwell::Timing;
use super::knobs::knobs;
use super::roster::Recruit;
use super::{Evidence, Scene, Severity, Verdict, Watch, Words};

pub const ABOUT: &str = "the last half minute of sound lies over the loudness target";
pub const HIDES: &[&str] = &[];
pub const WORDS: &[&Words] = &[&LOUD];

static LOUD: Words = Words {
    headline: "The {feed} is too loud",
    checks: [
        "On the desk: lower the fader of the stream mix a little.",
        "Is one voice or instrument alone too loud? Lower what it sends to the stream mix.",
        "Is a level control between desk and computer turned up?",
    ],
    viewers: "The viewers have to turn down.",
    evidence: "The last half minute read {value} LUFS; it should be below {limit} LUFS.",
    caution: "",
};

knobs! {
    raise_after_seconds = 45.0, 5..600, "seconds before it is told";
    clear_after_seconds = 10.0, 1..120, "seconds back in range before it clears";
    above_target_lu = 5.0, 2..20, "distance over the target, LU";
    clear_above_target_lu = 3.0, 0.5..20, "distance over the target at which it ends, LU";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(TooLoud { settings: self.clone() })
    }
}

struct TooLoud {
    settings: Settings,
}

impl Watch for TooLoud {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        if !scene.has_target() {
            return Verdict::Good;
        }
        let s = &self.settings;
        let Some(recent) = scene.hearing.recent_lufs() else { return Verdict::Unsure };
        let target = scene.target.lufs;
        if recent > target + s.above_target_lu {
            Verdict::Bad(Evidence::new(&LOUD, Severity::Advice, recent, target + s.above_target_lu))
        } else if recent < target + s.clear_above_target_lu {
            Verdict::Good
        } else {
            Verdict::Unsure
        }
    }
}
