//! The service manager: told when the program is ready, that it still measures, and that it stops.
//!
//! The watchdog hangs on the measuring loop's own heartbeat: a loop that stands still is not pinged for, and the
//! manager starts the process again. A dead device does not stand still: its waiting is counted too.

use sd_notify::NotifyState;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

/// Looks at the heartbeat in one watchdog period; one late look must not cost the process its life.
const LOOKS_A_PERIOD: u32 = 4;

/// The service manager, where there is one; without one every call does nothing.
#[derive(Debug)]
pub struct Manager {
    stop: Arc<AtomicBool>,
}

impl Manager {
    /// The page answers and the devices are open (or being tried): ready. From now on the watchdog is pinged while
    /// `heartbeat` moves.
    pub fn ready(status: &str, heartbeat: Arc<AtomicU64>) -> Self {
        tell(&[NotifyState::Ready, NotifyState::Status(status)]);
        let stop = Arc::new(AtomicBool::new(false));
        if let Some(period) = sd_notify::watchdog_enabled() {
            let stop = stop.clone();
            let watch = move || watch(period / LOOKS_A_PERIOD, &heartbeat, &stop);
            if let Err(e) = std::thread::Builder::new().name("watchdog".into()).spawn(watch) {
                tracing::error!("no thread for the watchdog: {e}; the service manager will start this program again");
            }
        }
        Self { stop }
    }

    /// One line for `systemctl status`.
    pub fn status(&self, line: &str) {
        tell(&[NotifyState::Status(line)]);
    }

    /// The program is going to end, as asked.
    pub fn stopping(&self) {
        self.stop.store(true, Ordering::Relaxed);
        tell(&[NotifyState::Stopping]);
    }
}

fn tell(states: &[NotifyState<'_>]) {
    if let Err(e) = sd_notify::notify(states) {
        tracing::warn!("the service manager cannot be told: {e}");
    }
}

fn watch(pause: Duration, heartbeat: &AtomicU64, stop: &AtomicBool) {
    let mut last = None;
    while !stop.load(Ordering::Relaxed) {
        let beat = heartbeat.load(Ordering::Relaxed);
        if last.replace(beat) != Some(beat) {
            tell(&[NotifyState::Watchdog]);
        }
        std::thread::sleep(pause);
    }
}
