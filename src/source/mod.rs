//! Where audio comes from. A source is polled by the measuring thread and delivers arrivals; it never blocks for
//! longer than about 50 ms, and knows nothing of the other doors.

mod decode;
mod device;
pub mod file;
pub mod inputs;
pub mod live;
pub mod pcm;
mod polled;
mod pulse;
pub mod rehearsal;
mod riff;

pub use polled::{Format, Polled, Source};
