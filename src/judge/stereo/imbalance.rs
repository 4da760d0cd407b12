//! `imbalance`: one side is much louder than the other, in sound that both carry.
//!
//! Cause: one side's fader, trim or level control stands lower than the other's, or a talker's pan is off centre.
//! The viewers hear the talker from one side, and on one loudspeaker of a pair too quietly. If nobody acts it
//! stays so; nothing is lost. Time that there is: until the next pause. Only what is common to both sides counts
//! (correlation above 0.5), so a piano that stands on one side, or a stereo synthesiser, says nothing.
//!
//! The room between the words tells a side that is down from a talker who stands to one side: a fader takes the room's
//! noise with it, a pan does not. Where the room leans the same way it is told soon, where it does not, only a talker
//! who is nearly all on one side is told, and late.

use super::{Pair, plays_on_two_sides};
use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::roster::Recruit;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};
use crate::measure::Reading;
use crate::units::{TICKS_A_SECOND, db_of_power};
use std::collections::VecDeque;

pub const ABOUT: &str = "one side is much louder than the other";
pub const HIDES: &[&str] = &[];
pub const WORDS: &[&Words] = &[&LEFT_LOUDER, &RIGHT_LOUDER];

static LEFT_LOUDER: Words = Words {
    headline: "The {feed} is louder on the left",
    checks: [
        "On the desk: do left and right of the stream mix stand at the same level?",
        "Is whoever speaks now turned (panned) to the left? Turn it to the middle.",
        "Is a level knob of the right line, at desk or computer, turned down?",
    ],
    viewers: "The viewers hear everything from the left.",
    evidence: "Left was {value} dB louder than right (limit {limit} dB).",
    caution: "",
};
static RIGHT_LOUDER: Words = Words {
    headline: "The {feed} is louder on the right",
    checks: [
        "On the desk: do left and right of the stream mix stand at the same level?",
        "Is whoever speaks now turned (panned) to the right? Turn it to the middle.",
        "Is a level knob of the left line, at desk or computer, turned down?",
    ],
    viewers: "The viewers hear everything from the right.",
    evidence: "Right was {value} dB louder than left (limit {limit} dB).",
    caution: "",
};

knobs! {
    raise_after_seconds = 25.0, 5..600, "seconds of sound before it is told";
    leaning_seconds = 8.0, 2..600, "the same where the room between the words leans to the same side";
    panned_above_db = 12.0, 2..35, "difference that is told where the room does not lean, dB";
    panned_seconds = 60.0, 5..600, "seconds of sound before that is told";
    clear_after_seconds = 10.0, 1..120, "seconds of balanced sound before it clears";
    above_db = 6.0, 2..30, "difference of the two sides, dB";
    clear_below_db = 4.0, 1..30, "difference at which it ends, dB";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(Imbalance { settings: self.clone(), pair: Pair::over(AVERAGE_SECONDS), room: Room::default() })
    }
}

/// Length of the average, seconds of common sound.
const AVERAGE_SECONDS: usize = 8;
/// Correlation from which a tick's sound is common to both sides.
const COMMON: f64 = 0.5;
/// Difference from which a side is missing rather than quieter, dB (`one_side_only` begins there).
const MISSING_DB: f64 = 35.0;

/// The room's ticks are taken from so many, 20 s.
const ROOM_TICKS: usize = 20 * TICKS_A_SECOND as usize;
/// Fewest that say something.
const FEWEST_ROOM_TICKS: usize = 8;
/// The room lies so far under the usual loudness, LU, and above the line's noise, LUFS.
const UNDER_USUAL_LU: f64 = 25.0;
const ABOVE_LINE_LUFS: f64 = -80.0;
/// Part of the difference that a leaning room shows at least; one that stands upright shows less than the other.
const LEANS: f64 = 0.6;
const UPRIGHT_DB: f64 = 3.0;

/// The sides of the room between the words, over the last 20 s.
#[derive(Debug, Default)]
struct Room {
    ticks: VecDeque<Option<[f64; 2]>>,
}

impl Room {
    fn take(&mut self, feed: &Reading, usual_lufs: Option<f64>) {
        if self.ticks.len() == ROOM_TICKS {
            self.ticks.pop_front();
        }
        let below = usual_lufs.map_or(f64::NEG_INFINITY, |u| u - UNDER_USUAL_LU);
        let room = feed.tick_lufs.is_some_and(|l| l < below && l > ABOVE_LINE_LUFS);
        self.ticks.push_back(room.then(|| [feed.channel[0].k_mean_square, feed.channel[1].k_mean_square]));
    }

    /// Left over right, dB; `None` where nothing was heard of the room.
    fn balance_db(&self) -> Option<f64> {
        let heard = || self.ticks.iter().flatten();
        let sum = |side: usize| heard().map(|t| t[side]).sum::<f64>();
        (heard().count() >= FEWEST_ROOM_TICKS).then(|| db_of_power((sum(0) + 1e-14) / (sum(1) + 1e-14)))
    }
}

struct Imbalance {
    settings: Settings,
    pair: Pair,
    room: Room,
}

impl Imbalance {
    /// Seconds after which a difference of `db` is told; `None`: it is a talker's place.
    fn seconds(&self, db: f64) -> Option<f64> {
        let s = &self.settings;
        match self.room.balance_db() {
            Some(room) if room * db.signum() > LEANS * s.above_db => Some(s.leaning_seconds),
            Some(room) if room.abs() < UPRIGHT_DB => (db.abs() > s.panned_above_db).then_some(s.panned_seconds),
            _ => Some(s.raise_after_seconds),
        }
    }
}

impl Watch for Imbalance {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        if scene.feed.channels == 2 && !scene.feed.absent() {
            self.room.take(scene.feed, scene.hearing.usual_lufs());
        }
        let common = scene.feed.correlation().is_some_and(|r| r > COMMON);
        if !common || !plays_on_two_sides(scene) {
            return Verdict::Unsure;
        }
        self.pair.take(scene.feed);
        let db = self.pair.balance_db();
        if db.abs() > MISSING_DB {
            Verdict::Unsure
        } else if db.abs() > self.settings.above_db {
            let words = if db > 0.0 { &LEFT_LOUDER } else { &RIGHT_LOUDER };
            let evidence = Evidence::new(words, Severity::Advice, db.abs(), self.settings.above_db);
            self.seconds(db).map_or(Verdict::Unsure, |after| Verdict::Bad(evidence.after(after)))
        } else if db.abs() < self.settings.clear_below_db {
            Verdict::Good
        } else {
            Verdict::Unsure
        }
    }
}
