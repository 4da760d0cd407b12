//! Readings to alerts: what is wrong, since when, what to check.
//!
//! A condition sees only a `Scene` (plain numbers) and answers `Bad`, `Good` or `Unsure`; it never sees audio,
//! a clock or another condition. `bench` runs the roster for one feed: dwell times, one cause one warning,
//! acknowledging and shelving. The words for people live beside each condition.

mod alert;
mod bench;
mod dwell;
mod habits;
pub mod knobs;
mod retelling;
mod ring;
pub mod roster;
mod service;
mod shape;
mod sound;
mod target;

mod clipping;
mod clipping_upstream;
mod dc_offset;
mod dropouts;
mod long_quiet;
mod no_data;
mod one_side;
mod own_mix;
mod silence;
mod spectral;
mod stereo;
mod too_loud;
mod too_quiet;
mod true_peak_over;

pub use alert::{Alert, AlertChange, AlertLife, Clearing};
pub use bench::Bench;
pub use dwell::{Dwell, Timing};
pub use habits::{Habits, ServiceHabit};
pub use own_mix::{OwnMixSettings, OwnMixWish};
pub use roster::{JudgeSettings, Listing, ROSTER, listing};
pub use service::{Cause, ServiceChange, ServiceSettings, ServiceState, ServiceTracker};
pub use shape::{Evidence, Severity, Verdict, Words};
pub use sound::{Expectation, Hearing, SOUND_LUFS};
pub use target::{PROFILES, Profile, Target};

use crate::feed::Role;
use crate::likeness::Likeness;
use crate::measure::Reading;

/// All that a condition may look at, once a tick.
#[derive(Debug, Clone, Copy)]
pub struct Scene<'a> {
    /// The feed that is judged.
    pub feed: &'a Reading,
    /// Its role.
    pub role: Role,
    /// What has been heard of the feed so far.
    pub hearing: &'a Hearing,
    /// The house mix of the same moment, when there is one and this feed is the stream.
    pub house: Option<(&'a Reading, &'a Hearing)>,
    /// The service that is on, or not.
    pub service: &'a ServiceState,
    /// What the venue has taught.
    pub habits: &'a Habits,
    /// Loudness target.
    pub target: &'a Target,
    /// The stream beside the house, when there are both and this feed is the stream.
    pub likeness: Option<&'a Likeness>,
    /// What the site wants of its stream.
    pub own_mix: OwnMixWish,
}

impl Scene<'_> {
    /// The feed is meant to be at the loudness target: every feed but the room's mix, which is as loud as the room is.
    pub fn has_target(&self) -> bool {
        self.role != Role::House
    }
}

/// One condition at work on one feed. Built by its settings; see `roster`.
pub trait Watch: Send {
    /// One look a tick (100 ms).
    fn look(&mut self, scene: &Scene<'_>) -> Verdict;

    /// A worse condition of the same cause is told: what was counted until now was its doing.
    fn forget(&mut self) {}
}
