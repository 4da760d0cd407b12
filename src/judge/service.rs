//! When a service begins and ends: by button, by timetable, by activity (in this order of strength).

use crate::feed::Mark;
use crate::units::{StreamTime, TICKS_A_SECOND};
use std::collections::VecDeque;

/// How services are told from the hours between.
#[derive(Debug, Clone, PartialEq)]
pub struct ServiceSettings {
    /// Sound within a minute that begins a service, seconds (1 to 60).
    pub begin_sound_seconds: f64,
    /// Quiet that must come before, minutes (0 to 240).
    pub quiet_before_minutes: f64,
    /// Quiet that ends a service, minutes (1 to 240).
    pub quiet_after_minutes: f64,
    /// Longest service, hours (1 to 24).
    pub longest_hours: f64,
}

impl Default for ServiceSettings {
    fn default() -> Self {
        Self { begin_sound_seconds: 20.0, quiet_before_minutes: 20.0, quiet_after_minutes: 15.0, longest_hours: 12.0 }
    }
}

impl ServiceSettings {
    /// The whole of the audio is one programme, whatever pauses it has: for recordings.
    pub fn one_programme() -> Self {
        Self { quiet_after_minutes: f64::INFINITY, longest_hours: f64::INFINITY, ..Self::default() }
    }
}

/// What began or ended a service.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cause {
    /// A person.
    Button,
    /// The set times.
    Timetable,
    /// Sound after a long quiet; quiet after sound.
    Activity,
    /// It had gone on for the longest time allowed.
    TooLong,
}

impl Cause {
    /// Name in the log and in JSON.
    pub fn name(self) -> &'static str {
        match self {
            Self::Button => "button",
            Self::Timetable => "timetable",
            Self::Activity => "activity",
            Self::TooLong => "too long",
        }
    }

    /// The cause of this name.
    pub fn named(name: &str) -> Option<Self> {
        [Self::Button, Self::Timetable, Self::Activity, Self::TooLong].into_iter().find(|c| c.name() == name)
    }
}

/// The service as conditions see it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ServiceState {
    /// When it began, if one is on.
    pub began: Option<StreamTime>,
    /// What began it.
    pub by: Option<Cause>,
    /// A set start has passed by its grace time and the service is not over.
    pub overdue: bool,
}

/// A service began or ended at this tick.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ServiceChange {
    /// Sound after a long quiet: loudness figures start anew here, in case a service begins with it.
    Candidate(StreamTime),
    /// It began at the given time (not later than now).
    Began(StreamTime, Cause),
    /// It ended at the given time.
    Ended(StreamTime, Cause),
}

/// Follows the services of one lane.
#[derive(Debug, Clone)]
pub struct ServiceTracker {
    settings: ServiceSettings,
    state: ServiceState,
    last_sound: Option<StreamTime>,
    /// A long quiet has passed (or nothing was ever heard), and no service has begun since.
    armed: bool,
    candidate: StreamTime,
    /// Ticks with sound in the last minute, oldest first.
    minute: VecDeque<StreamTime>,
    due: Option<(StreamTime, u32)>,
    closing: bool,
}

/// Quiet that makes the next sound a new candidate while none has become a service, seconds.
const CANDIDATE_QUIET_SECONDS: f64 = 60.0;
/// Quiet that ends a service once its set end has passed, seconds (own choice).
const CLOSING_QUIET_SECONDS: f64 = 180.0;

impl ServiceTracker {
    /// Nothing has been heard yet.
    pub fn new(settings: ServiceSettings) -> Self {
        Self {
            settings,
            state: ServiceState::default(),
            last_sound: None,
            armed: true,
            candidate: StreamTime::default(),
            minute: VecDeque::new(),
            due: None,
            closing: false,
        }
    }

    /// The service as it stands.
    pub fn state(&self) -> &ServiceState {
        &self.state
    }

    /// Other rules from now on; the service that is on goes on.
    pub fn set(&mut self, settings: ServiceSettings) {
        self.settings = settings;
    }

    /// The program was started anew in the middle of a service that `by` had begun: it goes on.
    pub fn resume(&mut self, now: StreamTime, by: Cause) {
        (self.armed, self.closing) = (false, false);
        self.last_sound = Some(now);
        self.state = ServiceState { began: Some(now), by: Some(by), overdue: false };
    }

    /// A person or the timetable speaks. Pushes what changed.
    pub fn mark(&mut self, now: StreamTime, mark: Mark, changes: &mut Vec<ServiceChange>) {
        match mark {
            Mark::ServiceBegin => self.begin(now, Cause::Button, changes),
            Mark::ServiceEnd => self.end(now, Cause::Button, changes),
            Mark::Due { grace_seconds } => {
                self.due = Some((now, grace_seconds));
                if self.state.by != Some(Cause::Button) {
                    self.begin(now, Cause::Timetable, changes);
                }
            }
            Mark::DueEnd => {
                self.due = None;
                self.state.overdue = false;
                self.closing = self.state.began.is_some();
            }
            Mark::Acknowledge(_) | Mark::Shelve { .. } | Mark::ForgetHabits => {}
        }
    }

    /// One tick; `sound` says whether any stream feed has sound now. Pushes what changed.
    pub fn tick(&mut self, now: StreamTime, sound: bool, changes: &mut Vec<ServiceChange>) {
        while self.minute.front().is_some_and(|t| now.since(*t) > 60.0) {
            self.minute.pop_front();
        }
        if sound {
            self.sound(now, changes);
        }
        if let Some((since, grace)) = self.due {
            self.state.overdue = now.since(since) >= f64::from(grace);
        }
        let Some(began) = self.state.began else {
            let quiet = self.last_sound.map_or(f64::INFINITY, |t| now.since(t));
            self.armed |= quiet >= self.settings.quiet_before_minutes * 60.0;
            return;
        };
        let last = self.last_sound.unwrap_or(began).max(began);
        let quiet_limit = match (self.closing, self.due) {
            (true, _) => CLOSING_QUIET_SECONDS,
            (false, Some(_)) => f64::INFINITY,
            (false, None) => self.settings.quiet_after_minutes * 60.0,
        };
        if now.since(last) >= quiet_limit {
            let cause = if self.closing { Cause::Timetable } else { Cause::Activity };
            self.end(last, cause, changes);
        } else if now.since(began) >= self.settings.longest_hours * 3600.0 {
            self.end(now, Cause::TooLong, changes);
        }
    }

    fn sound(&mut self, now: StreamTime, changes: &mut Vec<ServiceChange>) {
        let quiet = self.last_sound.map_or(f64::INFINITY, |t| now.since(t));
        self.last_sound = Some(now);
        if self.state.began.is_some() {
            return;
        }
        self.minute.push_back(now);
        self.armed |= quiet >= self.settings.quiet_before_minutes * 60.0;
        if self.armed && quiet >= CANDIDATE_QUIET_SECONDS {
            self.candidate = now;
            changes.push(ServiceChange::Candidate(now));
        }
        let needed = (self.settings.begin_sound_seconds * TICKS_A_SECOND as f64) as usize;
        if self.armed && self.minute.len() >= needed.max(1) {
            self.begin(self.candidate, Cause::Activity, changes);
        }
    }

    fn begin(&mut self, at: StreamTime, by: Cause, changes: &mut Vec<ServiceChange>) {
        self.end(at, by, changes);
        (self.armed, self.closing) = (false, false);
        self.state = ServiceState { began: Some(at), by: Some(by), overdue: false };
        changes.push(ServiceChange::Began(at, by));
    }

    fn end(&mut self, at: StreamTime, by: Cause, changes: &mut Vec<ServiceChange>) {
        if self.state.began.take().is_some() {
            self.state = ServiceState::default();
            self.closing = false;
            self.minute.clear();
            changes.push(ServiceChange::Ended(at, by));
        }
    }
}
