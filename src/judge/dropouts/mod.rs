//! Sound that is broken for a moment, again and again: `gaps` (it stops), `repeats` (a piece comes twice), `clicks`
//! (it jumps). This file: the count over the last minute that they share.

pub mod clicks;
pub mod gaps;
pub mod repeats;

use crate::units::{HOPS_A_SECOND, StreamTime};
use std::collections::VecDeque;

/// How far back moments count, seconds.
const WINDOW_SECONDS: u64 = 60;
/// Moments that are remembered at most.
const MOST: usize = 600;

/// Moments of the last minute.
#[derive(Debug, Default)]
struct Minute {
    moments: VecDeque<StreamTime>,
}

impl Minute {
    /// Forgets what is older than a minute and takes one moment, unless the last was less than `apart_hops` ago.
    fn step(&mut self, now: StreamTime, happened: bool, apart_hops: u64) -> usize {
        while self.moments.front().is_some_and(|t| now.0 > t.0 + WINDOW_SECONDS * HOPS_A_SECOND) {
            self.moments.pop_front();
        }
        let apart = self.moments.back().is_none_or(|t| now.0 >= t.0 + apart_hops);
        if happened && apart && self.moments.len() < MOST {
            self.moments.push_back(now);
        }
        self.moments.len()
    }
}
