//! What every source is, and what one poll of it gives.

use crate::feed::Arrival;
use crate::units::SampleRate;

/// Format of what a source delivers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Format {
    /// Sample rate.
    pub rate: SampleRate,
    /// Channels, interleaved.
    pub channels: usize,
}

/// What one poll led to.
#[derive(Debug, Clone, PartialEq)]
pub enum Polled {
    /// Arrivals were delivered: so many frames of audio (0: only marks or losses).
    Gave {
        /// Frames.
        frames: u64,
    },
    /// Nothing was there; ask again later.
    Nothing,
    /// From the next arrival on the format is this; said before the first audio and at every change.
    Format(Format),
    /// It is over.
    Ended,
    /// It failed for good; one sentence: what, where, what to do.
    Failed(String),
}

/// Something that delivers audio.
pub trait Source: Send {
    /// Delivers what is there to `sink`.
    fn poll(&mut self, sink: &mut dyn FnMut(Arrival<'_>)) -> Polled;

    /// What it is, for people: device or file, channels, rate.
    fn describe(&self) -> String;

    /// What ails it at the moment, one sentence for people; `None` when it delivers.
    fn fault(&self) -> Option<String> {
        None
    }

    /// Opens that never came back have piled up: only a new process helps.
    fn stuck(&self) -> bool {
        false
    }

    /// It follows real time (a device, a paced file): a wait in it is a fault of the line.
    fn paced(&self) -> bool;
}
