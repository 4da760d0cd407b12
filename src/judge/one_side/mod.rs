//! One of the two sides is missing: `channel_dead` (`dead`: it was there and went away) and `one_side_only`
//! (this file: it is missing, and nothing says that it was ever meant to be there).
//!
//! Cause: a connector half out, a cable core, a pan or a one-sided patch. Viewers with one earphone, or one
//! loudspeaker, hear half or nothing.

pub mod dead;
mod sides;

use super::dwell::Timing;
use super::knobs::knobs;
use super::roster::Recruit;
use super::{Evidence, Scene, Severity, Verdict, Watch, Words};
use sides::{Side, Sides};

pub const ABOUT: &str = "sound comes on one side only";
pub const HIDES: &[&str] = &["imbalance", "mono_loss"];
pub const WORDS: &[&Words] = &[&LEFT_ONLY, &RIGHT_ONLY];

static LEFT_ONLY: Words = Words {
    headline: "The {feed} has sound on the left only",
    checks: [
        "Is the right cable of the stream mix firmly in at both ends?",
        "Are sources turned (panned) all to the left on the desk?",
        "Swap the two plugs at the computer: if the fault changes sides, it is before the plugs.",
    ],
    viewers: "Viewers hear one side only.",
    evidence: "The right side lay {value} dB under the left (limit {limit} dB).",
    caution: "",
};
static RIGHT_ONLY: Words = Words {
    headline: "The {feed} has sound on the right only",
    checks: [
        "Is the left cable of the stream mix firmly in at both ends?",
        "Are sources turned (panned) all to the right on the desk?",
        "Swap the two plugs at the computer: if the fault changes sides, it is before the plugs.",
    ],
    viewers: "Viewers hear one side only.",
    evidence: "The left side lay {value} dB under the right (limit {limit} dB).",
    caution: "",
};

knobs! {
    raise_after_seconds = 20.0, 2..300, "seconds of sound on one side before it is told";
    clear_after_seconds = 3.0, 0.5..60, "seconds of sound on both sides before it clears";
    below_dbfs = -60.0, -90..-30, "level under which a side may be missing, dBFS";
    below_other_db = 35.0, 10..80, "distance under the other side, dB";
    other_above_lufs = -42.0, -60..-20, "loudness of the other side from which it counts, LUFS";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(OneSide { sides: Sides::new(self.below_dbfs, self.below_other_db, self.other_above_lufs) })
    }
}

struct OneSide {
    sides: Sides,
}

impl Watch for OneSide {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        let view = self.sides.step(scene.feed, scene.hearing);
        let Some(missing) = view.missing else {
            return if view.both { Verdict::Good } else { Verdict::Unsure };
        };
        let words = if missing == Side::Right { &LEFT_ONLY } else { &RIGHT_ONLY };
        // A side that is at its usual pause floor is only unused (a source turned hard to the other side).
        let severity = if view.was_heard && !view.at_its_floor { Severity::Warning } else { Severity::Note };
        Verdict::Bad(Evidence::new(words, severity, view.distance_db, self.sides.below_other_db()))
    }
}
