//! `true_peak_over`: true peaks above the limit of the target profile; the encoder may overload. A note.

use super::dwell::Timing;
use super::knobs::knobs;
use super::roster::Recruit;
use super::{Evidence, Scene, Severity, Verdict, Watch, Words};
use crate::units::{TICKS_A_SECOND, db_of_amplitude};

pub const ABOUT: &str = "true peaks above the profile's limit";
pub const HIDES: &[&str] = &[];
pub const WORDS: &[&Words] = &[&OVER];

static OVER: Words = Words {
    headline: "The {feed}'s loudest peaks are too high",
    checks: [
        "After the service: lower the limiter's ceiling on the stream mix.",
        "Or lower the fader of the stream mix a little.",
        "Is one drum or voice alone so loud? Lower what it sends to the stream mix.",
    ],
    viewers: "Some viewers may hear a faint crackle in the loudest moments.",
    evidence: "A true peak reached {value} dBTP (limit {limit} dBTP).",
    caution: "",
};

knobs! {
    raise_after_seconds = 0.0, 0..30, "seconds before it is noted";
    clear_after_seconds = 30.0, 1..300, "seconds without before it clears";
    times = 3.0, 1..100, "tenths of a second with a peak over the limit, within a minute";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(Over { times: self.times as u32, since: Vec::new(), top: 0.0 })
    }
}

struct Over {
    times: u32,
    since: Vec<u64>,
    top: f64,
}

impl Watch for Over {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        if !scene.has_target() {
            return Verdict::Good;
        }
        let feed = scene.feed;
        let peak = feed.channel[..feed.channels].iter().fold(0.0f64, |t, c| t.max(c.true_peak));
        let dbtp = db_of_amplitude(peak);
        let limit = scene.target.true_peak_dbtp;
        let now = feed.at.0;
        let minute = 60 * TICKS_A_SECOND * crate::units::HOPS_A_TICK;
        self.since.retain(|t| now - t < minute);
        if self.since.is_empty() {
            self.top = f64::NEG_INFINITY;
        }
        if dbtp <= limit {
            return if self.since.len() as u32 >= self.times { Verdict::Unsure } else { Verdict::Good };
        }
        self.top = self.top.max(dbtp);
        self.since.push(now);
        if self.since.len() as u32 >= self.times {
            Verdict::Bad(Evidence::new(&OVER, Severity::Note, self.top, limit))
        } else {
            Verdict::Good
        }
    }
}
