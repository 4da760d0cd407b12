//! The whole core as one machine: arrivals of each lane in, outcomes out. No clock, no I/O, no log, no failing.
//!
//! A lane is one device with its own frames. The same arrivals give the same outcomes, however audio was cut.

mod lane;
mod outcome;
mod pair;
mod view;

pub use outcome::{Outcome, Programme};
pub use view::FeedView;

use crate::feed::{Arrival, FeedPatch, Mark, PatchError, Role};
use crate::judge::{
    Alert, AlertChange, Bench, Cause, Habits, JudgeSettings, OwnMixSettings, Scene, ServiceChange, ServiceSettings,
    ServiceTracker, Target,
};
use crate::units::SampleRate;
use lane::Lane;
use pair::Pair;

/// One device and the feeds on it.
#[derive(Debug, Clone, PartialEq)]
pub struct LaneSpec {
    /// Its sample rate.
    pub rate: SampleRate,
    /// Its channels, 1 to 64.
    pub channels: usize,
    /// Its feeds.
    pub feeds: Vec<FeedPatch>,
}

/// Settings of the core.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ChainSettings {
    /// Loudness target.
    pub target: Target,
    /// The conditions'.
    pub judge: JudgeSettings,
    /// How services are told.
    pub service: ServiceSettings,
    /// What the site wants of its stream and its house feed.
    pub own_mix: OwnMixSettings,
}

/// What judges one feed.
struct Judge {
    bench: Bench,
    habits: Habits,
}

/// The core.
pub struct Chain {
    settings: ChainSettings,
    lanes: Vec<Lane>,
    /// One a feed.
    judges: Vec<Judge>,
    /// The stream beside the house, where there are both.
    pair: Option<Pair>,
    /// The lane whose ticks move the service on: the first that carries a stream.
    leading: usize,
    service: ServiceTracker,
    next_alert: u64,
}

impl Chain {
    /// A chain over `lanes`; feeds are numbered through them in order.
    ///
    /// # Errors
    /// `PatchError` when a feed asks for channels that its device lacks.
    pub fn new(settings: ChainSettings, lanes: Vec<LaneSpec>) -> Result<Self, PatchError> {
        let mut built = Vec::new();
        let mut judges = Vec::new();
        for spec in lanes {
            let first = judges.len();
            for (i, patch) in spec.feeds.iter().enumerate() {
                let bench = Bench::new(first + i, patch.role, &settings.judge);
                judges.push(Judge { bench, habits: Habits::default() });
            }
            built.push(Lane::new(spec, first)?);
        }
        let leading = built.iter().position(|l| l.carries(Role::Stream)).unwrap_or(0);
        let service = ServiceTracker::new(settings.service.clone());
        let pair = Pair::new(&mut built, settings.own_mix.house);
        Ok(Self { settings, lanes: built, judges, pair, leading, service, next_alert: 1 })
    }

    /// The lanes are recordings that begin together and are counted alike, not devices with clocks of their own.
    pub fn count_lanes_together(&mut self) {
        if let Some(pair) = &mut self.pair {
            pair.count_together();
        }
    }

    /// Before the first arrival: measures levels alone, which costs far less; no condition is watched for.
    pub fn levels_only(&mut self) {
        for lane in &mut self.lanes {
            lane.levels_only();
            for seat in &lane.seats {
                self.judges[seat.index].bench = Bench::of(seat.index, seat.role, Vec::new());
            }
        }
    }

    /// Starts alert numbers at `next` (they go on across restarts).
    pub fn number_alerts_from(&mut self, next: u64) {
        self.next_alert = self.next_alert.max(next);
    }

    /// The program was started anew in the middle of a service: it goes on, and the feeds of `heard` were heard in it.
    pub fn resume_service(&mut self, by: Cause, heard: &[usize]) {
        let now = self.now();
        self.service.resume(now, by);
        for seat in self.lanes.iter_mut().flat_map(|l| &mut l.seats).filter(|s| heard.contains(&s.index)) {
            seat.hearing.heard = true;
        }
    }

    /// Takes over what the venue has taught before: habits of feed `feed`.
    pub fn teach(&mut self, feed: usize, habits: Habits) {
        if let Some(judge) = self.judges.get_mut(feed) {
            judge.habits = habits;
        }
    }

    /// Other settings from now on; alerts that stand go on.
    pub fn set(&mut self, settings: ChainSettings, out: &mut Vec<Outcome>) {
        self.service.set(settings.service.clone());
        if let Some(pair) = &mut self.pair {
            pair.set_house(settings.own_mix.house);
        }
        let mut changes = Vec::new();
        for seat in self.lanes.iter().flat_map(|l| l.seats.iter().map(move |s| (l, s))) {
            self.judges[seat.1.index].bench.set(&settings.judge, seat.0.now(), &mut changes);
        }
        self.settings = settings;
        push_alerts(changes, out);
    }

    /// The device of a lane delivers another format from now on: meters begin anew, time and alerts go on.
    ///
    /// # Errors
    /// `PatchError` when a feed asks for channels that the device lacks now; the lane stays as it was.
    pub fn refit(&mut self, lane: usize, rate: SampleRate, channels: usize) -> Result<(), PatchError> {
        self.lanes[lane].refit(rate, channels)
    }

    /// The format that a lane measures at.
    pub fn format(&self, lane: usize) -> (SampleRate, usize) {
        self.lanes[lane].format()
    }

    /// Takes one arrival of `lane`; pushes what it leads to.
    pub fn step(&mut self, lane: usize, arrival: Arrival<'_>, out: &mut Vec<Outcome>) {
        if let Arrival::Mark(mark) = arrival {
            return self.mark(mark, out);
        }
        // A lane gives back control at every tick, so that the lanes can see each other's latest readings.
        let mut progress = self.lanes[lane].take(arrival);
        while self.lanes[lane].advance(&mut progress) {
            self.tick(lane, out);
        }
    }

    /// The audio is over (a recording's end): the peaks of what is left of the last tick are counted, and the last
    /// reading says so; windows that the recording does not fill say nothing (BS.1770-5: an incomplete block is dropped).
    pub fn finish(&mut self, out: &mut Vec<Outcome>) {
        for lane in 0..self.lanes.len() {
            let mut progress = self.lanes[lane].ending();
            while self.lanes[lane].advance(&mut progress) {
                self.tick(lane, out);
            }
        }
    }

    fn tick(&mut self, lane: usize, out: &mut Vec<Outcome>) {
        for seat in &self.lanes[lane].seats {
            if let Some(reading) = &seat.reading {
                out.push(Outcome::Reading { feed: seat.index, reading: Box::new(reading.clone()) });
            }
        }
        if lane == self.leading {
            let now = self.lanes[lane].now();
            let sound = self.lanes[lane].seats.iter().any(|s| s.role != Role::House && s.hearing.sounds_now());
            let mut changes = Vec::new();
            self.service.tick(now, sound, &mut changes);
            self.service_changes(changes, out);
        }
        if let Some(pair) = &mut self.pair
            && pair.tick(lane, &mut self.lanes)
        {
            out.push(Outcome::Likeness(Box::new(pair.likeness().clone())));
        }
        let Self { lanes, judges, pair, service, settings, next_alert, .. } = self;
        let house = lanes.iter().flat_map(|l| &l.seats).find(|s| s.role == Role::House);
        let house = house.and_then(|s| Some((s.reading.as_ref()?, &s.hearing)));
        let mut changes = Vec::new();
        for seat in &lanes[lane].seats {
            let (Some(reading), judge) = (&seat.reading, &mut judges[seat.index]) else { continue };
            let scene = Scene {
                feed: reading,
                role: seat.role,
                hearing: &seat.hearing,
                house: house.filter(|_| seat.role == Role::Stream),
                service: service.state(),
                habits: &judge.habits,
                target: &settings.target,
                likeness: pair.as_ref().filter(|p| p.stream_feed(lanes) == seat.index).map(Pair::likeness),
                own_mix: settings.own_mix.wish,
            };
            judge.bench.tick(&scene, next_alert, &mut changes);
            let fault = judge.bench.advises();
            judge.habits.step(reading, &seat.hearing, fault);
        }
        push_alerts(changes, out);
    }

    fn mark(&mut self, mark: Mark, out: &mut Vec<Outcome>) {
        let mut alerts = Vec::new();
        for (lane, seat) in self.lanes.iter().flat_map(|l| l.seats.iter().map(move |s| (l, s))) {
            let (judge, now) = (&mut self.judges[seat.index], lane.now());
            match mark {
                Mark::Acknowledge(which) => {
                    judge.bench.acknowledge(which, now, &mut alerts);
                }
                Mark::Shelve { alert, seconds } => judge.bench.shelve(alert, seconds, now, &mut alerts),
                Mark::ForgetHabits => judge.habits = Habits::default(),
                Mark::ServiceBegin | Mark::ServiceEnd | Mark::Due { .. } | Mark::DueEnd => {}
            }
        }
        push_alerts(alerts, out);
        let Some(leading) = self.lanes.get(self.leading) else { return };
        let mut changes = Vec::new();
        self.service.mark(leading.now(), mark, &mut changes);
        self.service_changes(changes, out);
    }

    fn service_changes(&mut self, changes: Vec<ServiceChange>, out: &mut Vec<Outcome>) {
        for change in changes {
            match change {
                ServiceChange::Candidate(_) => self.reset_programmes(),
                ServiceChange::Began(at, by) => {
                    if by != Cause::Activity {
                        self.reset_programmes();
                    }
                    out.push(Outcome::Began { at, by });
                }
                ServiceChange::Ended(at, by) => {
                    out.push(Outcome::Ended { at, by, programmes: self.programmes() });
                    for seat in self.lanes.iter_mut().flat_map(|l| &mut l.seats) {
                        self.judges[seat.index].habits.end_service(&seat.hearing);
                        seat.hearing.forget();
                    }
                }
            }
        }
    }

    fn reset_programmes(&mut self) {
        self.lanes.iter_mut().flat_map(|l| &mut l.seats).for_each(|s| s.meter.reset_programme());
    }
}

fn push_alerts(changes: Vec<(AlertChange, Alert)>, out: &mut Vec<Outcome>) {
    out.extend(changes.into_iter().map(|(change, alert)| Outcome::Alert { change, alert: Box::new(alert) }));
}

#[cfg(test)]
mod tests;
