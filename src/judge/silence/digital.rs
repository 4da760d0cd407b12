//! `digital_silence`: every sample is the same value (zeros, or one stuck value).
//!
//! Cause: a muted or unpatched digital output, the wrong device or a stalled driver that still delivers. The
//! viewers hear nothing. Consoles whose gates close to exact zero do the same in every pause: such a site is
//! learned, and told late there, as a question, unless the room's mix plays. A site that has taught nothing yet may be
//! one of these: there a silence that a gate may have shut to (it fades through what no open room is) is asked of as well.

use super::{IS_IT_A_PAUSE, Onset, ask};
use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::roster::Recruit;
use crate::judge::sound::SOUND_LUFS;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};

pub const ABOUT: &str = "the input delivers exact zeros (or one stuck value) while sound is expected";
pub const HIDES: &[&str] =
    &["bus_muted", "long_quiet", "too_quiet", "far_too_quiet", "channel_dead", "one_side_only", "dc_offset"];
pub const WORDS: &[&Words] = &[&ZEROS, &IS_IT_A_PAUSE];

static ZEROS: Words = Words {
    headline: "The {feed} is completely silent",
    checks: [
        "On the desk: is the stream mix muted, or its output patched elsewhere?",
        "Is the cable (USB or network) firmly in, and is the right input chosen on this computer?",
        "Is the right scene loaded on the desk?",
    ],
    viewers: "The viewers hear nothing at all.",
    evidence: "Every sample stood still for {value} s (limit {limit} s).",
    caution: "",
};

knobs! {
    raise_after_seconds = 2.0, 0.5..120, "seconds of exact zeros before it is told";
    clear_after_seconds = 1.0, 0.1..60, "seconds of sound before it clears";
    gated_site_seconds = 90.0, 5..600, "the same where the desk's gates close to zero in pauses";
    gated_site = 0.0, 0..1, "1: this desk's gates close to zero; 0: find out by listening";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(Digital { settings: self.clone(), seconds: 0.0, onset: Onset::default() })
    }
}

struct Digital {
    settings: Settings,
    seconds: f64,
    onset: Onset,
}

impl Watch for Digital {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        if scene.feed.absent() {
            return Verdict::Unsure;
        }
        self.onset.step(scene.feed.stands_still(), scene.hearing);
        if !scene.feed.stands_still() {
            self.seconds = 0.0;
            return Verdict::Good;
        }
        self.seconds += 0.1;
        if !super::expected(scene) {
            return Verdict::Good;
        }
        let untaught = scene.habits.floor_lufs().is_none() && scene.hearing.heard && self.onset.faded;
        if self.settings.gated_site >= 0.5 || scene.habits.gates_to_zero() || untaught {
            let level = scene.feed.tick_lufs.unwrap_or(f64::NEG_INFINITY);
            return ask(self.seconds, self.settings.gated_site_seconds, level, SOUND_LUFS);
        }
        let limit = self.settings.raise_after_seconds;
        Verdict::Bad(Evidence::new(&ZEROS, Severity::Warning, self.seconds, limit))
    }
}
