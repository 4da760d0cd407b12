//! `dual_mono`: both sides carry the very same signal.
//!
//! Cause: the stream mix is mono, or one output feeds both inputs. The viewers lose the picture's width, nothing
//! else; where the mix is meant to be mono all is well. If nobody acts nothing gets worse: a note for the review.

use super::{Pair, plays_on_two_sides};
use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::roster::Recruit;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};

pub const ABOUT: &str = "both sides carry the very same signal";
pub const HIDES: &[&str] = &[];
pub const WORDS: &[&Words] = &[&SAME];

static SAME: Words = Words {
    headline: "The {feed} is the same on both sides",
    checks: [
        "If the stream mix is meant to be mono: all is well.",
        "After the service: is the stream mix set to stereo on the desk?",
        "Do two cables run from left and right, or one to both inputs?",
    ],
    viewers: "The viewers hear all from the middle.",
    evidence: "What differs between the sides lay at {value} dB (limit {limit} dB).",
    caution: "",
};

knobs! {
    raise_after_seconds = 60.0, 10..1800, "seconds of sound before it is noted";
    clear_after_seconds = 5.0, 1..120, "seconds of stereo sound before it clears";
    below_db = -60.0, -120..-20, "level of what differs between the sides, dB";
    clear_above_db = -50.0, -120..-10, "level of what differs at which it ends, dB";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(DualMono { settings: self.clone(), pair: Pair::over(AVERAGE_SECONDS) })
    }
}

/// Length of the average, seconds of sound.
const AVERAGE_SECONDS: usize = 8;

struct DualMono {
    settings: Settings,
    pair: Pair,
}

impl Watch for DualMono {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        if !plays_on_two_sides(scene) {
            return Verdict::Unsure;
        }
        self.pair.take(scene.feed);
        let side = self.pair.side_db();
        if !self.pair.full() {
            Verdict::Unsure
        } else if side < self.settings.below_db {
            let value = side.max(-120.0);
            Verdict::Bad(Evidence::new(&SAME, Severity::Note, value, self.settings.below_db))
        } else if side > self.settings.clear_above_db {
            Verdict::Good
        } else {
            Verdict::Unsure
        }
    }
}
