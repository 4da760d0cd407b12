//! `steady_noise`: nothing but loud noise that does not move: test noise, or a wireless receiver that lost its
//! microphone.
//!
//! The viewers hear a loud rush instead of the programme until somebody acts. To check: the wireless receivers, then
//! the desk's noise generator, then channel by channel. Time that there is: none.
//!
//! Found: momentary loudness above -45 LUFS that stays within 0.4 dB (standard deviation) for 20 s, with the flat
//! spectrum of noise. Applause moves more, an organ chord is not flat.

use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::ring::push;
use crate::judge::roster::Recruit;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};
use crate::units::TICKS_A_SECOND;
use std::collections::VecDeque;

pub const ABOUT: &str = "loud noise that does not move, and nothing else";
pub const HIDES: &[&str] = &[
    "noise_floor",
    "long_quiet",
    "too_quiet",
    "far_too_quiet",
    "too_loud",
    "clipping_upstream",
    "clicks",
    "unrelated_feed",
];
pub const WORDS: &[&Words] = &[&NOISE];

static NOISE: Words = Words {
    headline: "Nothing but loud noise on the {feed}",
    checks: [
        "Is a wireless microphone switched off, flat or out of reach? Mute its channel.",
        "On the desk: is a noise generator switched on? Switch it off.",
        "On the desk: which channel of the stream mix moves its meter? Mute it.",
    ],
    viewers: "The viewers hear a steady rush.",
    evidence: "The noise stood at {value} LUFS and did not move (limit {limit} LUFS).",
    caution: "Turn headphones down before you listen: noise can be loud.",
};

knobs! {
    raise_after_seconds = 1.0, 0..120, "seconds before it is told, once 20 s of noise are behind it";
    clear_after_seconds = 2.0, 0.1..60, "seconds without before it clears";
    above_lufs = -45.0, -70..-10, "momentary loudness from which it counts, LUFS";
    steady_db = 0.4, 0.05..3, "largest spread of the loudness over 20 s, dB";
    noise_likeness = 0.4, 0.1..0.9, "how flat the spectrum is, 0 (tones) to about 0.6 (noise)";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(SteadyNoise { settings: self.clone(), ticks: VecDeque::with_capacity(WINDOW_TICKS) })
    }
}

/// Ticks that are looked at (20 s).
const WINDOW_TICKS: usize = 20 * TICKS_A_SECOND as usize;

struct SteadyNoise {
    settings: Settings,
    /// Momentary loudness and noise-likeness.
    ticks: VecDeque<(f64, f64)>,
}

impl Watch for SteadyNoise {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        let feed = scene.feed;
        if feed.absent() {
            return Verdict::Unsure;
        }
        let (Some(m), Some(s)) = (feed.momentary_lufs, &feed.spectrum) else {
            self.ticks.clear();
            return Verdict::Good;
        };
        // What is too quiet or no noise ends the spell at once: most of the time this is all the work.
        if m < self.settings.above_lufs || f64::from(s.noise_likeness) < 0.5 * self.settings.noise_likeness {
            self.ticks.clear();
            return Verdict::Good;
        }
        push(&mut self.ticks, WINDOW_TICKS, (m, f64::from(s.noise_likeness)));
        if self.ticks.len() < WINDOW_TICKS {
            return Verdict::Good;
        }
        let n = WINDOW_TICKS as f64;
        let mean = self.ticks.iter().map(|t| t.0).sum::<f64>() / n;
        let spread = (self.ticks.iter().map(|t| (t.0 - mean).powi(2)).sum::<f64>() / n).sqrt();
        let likeness = self.ticks.iter().map(|t| t.1).sum::<f64>() / n;
        if spread < self.settings.steady_db && likeness > self.settings.noise_likeness {
            Verdict::Bad(Evidence::new(&NOISE, Severity::Warning, mean, self.settings.above_lufs))
        } else {
            Verdict::Good
        }
    }
}
