//! Wall time of stream time. Durations come from frames; wall time is only stamped, and booth machines' clocks are
//! often wrong: a step is told, never believed.

use crate::units::{HOPS_A_SECOND, StreamTime};
use jiff::Timestamp;
use std::time::Instant;

/// Difference of wall time and stream time that makes a new anchor, ms: a gap in the audio, or a stepped clock.
const NEW_ANCHOR_MS: i64 = 500;
/// A step of the wall clock larger than this against the steady clock is told, ms.
const STEP_MS: i64 = 5_000;

/// Stamps stream time with wall time.
pub struct Wall {
    anchor_ms: i64,
    anchor: StreamTime,
    steady_start: Instant,
    wall_start_ms: i64,
    stepped_ms: i64,
    /// The stream runs at its own pace (a rehearsal at speed): its wall time is made of stream time alone.
    own_pace: bool,
}

impl Wall {
    /// Anchors `now` of the stream at the present wall time.
    pub fn new(now: StreamTime, own_pace: bool) -> Self {
        let ms = Timestamp::now().as_millisecond();
        Self { anchor_ms: ms, anchor: now, steady_start: Instant::now(), wall_start_ms: ms, stepped_ms: 0, own_pace }
    }

    /// Wall time of `at`, ms since 1970.
    pub fn stamp(&self, at: StreamTime) -> i64 {
        self.anchor_ms + (at.0 as i64 - self.anchor.0 as i64) * 1000 / HOPS_A_SECOND as i64
    }

    /// Compares with the clocks; gives a step of the wall clock since the last look, ms.
    pub fn look(&mut self, now: StreamTime) -> Option<i64> {
        if self.own_pace {
            return None;
        }
        let ms = Timestamp::now().as_millisecond();
        if (ms - self.stamp(now)).abs() > NEW_ANCHOR_MS {
            (self.anchor_ms, self.anchor) = (ms, now);
        }
        let should_be = self.wall_start_ms + self.steady_start.elapsed().as_millis() as i64;
        let off = ms - should_be - self.stepped_ms;
        if off.abs() > STEP_MS {
            self.stepped_ms += off;
            return Some(off);
        }
        None
    }
}
