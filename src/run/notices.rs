//! Notices as a listener of the measuring thread, with the local times that only the shell knows.

use super::engine::Listener;
use crate::chain::Outcome;
use crate::ledger::{Board, NoticeCounts, Outbox};
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

/// The first moment of a day written as YYYY-MM-DD in `zone`, ms since 1970.
///
/// # Errors
/// One sentence, when it is no such day.
pub fn day_begin(day: &str, zone: &TimeZone) -> Result<i64, String> {
    let date: jiff::civil::Date =
        day.parse().map_err(|_| format!("{day:?} was found; give a day as YYYY-MM-DD, such as 2026-11-22"))?;
    date.to_zoned_datetime(zone.clone()).map(|z| z.timestamp().as_millisecond()).map_err(|e| format!("{day}: {e}"))
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
    fn notices(&self) -> Vec<(&'static str, NoticeCounts)> {
        self.0.counts()
    }
    fn close(&mut self) {
        self.0.close();
    }
}
