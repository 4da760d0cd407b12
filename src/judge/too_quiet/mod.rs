//! `too_quiet` (this file) and `far_too_quiet` (`far`): the mix lies under the loudness target.
//!
//! Cause: the stream bus's fader, a talker's send, or the trim between desk and computer. The viewers turn up
//! and then hear the next loud thing too loud. Time that there is: until the next pause; far too quiet: now.

pub mod far;

use super::dwell::Timing;
use super::knobs::knobs;
use super::roster::Recruit;
use super::{Evidence, Scene, Severity, Verdict, Watch, Words};

pub const ABOUT: &str = "the last half minute of sound lies under the loudness target";
pub const HIDES: &[&str] = &[];
pub const WORDS: &[&Words] = &[&QUIET];

static QUIET: Words = Words {
    headline: "The {feed} is too quiet",
    checks: [
        "On the desk: raise the fader of the stream mix a little.",
        "Is one voice alone too quiet? Raise what it sends to the stream mix.",
        "Is a level control between desk and computer turned down?",
    ],
    viewers: "The viewers have to turn up.",
    evidence: "The last half minute read {value} LUFS; it should be above {limit} LUFS.",
    caution: "",
};

knobs! {
    raise_after_seconds = 22.0, 5..600, "seconds before it is told";
    further_after_seconds = 14.0, 5..600, "the same where it lies 2 LU further under the target";
    clear_after_seconds = 10.0, 1..120, "seconds back in range before it clears";
    below_target_lu = 7.0, 2..30, "distance under the target, LU";
    clear_below_target_lu = 5.0, 1..30, "distance under the target at which it ends, LU";
    armed_after_seconds = 90.0, 10..900, "seconds of sound before it may be told, unless the mix was at its target before";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(TooQuiet { settings: self.clone(), armed: false })
    }
}

/// Under the limit by this, it is told sooner, LU.
const FURTHER_LU: f64 = 2.0;

struct TooQuiet {
    settings: Settings,
    armed: bool,
}

impl Watch for TooQuiet {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        if !scene.has_target() {
            return Verdict::Good;
        }
        let s = &self.settings;
        let Some(recent) = scene.hearing.recent_lufs() else { return Verdict::Unsure };
        let target = scene.target.lufs;
        if !scene.hearing.heard {
            self.armed = false;
        }
        self.armed |=
            recent > target - s.below_target_lu - 1.0 || scene.hearing.sound_seconds() > s.armed_after_seconds;
        if !scene.hearing.plays {
            Verdict::Unsure
        } else if recent < target - s.below_target_lu && self.armed {
            let limit = target - s.below_target_lu;
            let further = recent < limit - FURTHER_LU;
            let after =
                if further { s.further_after_seconds.min(s.raise_after_seconds) } else { s.raise_after_seconds };
            Verdict::Bad(Evidence::new(&QUIET, Severity::Advice, recent, limit).after(after))
        } else if recent > target - s.clear_below_target_lu {
            Verdict::Good
        } else {
            Verdict::Unsure
        }
    }
}
