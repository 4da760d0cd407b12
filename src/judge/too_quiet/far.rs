//! `far_too_quiet`: so far under the target that viewers take it for a fault. Told within 70 s of the first sound. Held
//! sound may be a soft piece of music: in a mix that was right before, it is `too_quiet` (advice) first.

use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::roster::Recruit;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};
use crate::units::TICKS_A_SECOND;

pub const ABOUT: &str = "the last half minute of sound lies far under the loudness target";
pub const HIDES: &[&str] = &["too_quiet"];
pub const WORDS: &[&Words] = &[&FAR];

static FAR: Words = Words {
    headline: "The {feed} is far too quiet",
    checks: [
        "On the desk: is the fader of the stream mix up?",
        "Are the microphones that are in use sent to the stream mix?",
        "Is a level control between desk and computer turned down?",
    ],
    viewers: "The viewers can hardly hear anything.",
    evidence: "The last half minute read {value} LUFS; it should be well above {limit} LUFS.",
    caution: "",
};

knobs! {
    raise_after_seconds = 15.0, 5..600, "seconds before it is told";
    fallen_seconds = 8.0, 5..600, "the same where sound that is not held fell from a mix that was right";
    held_seconds = 30.0, 5..600, "the same in held sound: a soft piece of music may begin so";
    piece_seconds = 90.0, 0..600, "seconds of held sound, in a mix that was loud enough before, that pass for a soft piece";
    clear_after_seconds = 10.0, 1..120, "seconds back in range before it clears";
    below_target_lu = 12.0, 5..40, "distance under the target, LU";
    clear_below_target_lu = 10.0, 3..40, "distance under the target at which it ends, LU";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(Far { settings: self.clone(), piece_ticks: 0 })
    }
}

/// Spread of the 100 ms levels over 10 s under which sound is held, as music is: talk has 6 dB and more (own figure).
const HELD_SPREAD_DB: f64 = 5.0;

/// Distance of the service's usual loudness from the target up to which the mix was right, LU.
const WAS_RIGHT_LU: f64 = 7.0;

struct Far {
    settings: Settings,
    /// Ticks that passed for a soft piece.
    piece_ticks: u32,
}

impl Watch for Far {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        if !scene.has_target() {
            return Verdict::Good;
        }
        let s = &self.settings;
        let Some(recent) = scene.hearing.recent_lufs() else { return Verdict::Unsure };
        let target = scene.target.lufs;
        if recent > target - s.clear_below_target_lu {
            self.piece_ticks = 0;
            Verdict::Good
        } else if !scene.hearing.plays || recent >= target - s.below_target_lu {
            Verdict::Unsure
        } else {
            let held = scene.hearing.spread_db().is_some_and(|d| d < HELD_SPREAD_DB);
            let was_right = scene.hearing.usual_lufs().is_some_and(|usual| usual > target - WAS_RIGHT_LU);
            if held && was_right && f64::from(self.piece_ticks) < s.piece_seconds * TICKS_A_SECOND as f64 {
                // Not its own to tell yet, and so it holds `too_quiet` back no longer.
                self.piece_ticks += 1;
                return Verdict::Unsure;
            }
            let after = match (was_right, held) {
                (true, false) => s.fallen_seconds,
                (false, true) => s.held_seconds.max(s.raise_after_seconds),
                _ => s.raise_after_seconds,
            };
            Verdict::Bad(Evidence::new(&FAR, Severity::Warning, recent, target - s.below_target_lu).after(after))
        }
    }
}
