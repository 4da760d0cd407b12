//! `tone_left_on`: a line-up or identification tone is on the air.
//!
//! Cause: the desk's tone generator, or a player, was left on after the line was checked. The viewers hear a steady
//! or interrupted tone instead of the programme until somebody acts; nothing mends itself. To check: the generator on
//! the desk, then the players, then what else feeds the mix. Time that there is: none, every second is on the air.
//!
//! EBU R 49 interrupts the left channel for 0.25 s every 3 s, GLITS the left once and the right twice every 4 s: the
//! tone is told as a tone, and its interruptions never as dropouts. Found: one frequency (± 3 Hz) at one level
//! (± 1 dB) that is nearly all there is (97 %) and has no harmonics (40 dB under it: no pipe and no flute is so pure),
//! in 60 % of the ticks with sound of the last 8 s.

use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::ring::push;
use crate::judge::roster::Recruit;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};
use crate::units::TICKS_A_SECOND;
use std::collections::VecDeque;

pub const ABOUT: &str = "a test tone is on the stream";
pub const HIDES: &[&str] = &[
    "howl",
    "steady_noise",
    "gaps",
    "repeats",
    "clicks",
    "hum",
    "noise_floor",
    "too_loud",
    "too_quiet",
    "far_too_quiet",
    "clipping_upstream",
    "polarity",
    "mono_loss",
    "dual_mono",
    "one_side_only",
    "imbalance",
    "unrelated_feed",
];
pub const WORDS: &[&Words] = &[&TONE];

static TONE: Words = Words {
    headline: "A test tone is on the {feed}",
    checks: [
        "On the desk: switch the tone generator (oscillator) off.",
        "Does a player, a computer or a keyboard send the tone? Stop it.",
        "On the desk: which channel of the stream mix moves its meter? Mute it.",
    ],
    viewers: "The viewers hear a test tone.",
    evidence: "A single tone filled {value} % of the last 8 s (limit {limit} %).",
    caution: "Turn headphones down before you listen: tones can be loud.",
};

knobs! {
    raise_after_seconds = 3.0, 0..60, "seconds before it is told, once 5 s of tone are behind it";
    clear_after_seconds = 1.0, 0.1..60, "seconds without before it clears";
    above_dbfs = -55.0, -80..-10, "level from which a tone counts, dBFS";
    share_percent = 60.0, 30..100, "part of the last 8 s (silence left out) that the tone fills, %";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(ToneLeftOn { settings: self.clone(), ticks: VecDeque::with_capacity(WINDOW_TICKS) })
    }
}

/// Ticks that are looked at (8 s).
const WINDOW_TICKS: usize = 8 * TICKS_A_SECOND as usize;
/// Tone that there must be, ticks (4.5 s).
const ENOUGH_TICKS: usize = 45;
/// Ticks after which it may be one (3 s), and how long it may stay one, seconds: a melody of pure notes does.
const FIRST_TICKS: usize = 3 * TICKS_A_SECOND as usize;
const LONG_SECONDS: f64 = 60.0;
/// Share of a tick's power that is the tone.
const PURE: f64 = 0.97;
/// Its distance from its second and third harmonic, dB.
const OVER_HARMONICS_DB: f32 = 40.0;

/// One tick: the strongest peak and the whole.
#[derive(Clone, Copy)]
struct Tick {
    hz: f64,
    dbfs: f64,
    pure: bool,
    whole_dbfs: f64,
}

struct ToneLeftOn {
    settings: Settings,
    ticks: VecDeque<Tick>,
}

impl Watch for ToneLeftOn {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        if scene.feed.absent() {
            return Verdict::Unsure;
        }
        let tick = match &scene.feed.spectrum {
            Some(s) => Tick {
                hz: f64::from(s.peaks[0].hz),
                dbfs: f64::from(s.peaks[0].level_dbfs),
                pure: s.share_of(&s.peaks[0]) >= PURE && s.peaks[0].over_harmonics_db >= OVER_HARMONICS_DB,
                whole_dbfs: f64::from(s.level_dbfs),
            },
            None => Tick { hz: 0.0, dbfs: f64::NEG_INFINITY, pure: false, whole_dbfs: f64::NEG_INFINITY },
        };
        push(&mut self.ticks, WINDOW_TICKS, tick);
        let share = 100.0 * self.share(WINDOW_TICKS, ENOUGH_TICKS);
        // Once it is told, the newest second decides that it is over.
        let audible = |t: &Tick| t.pure && t.dbfs > self.settings.above_dbfs;
        let now = self.ticks.iter().rev().take(TICKS_A_SECOND as usize).any(audible);
        let limit = self.settings.share_percent;
        if now && share >= limit {
            Verdict::Bad(Evidence::new(&TONE, Severity::Warning, share, limit))
        } else if now && self.share(FIRST_TICKS, FIRST_TICKS / 2) > 0.55 {
            // It may become a tone: what it would explain waits.
            Verdict::Bad(Evidence::new(&TONE, Severity::Warning, share, limit).after(LONG_SECONDS))
        } else {
            Verdict::Good
        }
    }
}

impl ToneLeftOn {
    /// The part of the newest `window` ticks (silence left out) that one tone fills, 0 to 1; 0 for fewer than `enough`.
    fn share(&self, window: usize, enough: usize) -> f64 {
        let newest = || self.ticks.iter().rev().take(window);
        let audible = |t: &&Tick| t.pure && t.dbfs > self.settings.above_dbfs;
        let mut pure: Vec<(f64, f64)> = newest().filter(audible).map(|t| (t.hz, t.dbfs)).collect();
        if pure.len() < enough {
            return 0.0;
        }
        let middle = pure.len() / 2;
        let hz = pure.select_nth_unstable_by(middle, |a, b| a.0.total_cmp(&b.0)).1.0;
        let dbfs = pure.select_nth_unstable_by(middle, |a, b| a.1.total_cmp(&b.1)).1.1;
        let same = pure.iter().filter(|(f, d)| (f - hz).abs() <= 3.0 && (d - dbfs).abs() <= 1.0).count();
        // Silence between the beeps of an interrupted tone is left out.
        let others = newest().filter(|t| t.whole_dbfs > dbfs - 20.0).count();
        if same < enough { 0.0 } else { same as f64 / others.max(same) as f64 }
    }
}
