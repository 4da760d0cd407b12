//! The shell: threads, channels, wall clock, signals, the order of stopping. It sees everything; nothing sees it
//! but the commands.

mod clock;
mod engine;
mod fault;
mod schedule;

pub use engine::{Listener, Order};
pub use fault::Faults;

use crate::chain::{Chain, LaneSpec};
use crate::feed::FeedPatch;
use crate::ledger::Board;
use crate::settings::{self, Settings};
use crate::source::Source;
use crate::units::SampleRate;
use anyhow::Context as _;
use engine::{Engine, LaneSource};
use schedule::Schedule;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::AtomicU64;
use std::sync::mpsc;

/// One device and the feeds on it.
pub struct LanePlan {
    /// Where its audio comes from.
    pub source: Box<dyn Source>,
    /// Its feeds.
    pub feeds: Vec<FeedPatch>,
    /// Format assumed until the source tells its own.
    pub rate: SampleRate,
}

/// What is to be run.
pub struct Plan {
    /// Settings in force at the start.
    pub settings: Settings,
    /// The file that they came from, for reloading.
    pub settings_file: Option<PathBuf>,
    /// Where the log and the control socket live.
    pub state: PathBuf,
    /// Address of the page.
    pub listen: std::net::SocketAddr,
    /// The devices.
    pub lanes: Vec<LanePlan>,
    /// The sound is made up, and may run faster than time.
    pub rehearsal: bool,
}

/// Orders that may wait before the measuring thread takes them.
const ORDERS: usize = 256;
/// How long stopping may take before the process goes anyway.
const STOP_WITHIN: std::time::Duration = std::time::Duration::from_millis(1_500);
