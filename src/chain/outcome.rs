//! What the core has to say.

use crate::judge::{Alert, AlertChange, Cause};
use crate::likeness::Likeness;
use crate::measure::Reading;
use crate::units::StreamTime;

/// Figures of a feed's programme at its end.
#[derive(Debug, Clone, PartialEq)]
pub struct Programme {
    /// Index of the feed.
    pub feed: usize,
    /// Integrated loudness, LUFS.
    pub integrated_lufs: Option<f64>,
    /// Loudness range, LU.
    pub range_lu: Option<f64>,
    /// Largest momentary loudness, LUFS.
    pub max_momentary_lufs: Option<f64>,
    /// Largest short-term loudness, LUFS.
    pub max_short_term_lufs: Option<f64>,
    /// Largest true peak of any channel, dBTP.
    pub true_peak_dbtp: Option<f64>,
}

/// What the core has to say.
#[derive(Debug, Clone, PartialEq)]
pub enum Outcome {
    /// One feed's tick.
    Reading {
        /// Index of the feed.
        feed: usize,
        /// Its numbers.
        reading: Box<Reading>,
    },
    /// The stream and the house were compared: a new look, every 10 s.
    Likeness(Box<Likeness>),
    /// Something happened to an alert.
    Alert {
        /// What.
        change: AlertChange,
        /// The alert as it stands now.
        alert: Box<Alert>,
    },
    /// A service began.
    Began {
        /// When.
        at: StreamTime,
        /// By what.
        by: Cause,
    },
    /// A service ended, with the figures of each feed.
    Ended {
        /// When.
        at: StreamTime,
        /// By what.
        by: Cause,
        /// Figures, one a feed.
        programmes: Vec<Programme>,
    },
}
