//! `unrelated_feed`: stream and room both play, and share no sound at all.
//!
//! Cause: the stream carries another room, yesterday's recording or a wrong input; or the house feed does. A film
//! before the service that only the viewers see does the same, so it is put as a question.

use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::roster::Recruit;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};
use crate::likeness::Kin;

pub const ABOUT: &str = "stream and room's mix both play and share no sound";
pub const HIDES: &[&str] = &["house_copy"];
pub const WORDS: &[&Words] = &[&UNRELATED];

static UNRELATED: Words = Words {
    headline: "Does the {feed} carry another sound?",
    checks: [
        "Listen to the stream: is it this room, now?",
        "On the desk and the computer: are the inputs for stream and room the right ones?",
        "If the viewers see a film before the service: all is well.",
    ],
    viewers: "The viewers may hear something else than the room.",
    evidence: "Both played, and for {limit} s nothing in the stream was found in the room's mix (delays up to half a second were tried).",
    caution: "",
};

knobs! {
    raise_after_seconds = 5.0, 1..600, "seconds that a certain verdict must stand before it is told";
    clear_after_seconds = 2.0, 0.1..60, "seconds of shared sound before it clears";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(Unrelated { explained: None, forgets: false })
    }
}

/// Follows the verdict; what was compared while a told cause stood (a tone left on, say) is that cause's doing.
struct Unrelated {
    /// Compared time when a told cause last explained it, seconds.
    explained: Option<f64>,
    forgets: bool,
}

/// Seconds of sound in both after which "unrelated" is certain.
const COMPARED_SECONDS: f64 = 30.0;
/// Compared time after a told cause before the verdict counts again, seconds: twice what makes it certain.
const AFRESH_SECONDS: f64 = 60.0;

impl Watch for Unrelated {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        let Some(likeness) = scene.likeness.filter(|l| l.kin == Kin::Unrelated) else {
            (self.explained, self.forgets) = (None, false);
            return Verdict::Good;
        };
        if std::mem::take(&mut self.forgets) {
            self.explained = Some(likeness.at_seconds);
        }
        match self.explained {
            Some(at) if likeness.at_seconds - at < AFRESH_SECONDS => Verdict::Good,
            _ => Verdict::Bad(Evidence::new(&UNRELATED, Severity::Advice, 0.0, COMPARED_SECONDS)),
        }
    }

    fn forget(&mut self) {
        self.forgets = true;
    }
}
