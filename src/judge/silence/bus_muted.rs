//! `bus_muted`: nothing but the line's own noise, below the floor that the room's open microphones leave.
//!
//! Cause: the stream bus, its mute group or its output is muted, or an analogue cable is out. The viewers hear
//! hiss at most. A pause is told from it by the venue's learned pause floor and by the noise's steadiness: a
//! room moves, a line does not. Where a desk gates to that same noise, or may do so because nothing is learned yet and
//! the sound was not cut off, it is asked as a question, late.

use super::{IS_IT_A_PAUSE, Onset, ask};
use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::roster::Recruit;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};

pub const ABOUT: &str = "only the line's own noise is left, below the venue's usual pauses";
pub const HIDES: &[&str] = &["long_quiet", "too_quiet", "far_too_quiet", "channel_dead", "one_side_only"];
pub const WORDS: &[&Words] = &[&MUTED, &IS_IT_A_PAUSE];

static MUTED: Words = Words {
    headline: "The {feed} has gone dead: only hiss left",
    checks: [
        "On the desk: is the stream mix muted or its fader down?",
        "Is a mute group or a group fader (DCA) holding it down?",
        "Is the cable from that output to this computer firmly in?",
    ],
    viewers: "The viewers hear nothing but faint hiss.",
    evidence: "The level was {value} LUFS, below the usual pauses of {limit} LUFS.",
    caution: "",
};

knobs! {
    raise_after_seconds = 10.0, 2..300, "seconds of steady line noise before it is told";
    clear_after_seconds = 2.0, 0.1..60, "seconds of sound before it clears";
    below_lufs = -60.0, -90..-40, "level of one second that may be a muted line, LUFS";
    below_floor_lu = 5.0, 1..30, "distance under the learned pause floor, LU";
    steady_db = 0.4, 0.1..2, "largest spread of 100 ms levels over 10 s that a line has, dB";
    unsteady_seconds = 20.0, 5..300, "seconds when the noise is under the floor but moves";
    unknown_floor_lufs = -75.0, -100..-50, "level taken for a muted line while no floor is learned, LUFS";
    question_seconds = 90.0, 30..600, "seconds before it is asked where pauses look the same";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(BusMuted { settings: self.clone(), onset: Onset::default(), steady_seconds: 0.0 })
    }
}

struct BusMuted {
    settings: Settings,
    onset: Onset,
    /// Seconds of unbroken line noise.
    steady_seconds: f64,
}

impl Watch for BusMuted {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        let s = &self.settings;
        if scene.feed.absent() {
            return Verdict::Unsure;
        }
        let line = |l: f64| l < s.unknown_floor_lufs;
        self.onset.step(scene.feed.tick_lufs.is_some_and(line), scene.hearing);
        let Some(level) = scene.hearing.second_lufs() else { return Verdict::Unsure };
        if scene.feed.stands_still() || level >= s.below_lufs || !super::expected(scene) {
            self.steady_seconds = 0.0;
            return Verdict::Good;
        }
        let steady = scene.hearing.spread_db().is_some_and(|d| d < s.steady_db);
        self.steady_seconds = if steady { self.steady_seconds + 0.1 } else { 0.0 };
        let question = |limit| ask(self.steady_seconds, s.question_seconds, level, limit);
        let in_time = if steady { s.raise_after_seconds } else { s.unsteady_seconds };
        let muted = |limit, after| Verdict::Bad(Evidence::new(&MUTED, Severity::Warning, level, limit).after(after));
        // A mix that is too low has pauses that lie as much lower.
        match scene.habits.floor_lufs().map(|f| f - scene.hearing.lowered_by_lu()) {
            Some(floor) if level < floor - s.below_floor_lu => muted(floor, in_time),
            Some(floor) if steady => question(floor),
            Some(_) => Verdict::Good,
            None if line(level) && self.onset.cut => muted(s.unknown_floor_lufs, in_time),
            None if steady && line(level) && !scene.hearing.heard => muted(s.unknown_floor_lufs, s.unsteady_seconds),
            None if steady => question(s.below_lufs),
            None => Verdict::Good,
        }
    }
}
