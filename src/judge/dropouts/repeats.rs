//! `repeats`: short pieces of the sound come twice, bit for bit.
//!
//! Cause: two digital clocks that drift apart, or a computer that is too busy and hands the same buffer over
//! again. The viewers hear stutter, like a robot's voice. If nobody acts it mostly gets worse. Time that there
//! is: minutes. First the clock, then the cable, then the computer's load.

use super::Minute;
use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::roster::Recruit;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};

pub const ABOUT: &str = "short pieces of the sound come twice";
pub const HIDES: &[&str] = &["clicks"];
pub const WORDS: &[&Words] = &[&TWICE];

static TWICE: Words = Words {
    headline: "Pieces of the {feed} come twice",
    checks: [
        "Do desk and sound interface run at the same sample rate, one of them set to follow the other's clock?",
        "Is the cable (USB or network) between desk and computer firmly in, without a hub?",
        "Is this computer busy with something else? Close it.",
    ],
    viewers: "The viewers hear stutter.",
    evidence: "A piece of sound came twice {value} times within a minute (limit {limit}).",
    caution: "",
};

knobs! {
    clear_after_seconds = 5.0, 1..120, "seconds under the limit before it clears";
    repeats_a_minute = 2.0, 1..100, "pieces within a minute";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: 0.0, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(Repeats { limit: self.repeats_a_minute, minute: Minute::default() })
    }
}

struct Repeats {
    limit: f64,
    minute: Minute,
}

impl Watch for Repeats {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        let now = scene.feed.flaws.repeats > 0;
        let n = self.minute.step(scene.feed.at, now, 0) as f64;
        if n < self.limit {
            Verdict::Good
        } else if now {
            Verdict::Bad(Evidence::new(&TWICE, Severity::Warning, n, self.limit))
        } else {
            // Told at a moment of its own, not because a worse cause has just ended.
            Verdict::Unsure
        }
    }

    fn forget(&mut self) {
        self.minute = Minute::default();
    }
}
