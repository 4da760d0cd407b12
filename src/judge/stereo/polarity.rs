//! `polarity`: one side is turned over (its polarity is reversed), so that the sides cancel where they meet.
//!
//! Cause: a polarity switch on one side, a cable wired the wrong way round. On two loudspeakers the viewers hear
//! a hollow, placeless voice; on a phone's one loudspeaker next to nothing. If nobody acts, most viewers on
//! phones go. Time that there is: none. Speech, which is in the middle, decides: its correlation is +1 when all
//! is well and -1 when a side is turned over. In wide music only the moment of the turn can be seen: a
//! correlation that changes its sign between two seconds of unbroken sound, or all bands that do (`turn`); unless the
//! low notes cancel (`low_notes`), or the room's mix is there to compare with (`beside_house`).

use super::bands::{Bands, bands};
use super::beside_house::BesideHouse;
use super::low_notes::LowNotes;
use super::turn::Turn;
use super::{Pair, plays_on_two_sides};
use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::ring::push;
use crate::judge::roster::Recruit;
use crate::judge::sound::SOUND_LUFS;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};
use crate::measure::Reading;
use std::collections::VecDeque;

pub const ABOUT: &str = "one side is turned over: the sides cancel on one loudspeaker";
pub const HIDES: &[&str] = &["mono_loss"];
pub const WORDS: &[&Words] = &[&TURNED_OVER];

static TURNED_OVER: Words = Words {
    headline: "The {feed}'s two sides cancel each other",
    checks: [
        "On the desk: is the polarity switch (a circle with a stroke) on for one side of the stream mix?",
        "Was a cable or plug changed? Put the old one back.",
        "Is a stereo effect or a keyboard's widening switched on? Switch it off.",
    ],
    viewers: "Viewers on a phone hear almost nothing.",
    evidence: "Left and right moved against each other: correlation {value} (limit {limit}).",
    caution: "",
};

knobs! {
    raise_after_seconds = 4.0, 1..120, "seconds of sound before it is told";
    clear_after_seconds = 5.0, 1..120, "seconds of sound without before it clears";
    below_correlation = -0.85, -1..0, "correlation of left and right under which a side is turned over";
    clear_above_correlation = -0.3, -1..1, "correlation at which it ends";
    alike_within_db = 9.0, 1..30, "largest difference of the two sides, dB";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(Polarity {
            settings: self.clone(),
            pair: Pair::over(AVERAGE_SECONDS),
            last: VecDeque::new(),
            turn: Turn::default(),
            beside_house: BesideHouse::default(),
            low_notes: LowNotes::default(),
            turned: Turned::Not,
        })
    }
}

/// Length of the average, seconds of sound.
const AVERAGE_SECONDS: usize = 2;
/// Ticks looked at on each side of a turn (1.5 s).
const TURN_TICKS: usize = 15;
/// Correlation that must have been there before a turn, and with the other sign after it.
const TURN_FROM: f64 = 0.25;

struct Polarity {
    settings: Settings,
    pair: Pair,
    /// Correlation of the last ticks of unbroken sound, oldest first.
    last: VecDeque<f64>,
    turn: Turn,
    beside_house: BesideHouse,
    low_notes: LowNotes,
    turned: Turned,
}

/// Whether a turn was seen that has not been taken back.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Turned {
    Not,
    /// By the correlation of all.
    Whole,
    /// By the bands of wide sound, over time or beside the house.
    Bands,
    /// By the low notes of wide sound.
    LowNotes,
}

impl Turned {
    /// Correlation under which it is told, and above which it is over.
    fn limits(self, s: &Settings) -> [f64; 2] {
        match self {
            Self::Not => [s.below_correlation, s.clear_above_correlation],
            Self::Whole => [-TURN_FROM, s.clear_above_correlation],
            Self::Bands | Self::LowNotes => [0.0, TURN_FROM],
        }
    }
}

impl Polarity {
    /// Every tick of 1.5 s above, every tick of the next 1.5 s below, mirrored: a switch, not a change of source.
    fn follow_turn(&mut self, correlation: f64) {
        push(&mut self.last, 2 * TURN_TICKS, correlation);
        if self.last.len() < 2 * TURN_TICKS {
            return;
        }
        let mean = |x: &mut dyn Iterator<Item = &f64>| x.sum::<f64>() / TURN_TICKS as f64;
        let before = mean(&mut self.last.iter().take(TURN_TICKS));
        let after = mean(&mut self.last.iter().skip(TURN_TICKS));
        let (old, new) = (self.last[TURN_TICKS - 1], self.last[TURN_TICKS + 1]);
        let mirrored = (before + after).abs() < 0.3 && (old + new).abs() < 0.5;
        if before > TURN_FROM && after < -TURN_FROM && old > 0.0 && new < 0.0 && mirrored {
            self.turned = Turned::Whole;
        } else if after > TURN_FROM {
            self.turned = Turned::Not;
        }
    }

    fn follow_bands(&mut self, tick: &Bands) {
        let told = self.turn.take(tick);
        self.told_by_bands(told);
        match self.low_notes.take(tick) {
            Some(true) if self.turned == Turned::Not => self.turned = Turned::LowNotes,
            // They remember some seconds from before a turn that was seen: they take back only what they told.
            Some(false) if self.turned == Turned::LowNotes => self.turned = Turned::Not,
            _ => {}
        }
    }

    fn compare(&mut self, stream: &Bands, house: &Reading) {
        let sounds = house.channels == 2 && house.tick_lufs.is_some_and(|l| l > SOUND_LUFS);
        if let Some(spectrum) = house.spectrum.as_ref().filter(|_| sounds) {
            let told = self.beside_house.take(stream, &bands(spectrum));
            self.told_by_bands(told);
        }
    }

    fn told_by_bands(&mut self, turned: Option<bool>) {
        match turned {
            Some(true) if self.turned == Turned::Not => self.turned = Turned::Bands,
            Some(false) => self.turned = Turned::Not,
            _ => {}
        }
    }
}

impl Watch for Polarity {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        if !plays_on_two_sides(scene) {
            self.last.clear();
            self.turn.interrupted();
            return Verdict::Unsure;
        }
        self.follow_turn(scene.feed.correlation().unwrap_or(0.0));
        if let Some(spectrum) = &scene.feed.spectrum {
            let tick = bands(spectrum);
            self.follow_bands(&tick);
            if let Some((house, _)) = scene.house {
                self.compare(&tick, house);
            }
        }
        self.pair.take(scene.feed);
        let s = &self.settings;
        let correlation = self.pair.correlation();
        let [limit, over] = self.turned.limits(s);
        if correlation < limit && self.pair.balance_db().abs() < s.alike_within_db {
            Verdict::Bad(Evidence::new(&TURNED_OVER, Severity::Warning, correlation, limit))
        } else if correlation > over {
            Verdict::Good
        } else {
            Verdict::Unsure
        }
    }
}
