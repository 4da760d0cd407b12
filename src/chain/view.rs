//! The core as it stands, to be looked at.

use super::lane::{self, Lane};
use super::pair::Pair;
use super::{Chain, Programme};
use crate::feed::Role;
use crate::judge::{Alert, AlertLife, Habits, Hearing, ServiceState};
use crate::likeness::Likeness;
use crate::units::StreamTime;

/// A look at one feed.
pub struct FeedView<'a> {
    /// Name.
    pub name: &'a str,
    /// Role.
    pub role: Role,
    /// What has been heard of it.
    pub hearing: &'a Hearing,
    /// What it has taught.
    pub habits: &'a Habits,
    /// Alerts that stand.
    pub standing: Vec<&'a Alert>,
    /// Where each condition stands.
    pub lives: Vec<(&'static str, AlertLife)>,
}

impl Chain {
    /// Figures of every feed's programme as they stand.
    pub fn programmes(&self) -> Vec<Programme> {
        self.lanes.iter().flat_map(|l| &l.seats).filter_map(lane::Seat::programme).collect()
    }

    /// The service as it stands.
    pub fn service(&self) -> &ServiceState {
        self.service.state()
    }

    /// Time of the leading lane.
    pub fn now(&self) -> StreamTime {
        self.lanes.get(self.leading).map_or(StreamTime::default(), Lane::now)
    }

    /// The lane of the stream: the first that carries one.
    pub fn leading(&self) -> usize {
        self.leading
    }

    /// Time of one lane.
    pub fn lane_now(&self, lane: usize) -> StreamTime {
        self.lanes.get(lane).map_or(StreamTime::default(), Lane::now)
    }

    /// The stream beside the house, as of the last look; `None` when there are not both.
    pub fn likeness(&self) -> Option<&Likeness> {
        self.pair.as_ref().map(Pair::likeness)
    }

    /// What is known of feed `feed` besides its readings.
    pub fn feed(&self, feed: usize) -> Option<FeedView<'_>> {
        let seat = self.lanes.iter().flat_map(|l| &l.seats).find(|s| s.index == feed)?;
        let judge = &self.judges[feed];
        Some(FeedView {
            name: &seat.name,
            role: seat.role,
            hearing: &seat.hearing,
            habits: &judge.habits,
            standing: judge.bench.standing().collect(),
            lives: judge.bench.lives().collect(),
        })
    }

    /// The lane of each feed, in order.
    pub fn lane_of_feeds(&self) -> impl Iterator<Item = usize> + '_ {
        self.lanes.iter().enumerate().flat_map(|(l, lane)| lane.seats.iter().map(move |_| l))
    }

    /// How many feeds there are.
    pub fn feeds(&self) -> usize {
        self.judges.len()
    }
}
