//! `imbalance`: one side is much louder than the other, in sound that both carry.
//!
//! Cause: one side's fader, trim or level control stands lower than the other's, or a talker's pan is off centre.
//! The viewers hear the talker from one side, and on one loudspeaker of a pair too quietly. If nobody acts it
//! stays so; nothing is lost. Time that there is: until the next pause. Only what is common to both sides counts
//! (correlation above 0.5), so a piano that stands on one side, or a stereo synthesiser, says nothing; in wide sound
//! all bands must lean alike (`lean`).
//!
//! The room between the words tells a side that is down from a talker who stands to one side: a fader takes the room's
//! noise with it, a pan does not. Where the room leans the same way it is told soon, where it does not, only a talker
//! who is nearly all on one side is told, and late; where no room is heard, only more than a talker's usual place.

use super::lean::Lean;
use super::{Pair, plays_on_two_sides};
use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::ring::push;
use crate::judge::roster::Recruit;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};
use crate::measure::Reading;
use crate::units::TICKS_A_SECOND;
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
    leaning_above_db = 4.5, 2..35, "difference that is told where the room leans to the same side, dB";
    panned_above_db = 12.0, 2..35, "difference that is told where the room does not lean, dB";
    panned_seconds = 60.0, 5..600, "seconds of sound before that is told";
    unheard_above_db = 9.0, 2..35, "difference that is told where no room is heard, dB";
    wide_seconds = 25.0, 5..600, "seconds of wide sound whose bands all lean alike before that is told";
    clear_after_seconds = 10.0, 1..120, "seconds of balanced sound before it clears";
    above_db = 6.0, 2..30, "difference of the two sides, dB";
    clear_below_db = 4.0, 1..30, "difference at which it ends, dB";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(Imbalance {
            settings: self.clone(),
            pair: Pair::over(AVERAGE_SECONDS),
            all: Pair::over(AVERAGE_SECONDS),
            lean: Lean::over(AVERAGE_SECONDS * TICKS_A_SECOND as usize),
            room: Room::default(),
        })
    }
}

/// Length of the average, seconds of common sound.
const AVERAGE_SECONDS: usize = 8;
/// Correlation from which a tick's sound is common to both sides.
const COMMON: f64 = 0.5;
/// Correlation, either way, under which sound is wide: no one source that stands to a side.
const WIDE: f64 = 0.85;
/// Difference up to which a side of wide sound is turned down; beyond, something else plays on one side alone, dB.
const WIDE_MOST_DB: f64 = 20.0;
/// Difference from which a side is missing rather than quieter, dB (`one_side_only` begins there).
const MISSING_DB: f64 = 35.0;

/// The room's ticks are taken from so many, 20 s.
const ROOM_TICKS: usize = 20 * TICKS_A_SECOND as usize;
/// Fewest that say something.
const FEWEST_ROOM_TICKS: usize = 8;
/// The room lies so far under the usual loudness and under the loudest of the last 2 s, LU, and above the line's
/// noise, LUFS. A mix that was turned down has soft syllables there, but not so far under its loud ones.
const UNDER_SOUND_LU: f64 = 25.0;
const ABOVE_LINE_LUFS: f64 = -80.0;
/// Part of the difference that a leaning room shows at least; one that stands upright shows less than the other.
const LEANS: f64 = 0.6;
const UPRIGHT_DB: f64 = 3.0;

/// The sides of the room between the words, over the last 20 s.
#[derive(Debug, Default)]
struct Room {
    /// Left over right, dB, of the ticks that are the room's.
    ticks: VecDeque<Option<f64>>,
    loudness: VecDeque<f64>,
}

impl Room {
    fn take(&mut self, feed: &Reading, usual_lufs: Option<f64>) {
        let lufs = feed.tick_lufs.unwrap_or(f64::NEG_INFINITY);
        push(&mut self.loudness, 2 * TICKS_A_SECOND as usize, lufs);
        let loudest = self.loudness.iter().fold(f64::NEG_INFINITY, |top, l| top.max(*l));
        let below = usual_lufs.map_or(f64::NEG_INFINITY, |usual| usual.min(loudest) - UNDER_SOUND_LU);
        let room = lufs < below && lufs > ABOVE_LINE_LUFS;
        push(&mut self.ticks, ROOM_TICKS, feed.balance_db().filter(|_| room));
    }

    /// Left over right, dB, the median; `None` where nothing was heard of the room.
    fn balance_db(&self) -> Option<f64> {
        let mut heard: Vec<f64> = self.ticks.iter().flatten().copied().collect();
        heard.sort_by(f64::total_cmp);
        heard.get(heard.len() / 2).copied().filter(|_| heard.len() >= FEWEST_ROOM_TICKS)
    }
}

struct Imbalance {
    settings: Settings,
    /// Of common sound.
    pair: Pair,
    /// Of all sound.
    all: Pair,
    lean: Lean,
    room: Room,
}

impl Imbalance {
    /// Seconds after which a difference of `db` is told; `None`: it is a talker's place. A talker who stands to the
    /// other side makes less of it: beside a room that leans a smaller difference is enough.
    fn seconds(&self, db: f64) -> Option<f64> {
        let s = &self.settings;
        match self.room.balance_db() {
            Some(room) if room * db.signum() > LEANS * s.above_db => Some(s.leaning_seconds),
            _ if db.abs() <= s.above_db => None,
            Some(room) if room.abs() < UPRIGHT_DB => (db.abs() > s.panned_above_db).then_some(s.panned_seconds),
            Some(_) => Some(s.raise_after_seconds),
            None => (db.abs() > s.unheard_above_db).then_some(s.raise_after_seconds),
        }
    }
}

impl Watch for Imbalance {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        if scene.feed.channels == 2 && !scene.feed.absent() {
            self.room.take(scene.feed, scene.hearing.usual_lufs());
        }
        if !plays_on_two_sides(scene) {
            return Verdict::Unsure;
        }
        self.all.take(scene.feed);
        if let Some(spectrum) = &scene.feed.spectrum {
            self.lean.take(spectrum);
        }
        let tell = |db: f64, after: f64| {
            let words = if db > 0.0 { &LEFT_LOUDER } else { &RIGHT_LOUDER };
            let s = &self.settings;
            let limit = if db.abs() > s.above_db { s.above_db } else { s.leaning_above_db };
            Verdict::Bad(Evidence::new(words, Severity::Advice, db.abs(), limit).after(after))
        };
        let wide = (self.all.correlation().abs() < WIDE).then(|| self.lean.together_db()).flatten();
        if let Some(db) = wide.filter(|db| db.abs() > self.settings.above_db && db.abs() < WIDE_MOST_DB) {
            return tell(db, self.settings.wide_seconds);
        }
        if scene.feed.correlation().is_none_or(|r| r < COMMON) {
            let upright = wide.is_some_and(|db| db.abs() < self.settings.clear_below_db);
            return if upright { Verdict::Good } else { Verdict::Unsure };
        }
        self.pair.take(scene.feed);
        let db = self.pair.balance_db();
        if db.abs() > MISSING_DB {
            Verdict::Unsure
        } else if db.abs() > self.settings.above_db.min(self.settings.leaning_above_db) {
            self.seconds(db).map_or(Verdict::Unsure, |after| tell(db, after))
        } else if db.abs() < self.settings.clear_below_db {
            Verdict::Good
        } else {
            Verdict::Unsure
        }
    }
}
