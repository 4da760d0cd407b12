//! `gaps`: the sound stops for a moment and comes back, again and again.
//!
//! Cause: a digital link that loses data (two clocks that are not tied together, a network or USB cable or hub), or
//! a computer that is too busy. The viewers hear holes and stutter, and lose words. If nobody acts it mostly gets
//! worse. Time that there is: minutes. First the clock and the cable, then the computer's load.

use super::Minute;
use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::roster::Recruit;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};

pub const ABOUT: &str = "short holes in the sound, again and again";
pub const HIDES: &[&str] = &["repeats", "clicks"];
pub const WORDS: &[&Words] = &[&HOLES];

static HOLES: Words = Words {
    headline: "The {feed} has holes in it",
    checks: [
        "Is the cable (USB or network) between desk and computer firmly in, without a hub?",
        "Do desk and sound interface run at the same sample rate, one of them set to follow the other's clock?",
        "Is this computer busy with something else? Close it.",
    ],
    viewers: "The viewers hear stutter and lose words.",
    evidence: "The sound stopped {value} times within a minute (limit {limit}).",
    caution: "",
};

knobs! {
    clear_after_seconds = 5.0, 1..120, "seconds under the limit before it clears";
    holes_a_minute = 3.0, 1..100, "holes within a minute";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: 0.0, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(Gaps { limit: self.holes_a_minute, minute: Minute::default() })
    }
}

struct Gaps {
    limit: f64,
    minute: Minute,
}

impl Watch for Gaps {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        let now = scene.feed.flaws.holes > 0;
        let n = self.minute.step(scene.feed.at, now, 0) as f64;
        if n < self.limit {
            Verdict::Good
        } else if now {
            Verdict::Bad(Evidence::new(&HOLES, Severity::Warning, n, self.limit))
        } else {
            // Told at a moment of its own, not because a worse cause has just ended.
            Verdict::Unsure
        }
    }

    fn forget(&mut self) {
        self.minute = Minute::default();
    }
}
