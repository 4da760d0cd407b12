//! `noise_floor`: the quietest moments are noisier than this venue's usual ones.
//!
//! Cause: a channel left open, a gain raised, a fan, heater or projector, a failing preamplifier or wireless receiver.
//! The viewers hear hiss or a rush behind every word; it stays, and grows unnoticed from week to week. To check: open
//! channels; gains; what was switched on. Time that there is: until the next pause.
//!
//! Compared with the baseline of the venue's first services, which goes down but never up by itself: a floor that
//! creeps up over weeks is told. The present floor is the level of the quietest 5 % of the last minute, where these
//! are noise and lie on a level (a pause, the gaps between words); music and unbroken talk have no such moments, and
//! then nothing is said.

use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::ring::push;
use crate::judge::roster::Recruit;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};
use crate::units::TICKS_A_SECOND;
use std::collections::VecDeque;

pub const ABOUT: &str = "pauses are noisier than this venue's usual ones";
pub const HIDES: &[&str] = &[];
pub const WORDS: &[&Words] = &[&HISS];

static HISS: Words = Words {
    headline: "The {feed} hisses more than usual",
    checks: [
        "Is a channel open that nobody uses? Mute it at the next pause.",
        "Was a gain raised, or a fan, a heater or a projector switched on?",
        "After the service: mute the channels one by one and listen which one hisses.",
    ],
    viewers: "The viewers hear a rush behind every word.",
    evidence: "The quietest moments were at {value} LUFS (limit {limit} LUFS, from this venue's first services).",
    caution: "",
};

knobs! {
    raise_after_seconds = 60.0, 10..1800, "seconds before it is told";
    clear_after_seconds = 20.0, 1..300, "seconds without before it clears";
    above_usual_lu = 6.0, 2..30, "distance over the venue's baseline from which it is told, LU";
    clear_below_lu = 4.0, 1..30, "distance at which it ends, LU";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        let ticks = VecDeque::with_capacity(WINDOW_TICKS);
        Box::new(NoiseFloor { settings: self.clone(), ticks, verdict: Verdict::Unsure })
    }
}

/// Ticks that are looked at (a minute); looked at once a second.
const WINDOW_TICKS: usize = 60 * TICKS_A_SECOND as usize;
/// The quietest ticks: 5 %, three seconds of the minute.
const QUIETEST: usize = WINDOW_TICKS / 20;
/// From the 2nd to the 10th percentile a floor rises by less than this, LU.
const LEVEL_LU: f64 = 2.5;
/// Spectral flatness from which a tick is noise.
const NOISE: f64 = 0.4;
/// What is louder is no floor, LUFS.
const LOUDEST_LUFS: f64 = -38.0;

struct NoiseFloor {
    settings: Settings,
    /// Loudness and noise-likeness.
    ticks: VecDeque<(f64, f64)>,
    verdict: Verdict,
}

impl Watch for NoiseFloor {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        let feed = scene.feed;
        let (Some(usual), Some(level), Some(s), true) =
            (scene.habits.baseline_floor_lufs, feed.tick_lufs, &feed.spectrum, scene.hearing.heard)
        else {
            return Verdict::Unsure;
        };
        push(&mut self.ticks, WINDOW_TICKS, (level, f64::from(s.noise_likeness)));
        if self.ticks.len() == WINDOW_TICKS && feed.at.0.is_multiple_of(crate::units::HOPS_A_SECOND) {
            let limit = usual + self.settings.above_usual_lu;
            self.verdict = match self.floor_lufs() {
                Some(floor) if floor > limit => Verdict::Bad(Evidence::new(&HISS, Severity::Advice, floor, limit)),
                Some(floor) if floor < usual + self.settings.clear_below_lu => Verdict::Good,
                _ => Verdict::Unsure,
            };
        }
        self.verdict
    }

    fn forget(&mut self) {
        self.ticks.clear();
        self.verdict = Verdict::Unsure;
    }
}

impl NoiseFloor {
    /// The level of the quietest moments; `None` when these are no floor.
    fn floor_lufs(&self) -> Option<f64> {
        let mut sorted: Vec<(f64, f64)> = self.ticks.iter().copied().collect();
        sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
        let floor = sorted[QUIETEST].0;
        let noise = sorted[..QUIETEST].iter().map(|t| t.1).sum::<f64>() / QUIETEST as f64;
        let level = sorted[2 * QUIETEST].0 - sorted[2 * QUIETEST / 5].0 < LEVEL_LU;
        (level && noise > NOISE && floor < LOUDEST_LUFS).then_some(floor)
    }
}
