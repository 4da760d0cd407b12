//! `imbalance`: one side is much louder than the other, in sound that both carry.
//!
//! Cause: one side's fader, trim or level control stands lower than the other's, or a talker's pan is off centre.
//! The viewers hear the talker from one side, and on one loudspeaker of a pair too quietly. If nobody acts it
//! stays so; nothing is lost. Time that there is: until the next pause. Only what is common to both sides counts
//! (correlation above 0.5), so a piano that stands on one side, or a stereo synthesiser, says nothing.

use super::{Pair, plays_on_two_sides};
use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::roster::Recruit;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};

pub const ABOUT: &str = "one side is much louder than the other";
pub const HIDES: &[&str] = &[];
pub const WORDS: &[&Words] = &[&LEFT_LOUDER, &RIGHT_LOUDER];

static LEFT_LOUDER: Words = Words {
    headline: "The {feed} is louder on the left",
    checks: [
        "On the desk: do left and right of the stream mix stand at the same level?",
        "Is whoever speaks now turned (panned) to the left? Turn it to the middle.",
        "Is a level knob of the right line, at desk or computer, turned down?",
    ],
    viewers: "The viewers hear everything from the left.",
    evidence: "Left was {value} dB louder than right (limit {limit} dB).",
    caution: "",
};
static RIGHT_LOUDER: Words = Words {
    headline: "The {feed} is louder on the right",
    checks: [
        "On the desk: do left and right of the stream mix stand at the same level?",
        "Is whoever speaks now turned (panned) to the right? Turn it to the middle.",
        "Is a level knob of the left line, at desk or computer, turned down?",
    ],
    viewers: "The viewers hear everything from the right.",
    evidence: "Right was {value} dB louder than left (limit {limit} dB).",
    caution: "",
};

knobs! {
    raise_after_seconds = 30.0, 5..600, "seconds of sound before it is told";
    clear_after_seconds = 10.0, 1..120, "seconds of balanced sound before it clears";
    above_db = 6.0, 2..30, "difference of the two sides, dB";
    clear_below_db = 4.0, 1..30, "difference at which it ends, dB";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(Imbalance { settings: self.clone(), pair: Pair::over(AVERAGE_SECONDS) })
    }
}

/// Length of the average, seconds of common sound.
const AVERAGE_SECONDS: usize = 8;
/// Correlation from which a tick's sound is common to both sides.
const COMMON: f64 = 0.5;
/// Difference from which a side is missing rather than quieter, dB (`one_side_only` begins there).
const MISSING_DB: f64 = 35.0;

struct Imbalance {
    settings: Settings,
    pair: Pair,
}

impl Watch for Imbalance {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        let common = scene.feed.correlation().is_some_and(|r| r > COMMON);
        if !common || !plays_on_two_sides(scene) {
            return Verdict::Unsure;
        }
        self.pair.take(scene.feed);
        let db = self.pair.balance_db();
        if db.abs() > MISSING_DB {
            Verdict::Unsure
        } else if db.abs() > self.settings.above_db {
            let words = if db > 0.0 { &LEFT_LOUDER } else { &RIGHT_LOUDER };
            Verdict::Bad(Evidence::new(words, Severity::Advice, db.abs(), self.settings.above_db))
        } else if db.abs() < self.settings.clear_below_db {
            Verdict::Good
        } else {
            Verdict::Unsure
        }
    }
}
