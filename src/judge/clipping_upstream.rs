//! `clipping_upstream`: the tops of the waves are cut off somewhere before the stream's level is set.
//!
//! Cause: a microphone's input gain on the desk is too high, a wireless receiver or a playback device is
//! overdriven. The viewers hear a harsh, broken voice; turning the stream mix down does not cure it. If nobody
//! acts every loud word stays broken. Time that there is: until the next pause; then that channel's gain.

use super::dwell::Timing;
use super::knobs::knobs;
use super::ring::push;
use super::roster::Recruit;
use super::{Evidence, Scene, Severity, Verdict, Watch, Words};
use crate::measure::texture::{Tops, VIEWS};
use crate::units::{MAX_CHANNELS, TICKS_A_SECOND};
use std::collections::VecDeque;

pub const ABOUT: &str = "the tops of the waves are cut off before the stream's level is set";
pub const HIDES: &[&str] = &["clicks"];
pub const WORDS: &[&Words] = &[&CUT_OFF];

static CUT_OFF: Words = Words {
    headline: "A microphone is distorted in the {feed}",
    checks: [
        "On the desk: whose channel shows red while it plays? Turn that channel's gain (top knob) down.",
        "Wireless microphone: turn the output of the receiver, or the gain of the transmitter, down.",
        "A player or computer that plays in: turn its own volume down a little.",
    ],
    viewers: "The viewers hear a harsh, broken voice.",
    evidence: "In loud moments {value} % of the tops of the waves were cut off (limit {limit} %).",
    caution: "",
};

knobs! {
    raise_after_seconds = 0.0, 0..30, "seconds before it is told";
    clear_after_seconds = 20.0, 1..120, "seconds without before it clears";
    cut_percent = 25.0, 10..100, "tops of a second that must be cut off, %";
    seconds_of_twelve = 3.0, 1..12, "such seconds among the last twelve";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        let second = [[Tops::default(); VIEWS]; MAX_CHANNELS];
        Box::new(Upstream { settings: self.clone(), ticks: 0, second, last: VecDeque::new(), share: 0.0 })
    }
}

/// Seconds that are remembered.
const SECONDS: usize = 12;
/// Tops that a second needs before it says anything.
const LEAST_TOPS: u32 = 4;
/// A wave that lies in straight tops for longer than this part of the time is one that was made so (a square).
const SQUARE_SHARE: f32 = 0.35;

struct Upstream {
    settings: Settings,
    ticks: u64,
    /// Sums of the second that is open, per channel and way of looking.
    second: [[Tops; VIEWS]; MAX_CHANNELS],
    /// Whether the tops of a second were cut off, oldest first; `None`: too few to tell.
    last: VecDeque<Option<bool>>,
    /// Part of the tops of the last cut second that were straight.
    share: f64,
}

impl Upstream {
    fn close_second(&mut self) {
        let mut cut = None;
        for tops in std::mem::take(&mut self.second).into_iter().flatten() {
            if tops.seen < LEAST_TOPS {
                continue;
            }
            let share = f64::from(tops.straight) / f64::from(tops.seen);
            let square = tops.straight_share / TICKS_A_SECOND as f32 > SQUARE_SHARE;
            let is_cut = share * 100.0 >= self.settings.cut_percent && !square;
            if is_cut {
                self.share = share;
            }
            cut = Some(cut.unwrap_or(false) || is_cut);
        }
        push(&mut self.last, SECONDS, cut);
    }
}

impl Watch for Upstream {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        let views =
            self.second.iter_mut().zip(&scene.feed.flaws.tops).flat_map(|(sums, tops)| sums.iter_mut().zip(tops));
        for (sum, tops) in views {
            sum.seen += tops.seen;
            sum.straight += tops.straight;
            sum.straight_share += tops.straight_share;
        }
        self.ticks += 1;
        if self.ticks.is_multiple_of(TICKS_A_SECOND) {
            self.close_second();
        }
        let cut = self.last.iter().filter(|s| **s == Some(true)).count();
        let told = self.last.iter().flatten().count();
        if cut as f64 >= self.settings.seconds_of_twelve && 4 * cut >= told {
            Verdict::Bad(Evidence::new(&CUT_OFF, Severity::Advice, 100.0 * self.share, self.settings.cut_percent))
        } else if told > 0 {
            Verdict::Good
        } else {
            Verdict::Unsure
        }
    }
}
