//! All that may reach the core, as one closed enum. Nothing else goes in.

use std::time::Duration;

/// What a lane (one device, one clock) is told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Arrival<'a> {
    /// Audio.
    Block(Block<'a>),
    /// Frames that the device delivered and nobody could take (overrun): stream time moves on.
    Lost {
        /// Frames lost.
        frames: u64,
    },
    /// Nothing came; the shell's clock says so, as data.
    Idle {
        /// How long nothing has come since the last arrival of any kind.
        waited: Duration,
    },
    /// Something that people or the timetable did.
    Mark(Mark),
}

/// Interleaved samples of one device, full scale = 1.0; the length is a multiple of the device's channels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Block<'a> {
    /// Interleaved samples; a trailing part of a frame is ignored.
    pub samples: &'a [f32],
}

/// Which alert a person means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum AlertRef {
    /// One alert.
    One(u64),
    /// All that are raised.
    All,
}

/// What people or the timetable did, in the order in which it happened.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Mark {
    /// Somebody is on it.
    Acknowledge(AlertRef),
    /// Silence an alert's condition on its feed for a stated time.
    Shelve {
        /// Which alert.
        alert: AlertRef,
        /// For how long, seconds (1 to 86 400).
        seconds: u32,
    },
    /// A person says that the service begins now.
    ServiceBegin,
    /// A person says that the service ends now.
    ServiceEnd,
    /// The timetable says that a service is due to begin now; after `grace_seconds` silence is a fault.
    Due {
        /// Grace, seconds.
        grace_seconds: u32,
    },
    /// The timetable says that the service is over.
    DueEnd,
    /// Forget what the judge has learned of the venue.
    ForgetHabits,
}
