//! Silence in its kinds: exact zeros (`digital`), only the line's noise (`bus_muted`), and either of them while
//! the room's mix plays (`while_house_plays`). All three are calm until there is a reason to expect sound.

pub mod bus_muted;
pub mod digital;
pub mod while_house_plays;

use super::{Evidence, Expectation, Hearing, Scene, Severity, Verdict, Words};

/// Silence is a fault only when sound is expected of the feed.
fn expected(scene: &Scene<'_>) -> bool {
    scene.hearing.expectation(scene.house.map(|h| h.1), scene.service) != Expectation::NotStarted
}

/// Level within the last 300 ms from which a silence was surely cut off, LUFS: a gate first waits for the sound to fall
/// under its threshold, which lies lower (common practice: -50 to -40 dBFS).
const CUT_FROM_LUFS: f64 = -40.0;
/// Level within the last 300 ms that only a gate passes on its way down: below every open microphone's room, LUFS.
const FADED_BELOW_LUFS: f64 = -70.0;

/// How a silence began: cut off, faded as a gate does, or neither (in the middle of a pause).
#[derive(Debug, Default)]
struct Onset {
    silent: bool,
    cut: bool,
    faded: bool,
}

impl Onset {
    /// Takes a tick: whether the feed is silent now.
    fn step(&mut self, silent: bool, hearing: &Hearing) {
        if silent && !self.silent {
            let (quietest, loudest) = hearing.just_before_lufs();
            self.cut = loudest > CUT_FROM_LUFS;
            self.faded = !self.cut && quietest < FADED_BELOW_LUFS;
        }
        self.silent = silent;
    }
}

/// A pause or a fault? Asked, not warned of, where the two are the same signal.
static IS_IT_A_PAUSE: Words = Words {
    headline: "Nothing for over a minute: a pause?",
    checks: [
        "If it is a pause: all is well, press the button.",
        "If somebody speaks or plays now: look at the mute and the fader of the stream mix on the desk.",
        "Then look at the cable from that output to this computer.",
    ],
    viewers: "The viewers hear nothing.",
    evidence: "The level was {value} LUFS (limit {limit} LUFS) and this desk's pauses look the same.",
    caution: "",
};

/// Asks once the silence, unbroken for `seconds`, has lasted for `limit_seconds`.
fn ask(seconds: f64, limit_seconds: f64, level_lufs: f64, limit_lufs: f64) -> Verdict {
    if seconds < limit_seconds {
        return Verdict::Good;
    }
    Verdict::Bad(Evidence::new(&IS_IT_A_PAUSE, Severity::Advice, level_lufs, limit_lufs).after(0.0))
}
