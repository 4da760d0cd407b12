//! `house_copy`: the stream carries the room's mix although it should have a mix of its own (or the reverse, where
//! the site wants the reverse).
//!
//! Cause: a wrong patch, or a scene that sets the stream's sends like the room's. Nobody in the room can hear it; the
//! viewers get a mix made for a room with live sound in it: voices too soft, drums and bass missing. Told once a
//! service; the verdict itself has been certain for 20 s before it counts here.

use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::roster::Recruit;
use crate::judge::{Evidence, OwnMixWish, Scene, Severity, Verdict, Watch, Words};
use crate::likeness::Kin;
use crate::units::StreamTime;

pub const ABOUT: &str = "the stream is a copy of the room's mix, though it should be a mix of its own";
pub const HIDES: &[&str] = &[];
pub const WORDS: &[&Words] = &[&COPY, &NOT_COPY];

static COPY: Words = Words {
    headline: "The {feed} is only the room's mix",
    checks: [
        "On the desk: which mix feeds the stream's output? It should be the stream mix.",
        "Was a scene loaded? It may have set the stream mix like the room's mix.",
        "Are the sends to the stream mix free of the room's faders (\"pre\", not \"post\")?",
    ],
    viewers: "The viewers hear the sound that was made for the room.",
    evidence: "The stream followed the room's mix through talk and music, {value} dB above it (below: minus); {limit} s were compared.",
    caution: "",
};

static NOT_COPY: Words = Words {
    headline: "The {feed} is not the room's mix",
    checks: [
        "On the desk: which mix feeds the stream's output? It should be the room's mix.",
        "Was a scene loaded? It may have changed the sends to the stream.",
        "If the stream may have its own mix today: all is well.",
    ],
    viewers: "The viewers hear another mix than the room does.",
    evidence: "The balance of the stream moved by {value} dB against the room's mix; {limit} s were compared.",
    caution: "",
};

knobs! {
    raise_after_seconds = 15.0, 1..600, "seconds that a certain verdict must stand before it is told";
    clear_after_seconds = 5.0, 0.1..60, "seconds of another verdict before it clears";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(HouseCopy {
            held_ticks: 0,
            again: false,
            told_in: None,
            raise_after_seconds: self.raise_after_seconds,
        })
    }
}

struct HouseCopy {
    /// Ticks for which it has held without a break.
    held_ticks: u32,
    /// It was told before in the service in which it began to hold.
    again: bool,
    /// The service (by its begin) in which it was told and went away again.
    told_in: Option<Option<StreamTime>>,
    raise_after_seconds: f64,
}

impl Watch for HouseCopy {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        let Some(likeness) = scene.likeness else { return Verdict::Good };
        let evidence = match (scene.own_mix, likeness.kin) {
            (OwnMixWish::Expected, Kin::Copy) => (&COPY, likeness.level_db.unwrap_or_default()),
            (OwnMixWish::CopyExpected, Kin::Own) => (&NOT_COPY, likeness.moves_db.unwrap_or_default()),
            // What was certain stays until there is evidence against it.
            (_, Kin::Unsure) if likeness.since_seconds.is_some() => return Verdict::Unsure,
            _ => {
                let told = f64::from(self.held_ticks) >= 10.0 * self.raise_after_seconds;
                if told {
                    self.told_in = Some(scene.service.began);
                }
                self.held_ticks = 0;
                return Verdict::Good;
            }
        };
        if self.held_ticks == 0 {
            // Once a service: what comes back is noted for the review, also when the service ends meanwhile.
            self.again = self.told_in == Some(scene.service.began);
        }
        self.held_ticks = self.held_ticks.saturating_add(1);
        let severity = if self.again { Severity::Note } else { Severity::Advice };
        Verdict::Bad(Evidence::new(evidence.0, severity, evidence.1, likeness.evidence_seconds))
    }
}
