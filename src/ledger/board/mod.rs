//! The board: all that there is to say of the present moment, for the page, the JSON and the metrics.

mod feed;
mod pair;

use super::NoticeCounts;
use crate::chain::{Chain, Outcome, Programme};
use crate::judge::{Alert, AlertChange, Cause, OwnMixWish, Severity, Target};
use crate::units::StreamTime;
pub use feed::{FeedBoard, Second, Taught};
pub use pair::PairBoard;
use std::collections::VecDeque;

/// Alerts that ended, newest last, that the board still shows.
pub const PAST_ALERTS: usize = 20;

/// The service, now.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ServiceBoard {
    /// When it began, if one is on.
    pub began: Option<StreamTime>,
    /// What began it.
    pub by: Option<Cause>,
    /// The set start has passed by its grace time.
    pub overdue: bool,
    /// A timetable is set.
    pub timetable: bool,
    /// Services that ended since the start.
    pub ended_total: u64,
    /// Figures of the last one that ended.
    pub last: Vec<Programme>,
}

/// A fault of the box itself (disk, clock, port, device driver), never mixed with the alerts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// Name for metrics: `device`, `log`, `clock`, `page`, `notice`, `settings`, `moments`, `late`.
    pub kind: &'static str,
    /// One sentence: what, where, what to do.
    pub sentence: String,
}

/// Everything that there is to say of the present moment.
#[derive(Debug, Clone, PartialEq)]
pub struct Board {
    /// Name of the venue, for people.
    pub venue: String,
    /// The target in force.
    pub target: Target,
    /// Time of the leading lane.
    pub now: StreamTime,
    /// Wall clock of `now`, milliseconds since 1970 (stamped by the shell; may be wrong on booth machines).
    pub now_unix_ms: i64,
    /// Wall clock of the start, milliseconds since 1970.
    pub started_unix_ms: i64,
    /// One a feed.
    pub feeds: Vec<FeedBoard>,
    /// The service.
    pub service: ServiceBoard,
    /// Alerts that stand, the worst first, then the oldest.
    pub standing: Vec<Alert>,
    /// Alerts that ended, newest last.
    pub past: VecDeque<Alert>,
    /// Faults of the box.
    pub faults: Vec<Fault>,
    /// Channels of notices that are on, with their figures.
    pub notices: Vec<(&'static str, NoticeCounts)>,
    /// It is a rehearsal: the sound is made up.
    pub rehearsal: bool,
    /// The sound around warnings is kept.
    pub moments_kept: bool,
    /// The stream beside the house; `None` when there are not both.
    pub pair: Option<PairBoard>,
    /// What the site wants of its stream.
    pub own_mix: OwnMixWish,
}

impl Board {
    /// An empty board for the feeds of `chain`.
    pub fn new(venue: &str, target: Target, chain: &Chain) -> Self {
        let feeds = (0..chain.feeds()).filter_map(|i| chain.feed(i)).map(FeedBoard::new).collect();
        Self {
            venue: venue.into(),
            target,
            now: StreamTime::default(),
            now_unix_ms: 0,
            started_unix_ms: 0,
            feeds,
            service: ServiceBoard::default(),
            standing: Vec::new(),
            past: VecDeque::new(),
            faults: Vec::new(),
            notices: Vec::new(),
            rehearsal: false,
            moments_kept: false,
            pair: chain.likeness().map(|_| PairBoard::default()),
            own_mix: OwnMixWish::default(),
        }
    }

    /// Wall clock of `at`, milliseconds since 1970, as seen from now.
    pub fn unix_ms(&self, at: StreamTime) -> i64 {
        self.now_unix_ms - (self.now.since(at) * 1000.0) as i64
    }

    /// The worst that stands on a feed.
    pub fn worst(&self, feed: usize) -> Option<Severity> {
        self.standing.iter().filter(|a| a.feed == feed).map(|a| a.evidence.severity).max()
    }

    /// Takes one outcome.
    pub fn apply(&mut self, outcome: &Outcome) {
        match outcome {
            Outcome::Reading { feed, reading } => {
                let worst = self.worst(*feed);
                if let Some(feed) = self.feeds.get_mut(*feed) {
                    feed.take(reading, worst);
                }
            }
            Outcome::Likeness(likeness) => {
                let now = self
                    .now
                    .max(self.feeds.iter().filter_map(|f| f.reading.as_ref()).map(|r| r.at).max().unwrap_or_default());
                self.pair.get_or_insert_default().take(likeness, now);
            }
            Outcome::Alert { change, alert } => self.alert(*change, alert),
            Outcome::Began { at, by } => {
                (self.service.began, self.service.by) = (Some(*at), Some(*by));
            }
            Outcome::Ended { programmes, .. } => {
                (self.service.began, self.service.by) = (None, None);
                self.service.ended_total += 1;
                self.service.last = programmes.clone();
            }
        }
    }

    /// Copies what the chain knows besides its outcomes; once per publishing is enough.
    pub fn look_at(&mut self, chain: &Chain) {
        self.now = chain.now();
        let service = chain.service();
        (self.service.began, self.service.by, self.service.overdue) = (service.began, service.by, service.overdue);
        for (i, feed) in self.feeds.iter_mut().enumerate() {
            let Some(view) = chain.feed(i) else { continue };
            feed.look_at(view, self.now);
        }
    }

    fn alert(&mut self, change: AlertChange, alert: &Alert) {
        self.standing.retain(|a| a.id != alert.id);
        if change == AlertChange::Raised
            && let Some(feed) = self.feeds.get_mut(alert.feed)
        {
            *feed.raised_total.entry(alert.evidence.severity).or_default() += 1;
        }
        if change == AlertChange::Cleared {
            if self.past.len() == PAST_ALERTS {
                self.past.pop_front();
            }
            self.past.push_back(alert.clone());
        } else {
            self.standing.push(alert.clone());
            self.standing.sort_by_key(|a| (std::cmp::Reverse(a.evidence.severity), a.raised, a.id));
        }
    }
}
