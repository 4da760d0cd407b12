//! `channel_dead`: one side was there and went away while the other plays on, or came back from a pause without it.

use super::sides::{Side, Sides};
use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::roster::Recruit;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};

pub const ABOUT: &str = "one side was there and went away";
pub const HIDES: &[&str] = &["one_side_only", "imbalance", "mono_loss", "dc_offset"];
pub const WORDS: &[&Words] = &[&LEFT_GONE, &RIGHT_GONE];

static LEFT_GONE: Words = Words {
    headline: "The {feed} has lost its left side",
    checks: [
        "Is the left cable of the stream mix firmly in at both ends?",
        "On the desk: is the left side of the stream mix's output still patched?",
        "Swap the two plugs at the computer: if the fault changes sides, it is before the plugs.",
    ],
    viewers: "Viewers hear the right side only.",
    evidence: "The left side fell {value} dB under the right (limit {limit} dB).",
    caution: "",
};
static RIGHT_GONE: Words = Words {
    headline: "The {feed} has lost its right side",
    checks: [
        "Is the right cable of the stream mix firmly in at both ends?",
        "On the desk: is the right side of the stream mix's output still patched?",
        "Swap the two plugs at the computer: if the fault changes sides, it is before the plugs.",
    ],
    viewers: "Viewers hear the left side only.",
    evidence: "The right side fell {value} dB under the left (limit {limit} dB).",
    caution: "",
};

knobs! {
    raise_after_seconds = 3.0, 1..60, "seconds of the other side's sound before it is told";
    clear_after_seconds = 3.0, 0.5..60, "seconds of sound on both sides before it clears";
    below_dbfs = -60.0, -90..-30, "level under which a side may be dead, dBFS";
    below_other_db = 35.0, 10..80, "distance under the other side, dB";
    other_above_lufs = -42.0, -60..-20, "loudness of the other side from which it counts, LUFS";
    alike_within_db = 15.0, 3..40, "distance of the two sides before the loss, dB";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(Dead {
            alike_within_db: self.alike_within_db,
            sides: Sides::new(self.below_dbfs, self.below_other_db, self.other_above_lufs),
            past: [[f64::NEG_INFINITY; 2]; 5],
            cut: None,
        })
    }
}

struct Dead {
    alike_within_db: f64,
    sides: Sides,
    /// Levels of the last five ticks, oldest first.
    past: [[f64; 2]; 5],
    /// The side whose loss was seen.
    cut: Option<Side>,
}

/// Level that a side had before a loss that is believed, dBFS.
const WAS_ABOVE_DBFS: f64 = -50.0;
/// The other side may not fall by more than this around the loss, dB: else the source itself stopped.
const OTHER_FELL_DB: f64 = 15.0;
/// Nor pause meanwhile, dB under its level before: after a pause another source may play, that has one side only.
const OTHER_PAUSED_DB: f64 = 25.0;

impl Watch for Dead {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        let view = self.sides.step(scene.feed, scene.hearing);
        let now = self.sides.level_db;
        let before = self.past[0];
        let Some(missing) = view.missing else {
            self.past.rotate_left(1);
            self.past[4] = now;
            if view.both {
                self.cut = None;
                return Verdict::Good;
            }
            return Verdict::Unsure;
        };
        let (gone, other) = if missing == Side::Left { (0, 1) } else { (1, 0) };
        let was_there = before[gone] > WAS_ABOVE_DBFS && (before[0] - before[1]).abs() < self.alike_within_db;
        let went_on = self.past.iter().all(|level| level[other] > before[other] - OTHER_PAUSED_DB);
        if was_there && went_on && now[other] > before[other] - OTHER_FELL_DB {
            self.cut = Some(missing);
        }
        self.past.rotate_left(1);
        self.past[4] = now;
        // It died in a pause: it was heard, and now lies under the floor that it had when nobody spoke.
        let died_in_pause = view.was_heard && !view.at_its_floor;
        if self.cut != Some(missing) && !died_in_pause {
            return Verdict::Good;
        }
        let words = if missing == Side::Left { &LEFT_GONE } else { &RIGHT_GONE };
        Verdict::Bad(Evidence::new(words, Severity::Warning, view.distance_db, self.sides.below_other_db()))
    }
}
