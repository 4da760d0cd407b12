//! From what a source delivers to clean 10 ms hops of each feed.
//!
//! Never looks at a clock: time moves by frames, lost frames, and waits that the shell reports as data.

pub mod arrival;
pub mod hop;

pub use arrival::{AlertRef, Arrival, Block, Mark};
pub use hop::{Cutter, FeedPatch, Hop, PatchError, Role};
