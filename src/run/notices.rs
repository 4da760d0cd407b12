//! Notices as a listener of the measuring thread, with the local times that only the shell knows.

use super::engine::Listener;
use crate::chain::Outcome;
use crate::ledger::{Board, Outbox};
use crate::settings::Settings;
use crate::tell::{LocalClock, Teller};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use std::sync::Arc;

/// Wall time, ms since 1970, to RFC 3339 with the offset of `zone`.
pub fn local_clock(zone: TimeZone) -> LocalClock {
    Arc::new(move |unix_ms| {
        let at = Timestamp::from_second(unix_ms.div_euclid(1000)).unwrap_or_default();
        let local = at.to_zoned_datetime(zone.clone());
        local.strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
    })
}

/// The channels that are on; nothing when none is.
///
/// # Errors
/// One sentence, when no thread can be had.
pub fn start(settings: &Settings, outbox: Box<dyn Outbox>) -> Result<Box<dyn Listener>, String> {
    let clock = local_clock(settings.timetable.zone.clone());
    let now_unix_ms = Timestamp::now().as_millisecond();
    Ok(Box::new(Notices(Teller::start(&settings.tell, &settings.venue, outbox, clock, now_unix_ms, false)?)))
}

struct Notices(Teller);

impl Listener for Notices {
    fn take(&mut self, outcome: &Outcome, board: &Board, unix_ms: i64) {
        self.0.take(outcome, board, unix_ms);
    }
    fn fault(&mut self) -> (&'static str, Option<String>) {
        ("notice", self.0.fault())
    }
    fn close(&mut self) {
        self.0.close();
    }
}
