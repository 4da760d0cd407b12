//! Set times of services: weekly ("sunday 10:00-11:30") and single dates ("2026-12-24 17:00-18:00"), in the
//! venue's time zone, daylight saving included. Crossing midnight is allowed.

use jiff::civil::{Date, Time, Weekday};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

/// One line of the timetable.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Slot {
    day: Day,
    from: Time,
    to: Time,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Day {
    Weekly(Weekday),
    Once(Date),
}

/// What `Slot::parse` wants.
const WANT: &str = "a day and times, such as \"sunday 10:00-11:30\" or \"2026-12-24 17:00-18:00\"";

impl Slot {
    /// Reads one line.
    ///
    /// # Errors
    /// What a line should look like.
    pub fn parse(line: &str) -> Result<Self, String> {
        let want = || WANT.to_string();
        let (day, times) = line.trim().split_once(' ').ok_or_else(want)?;
        let (from, to) = times.trim().split_once('-').ok_or_else(want)?;
        let time = |t: &str| Time::strptime("%H:%M", t.trim()).map_err(|_| want());
        let day = match weekday(day) {
            Some(weekday) => Day::Weekly(weekday),
            None => Day::Once(day.parse().map_err(|_| want())?),
        };
        let slot = Self { day, from: time(from)?, to: time(to)? };
        if slot.from == slot.to { Err(want()) } else { Ok(slot) }
    }

    /// The window of this slot that begins on `date`, if one does. A time that daylight saving skips moves
    /// forward by the skipped hour; one that comes twice means the first.
    fn on(&self, date: Date, zone: &TimeZone) -> Option<Window> {
        let fits = match self.day {
            Day::Weekly(weekday) => date.weekday() == weekday,
            Day::Once(once) => date == once,
        };
        if !fits {
            return None;
        }
        let until = if self.to > self.from { date } else { date.checked_add(1.day()).ok()? };
        let stamp = |d: Date, t: Time| d.to_datetime(t).to_zoned_datetime(zone.clone()).ok().map(|z| z.timestamp());
        Some(Window { from: stamp(date, self.from)?, to: stamp(until, self.to)? })
    }
}

fn weekday(name: &str) -> Option<Weekday> {
    const DAYS: [(&str, Weekday); 7] = [
        ("monday", Weekday::Monday),
        ("tuesday", Weekday::Tuesday),
        ("wednesday", Weekday::Wednesday),
        ("thursday", Weekday::Thursday),
        ("friday", Weekday::Friday),
        ("saturday", Weekday::Saturday),
        ("sunday", Weekday::Sunday),
    ];
    let name = name.to_ascii_lowercase();
    (name.len() >= 3).then(|| DAYS.iter().find(|(d, _)| d.starts_with(&name)).map(|(_, w)| *w))?
}

/// A set time: from, to (not included).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// Begin.
    pub from: Timestamp,
    /// End.
    pub to: Timestamp,
}

/// All slots of a venue.
#[derive(Debug, Clone, PartialEq)]
pub struct Timetable {
    /// Lines.
    pub slots: Vec<Slot>,
    /// The venue's zone.
    pub zone: TimeZone,
}

impl Timetable {
    /// The window that `now` lies in; of several the one that began last.
    pub fn window_at(&self, now: Timestamp) -> Option<Window> {
        self.around(now, -1, 1).filter(|w| w.from <= now && now < w.to).max_by_key(|w| w.from)
    }

    /// The next window that begins after `now`, within a year.
    pub fn next_after(&self, now: Timestamp) -> Option<Window> {
        self.around(now, -1, 370).filter(|w| w.from > now).min_by_key(|w| w.from)
    }

    fn around(&self, now: Timestamp, from_days: i32, to_days: i32) -> impl Iterator<Item = Window> + '_ {
        let today = now.to_zoned_datetime(self.zone.clone()).date();
        (from_days..=to_days)
            .filter_map(move |d| today.checked_add(d.days()).ok())
            .flat_map(move |date| self.slots.iter().filter_map(move |s| s.on(date, &self.zone)).collect::<Vec<_>>())
    }
}
