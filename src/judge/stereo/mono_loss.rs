//! `mono_loss`: summed to one loudspeaker, the mix loses much of its level.
//!
//! Cause: a stereo keyboard, effect or widener whose sides oppose each other, or a delay on one side. Viewers on
//! a phone hear that source weakly or not at all; those with two loudspeakers notice nothing. One piece with a wide
//! keyboard is the player's choice, and nobody at the desk can do anything about it meanwhile: it is noted for the
//! review. What goes on for longer than a piece is the mix itself, and advice; time that there is: until the next
//! pause. Unlike sides lose 3 dB, which is ordinary; a side turned over is `polarity`.

use super::{Pair, plays_on_two_sides};
use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::roster::Recruit;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};
use crate::units::TICKS_A_SECOND;

pub const ABOUT: &str = "summed to one loudspeaker, much of the mix is lost";
pub const HIDES: &[&str] = &[];
pub const WORDS: &[&Words] = &[&LOST];

static LOST: Words = Words {
    headline: "On a phone the {feed} is nearly gone",
    checks: [
        "Is a widening effect on a keyboard or on the desk switched on? Switch it off.",
        "On the desk: is the polarity switch (a circle with a stroke) on for one of two paired channels?",
        "Turn both sides of the keyboard to the middle, or use one of them only.",
    ],
    viewers: "Viewers with one loudspeaker hear it much too quietly.",
    evidence: "On one loudspeaker {value} dB would be lost (limit {limit} dB).",
    caution: "",
};

knobs! {
    raise_after_seconds = 45.0, 1..120, "seconds of sound before it is noted";
    advise_after_seconds = 300.0, 1..3600, "seconds of sound before it is advice: longer than one piece";
    clear_after_seconds = 5.0, 1..120, "seconds of sound without before it clears";
    above_db = 6.0, 3.5..30, "loss on one loudspeaker, dB";
    clear_below_db = 4.5, 3..30, "loss at which it ends, dB";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(MonoLoss { settings: self.clone(), pair: Pair::over(AVERAGE_SECONDS), lost_ticks: 0 })
    }
}

/// Length of the average, seconds of sound.
const AVERAGE_SECONDS: usize = 3;

struct MonoLoss {
    settings: Settings,
    pair: Pair,
    /// Ticks of loss; those without are taken off, as the dwell does.
    lost_ticks: u32,
}

impl Watch for MonoLoss {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        if !plays_on_two_sides(scene) {
            return Verdict::Unsure;
        }
        self.pair.take(scene.feed);
        let loss = self.pair.mono_loss_db();
        if loss > self.settings.above_db {
            let long = (self.settings.advise_after_seconds * TICKS_A_SECOND as f64) as u32;
            self.lost_ticks = long.min(self.lost_ticks + 1);
            let severity = if self.lost_ticks == long { Severity::Advice } else { Severity::Note };
            Verdict::Bad(Evidence::new(&LOST, severity, loss.min(60.0), self.settings.above_db))
        } else if loss < self.settings.clear_below_db {
            self.lost_ticks = self.lost_ticks.saturating_sub(1);
            Verdict::Good
        } else {
            Verdict::Unsure
        }
    }
}
