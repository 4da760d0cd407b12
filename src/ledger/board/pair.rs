//! The stream beside the house, on the board.

use crate::likeness::{self, Kin, Likeness};
use crate::units::StreamTime;
use std::collections::VecDeque;

/// The stream beside the house, now and lately.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PairBoard {
    /// The newest look.
    pub likeness: Likeness,
    /// Gain by group of bands against the median every ten seconds, dB, oldest first: ten minutes.
    pub lately: VecDeque<[Option<f64>; likeness::GROUPS]>,
    /// Changes of the verdict: when, and to what; the newest last.
    pub changes: VecDeque<(StreamTime, Kin)>,
    /// When `lately` was last added to.
    added: StreamTime,
}

/// Seconds from one look that `lately` keeps to the next (every block is 1.02 s, a look every 5 or 10 of them).
const LATELY_SECONDS: f64 = 10.0;
/// Changes of the verdict that the board still shows.
const PAST_CHANGES: usize = 20;

impl PairBoard {
    pub(super) fn take(&mut self, likeness: &Likeness, now: StreamTime) {
        if likeness.kin != self.likeness.kin {
            if self.changes.len() == PAST_CHANGES {
                self.changes.pop_front();
            }
            self.changes.push_back((now, likeness.kin));
        }
        if self.lately.is_empty() || now.since(self.added) >= LATELY_SECONDS {
            if self.lately.len() == likeness::HISTORY {
                self.lately.pop_front();
            }
            self.lately.push_back(likeness.lately_db);
            self.added = now;
        }
        self.likeness = likeness.clone();
    }
}
