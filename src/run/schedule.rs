//! From set times and the wall clock to marks for the chain: a service is due, a set time is over.

use crate::feed::Mark;
use crate::settings::timetable::{Timetable, Window};
use jiff::Timestamp;

/// Follows the timetable.
pub struct Schedule {
    timetable: Timetable,
    grace_seconds: u32,
    open: Option<Window>,
}

impl Schedule {
    /// Follows `timetable`; silence is a fault `grace_minutes` after a set start.
    pub fn new(timetable: Timetable, grace_minutes: f64) -> Self {
        Self { timetable, grace_seconds: (grace_minutes * 60.0) as u32, open: None }
    }

    /// There are set times.
    pub fn is_set(&self) -> bool {
        !self.timetable.slots.is_empty()
    }

    /// Takes over from the schedule that held before other settings came: a set time that is on goes on.
    pub fn succeed(&mut self, old: &Self) {
        self.open = old.open;
    }

    /// What the clock brings. A clock that steps over a whole window brings nothing.
    pub fn marks(&mut self, now: Timestamp) -> Vec<Mark> {
        let window = self.timetable.window_at(now);
        if window == self.open {
            return Vec::new();
        }
        let mut marks = Vec::new();
        if self.open.take().is_some() {
            marks.push(Mark::DueEnd);
        }
        if let Some(window) = window {
            // The daemon may start in the middle of a window: the grace has passed by then, or a part of it.
            let late = now.duration_since(window.from).as_secs().max(0) as u32;
            marks.push(Mark::Due { grace_seconds: self.grace_seconds.saturating_sub(late) });
            self.open = Some(window);
        }
        marks
    }
}
