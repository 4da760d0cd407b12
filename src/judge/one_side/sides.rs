//! Follows the two sides of a stereo feed: which is missing, and what is known of it.

use crate::judge::Hearing;
use crate::measure::Reading;
use crate::units::{db_of_power, lufs_of_power};

/// Left or right.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Side {
    Left,
    Right,
}

/// What is seen at this tick.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct View {
    /// The side that is missing while the other plays.
    pub missing: Option<Side>,
    /// Both sides play.
    pub both: bool,
    /// The missing side has been heard in this service.
    pub was_heard: bool,
    /// The missing side moves at the floor that it has in pauses: connected, but unused.
    pub at_its_floor: bool,
    /// Level of the missing side under the other, dB.
    pub distance_db: f64,
}

/// Ticks of sound on a side that make it heard (3 s).
const HEARD_TICKS: u32 = 30;
/// A side is at its floor when less than this below it, dB.
const FLOOR_SLACK_DB: f64 = 6.0;
/// What a gate that shuts to nothing leaves counts as a floor of this level, dBFS: a side that moves above it carries
/// open microphones (common practice: a line's own noise lies about here).
const SHUT_DBFS: f64 = -85.0;

/// Memory of the two sides.
pub(super) struct Sides {
    below_dbfs: f64,
    below_other_db: f64,
    other_above_lufs: f64,
    heard_ticks: [u32; 2],
    floor_db: [f64; 2],
    pub(super) level_db: [f64; 2],
}

impl Sides {
    pub(super) fn new(below_dbfs: f64, below_other_db: f64, other_above_lufs: f64) -> Self {
        Self {
            below_dbfs,
            below_other_db,
            other_above_lufs,
            heard_ticks: [0; 2],
            floor_db: [f64::INFINITY; 2],
            level_db: [f64::NEG_INFINITY; 2],
        }
    }

    pub(super) fn below_other_db(&self) -> f64 {
        self.below_other_db
    }

    pub(super) fn step(&mut self, feed: &Reading, hearing: &Hearing) -> View {
        let mut view = View { missing: None, both: false, was_heard: false, at_its_floor: false, distance_db: 0.0 };
        if feed.channels != 2 || feed.absent() {
            return view;
        }
        if !hearing.heard && hearing.last_sound.is_none() {
            self.heard_ticks = [0; 2];
        }
        let mut loud = [false; 2];
        for side in 0..2 {
            let c = &feed.channel[side];
            let still = c.lowest == c.highest;
            self.level_db[side] = if still { f64::NEG_INFINITY } else { db_of_power(c.mean_square) };
            loud[side] = !still && lufs_of_power(c.k_mean_square) > self.other_above_lufs;
        }
        view.both = loud[0] && loud[1];
        self.learn_floor(loud);
        for side in 0..2 {
            let other = 1 - side;
            let level = self.level_db[side];
            if loud[side] {
                self.heard_ticks[side] = self.heard_ticks[side].saturating_add(1);
            }
            let distance = self.level_db[other] - level;
            if loud[other] && level < self.below_dbfs && distance > self.below_other_db {
                view.missing = Some(if side == 0 { Side::Left } else { Side::Right });
                view.was_heard = self.heard_ticks[side] >= HEARD_TICKS;
                view.at_its_floor = self.floor_db[side].is_finite() && level > self.floor_db[side] - FLOOR_SLACK_DB;
                view.distance_db = distance;
            }
        }
        view
    }

    /// The floor is learned in pauses of both sides. One that falls under its own alone has died there: that is none.
    fn learn_floor(&mut self, loud: [bool; 2]) {
        let level = self.level_db.map(|l| l.max(SHUT_DBFS));
        let fell = |side: usize| level[side] < self.floor_db[side] - FLOOR_SLACK_DB && self.floor_db[side].is_finite();
        if loud[0] || loud[1] || fell(0) != fell(1) {
            return;
        }
        for side in (0..2).filter(|side| self.heard_ticks[*side] >= HEARD_TICKS) {
            let floor = &mut self.floor_db[side];
            *floor = if floor.is_finite() { *floor + (level[side] - *floor) * 0.05 } else { level[side] };
        }
    }
}
