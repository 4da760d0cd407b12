//! An alert, from its raising to its end.

use super::Evidence;
use crate::units::StreamTime;

/// An alert, from its raising to its end.
#[derive(Debug, Clone, PartialEq)]
pub struct Alert {
    /// Number, unique within a run, rising.
    pub id: u64,
    /// Index of the feed in its lane.
    pub feed: usize,
    /// Condition's name.
    pub condition: &'static str,
    /// Why, and the words for it.
    pub evidence: Evidence,
    /// When the condition began to hold.
    pub began: StreamTime,
    /// When it was raised.
    pub raised: StreamTime,
    /// When somebody said that they are on it.
    pub acknowledged: Option<StreamTime>,
    /// It came and went before: it now stands until it is really over.
    pub comes_and_goes: bool,
    /// When and how it ended.
    pub cleared: Option<(StreamTime, Clearing)>,
}

/// How an alert ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Clearing {
    /// The condition is gone.
    Gone,
    /// A worse condition of the same cause took its place.
    Replaced(&'static str),
    /// Somebody put it aside for a time.
    Shelved,
    /// The condition was switched off in the settings.
    SwitchedOff,
}

impl Clearing {
    /// Name in the log and in JSON.
    pub fn name(self) -> &'static str {
        match self {
            Self::Gone => "gone",
            Self::Replaced(_) => "replaced",
            Self::Shelved => "shelved",
            Self::SwitchedOff => "switched off",
        }
    }
}

/// Where a condition stands in its life.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AlertLife {
    /// Nothing.
    Watching,
    /// It holds; its time is not yet up, or a worse cause may still come.
    Pending,
    /// Told.
    Raised,
    /// Told, and somebody is on it.
    Acknowledged,
    /// Put aside for a time.
    Shelved,
}

/// What happened to an alert.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AlertChange {
    /// It is told now.
    Raised,
    /// Its severity or words changed.
    Changed,
    /// Somebody is on it.
    Acknowledged,
    /// It ended.
    Cleared,
}
