//! The board: all that there is to say of the present moment, for the page, the JSON and the metrics.

use super::NoticeCounts;
use crate::chain::{Chain, Outcome, Programme};
use crate::feed::Role;
use crate::judge::{Alert, AlertChange, AlertLife, Cause, Habits, OwnMixWish, Severity, Target};
use crate::likeness::{self, Kin, Likeness};
use crate::measure::Reading;
use crate::units::{StreamTime, TICKS_A_SECOND, db_of_amplitude, lufs_of_power};
use std::collections::{BTreeMap, VecDeque};

/// Seconds of the ribbon: the last ten minutes.
pub const RIBBON_SECONDS: usize = 600;
/// Alerts that ended, newest last, that the board still shows.
pub const PAST_ALERTS: usize = 20;

/// One second of the ribbon.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Second {
    /// Largest momentary loudness, LUFS; `None` when nothing came.
    pub momentary_lufs: Option<f32>,
    /// Loudest 100 ms of each side (left, right; a mono feed twice the same), LUFS.
    pub sides_lufs: [Option<f32>; 2],
    /// Short-term loudness at its end, LUFS.
    pub short_term_lufs: Option<f32>,
    /// The worst that stood in it.
    pub worst: Option<Severity>,
}

/// One feed, now.
#[derive(Debug, Clone, PartialEq)]
pub struct FeedBoard {
    /// Name in settings and metrics.
    pub name: String,
    /// Its role.
    pub role: Role,
    /// Where it comes from, for people: "USB desk, channels 17-18, 48 kHz".
    pub source: String,
    /// The newest reading.
    pub reading: Option<Reading>,
    /// It has been heard in this service.
    pub heard: bool,
    /// It plays now.
    pub plays: bool,
    /// When it last played.
    pub last_sound: Option<StreamTime>,
    /// Loudness of the last half minute, LUFS.
    pub recent_lufs: Option<f64>,
    /// Learned pause floor, LUFS.
    pub floor_lufs: Option<f64>,
    /// What its services have taught.
    pub taught: Taught,
    /// Where each condition stands, in the roster's order.
    pub lives: Vec<(&'static str, AlertLife)>,
    /// The last ten minutes, oldest first.
    pub ribbon: VecDeque<Second>,
    /// Time of audio that never came since the start, seconds.
    pub lost_seconds: f64,
    /// Alerts raised since the start, by severity.
    pub raised_total: BTreeMap<Severity, u64>,
    open: Second,
    open_ticks: u64,
}

/// What the services of a venue have taught of one feed.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Taught {
    /// Services that are remembered.
    pub services: usize,
    /// Loudness that it usually has when it plays: the middle of those services, LUFS momentary.
    pub usual_lufs: Option<f64>,
    /// Noise floor of the first services, LUFS.
    pub first_floor_lufs: Option<f64>,
    /// Pauses are exact zeros here.
    pub gates_to_zero: bool,
}

impl Taught {
    fn by(habits: &Habits) -> Self {
        let mut usual: Vec<f64> = habits.services.iter().filter_map(|s| s.usual_lufs).collect();
        usual.sort_by(f64::total_cmp);
        Self {
            services: habits.services.len(),
            usual_lufs: usual.get(usual.len() / 2).copied(),
            first_floor_lufs: habits.baseline_floor_lufs,
            gates_to_zero: habits.gates_to_zero(),
        }
    }
}

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

/// The stream beside the house, now and lately.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PairBoard {
    /// The newest look.
    pub likeness: Likeness,
    /// Gain by group of bands against the median every ten seconds, dB, oldest first: ten minutes.
    pub lately: VecDeque<[Option<f64>; likeness::GROUPS]>,
    /// Changes of the verdict: when, and to what; the newest last.
    pub changes: VecDeque<(StreamTime, Kin)>,
    /// When `lately` was last added to.
    added: StreamTime,
}

/// Seconds from one look that `lately` keeps to the next (every block is 1.02 s, a look every 5 or 10 of them).
const LATELY_SECONDS: f64 = 10.0;
/// Changes of the verdict that the board still shows.
const PAST_CHANGES: usize = 20;

impl PairBoard {
    fn take(&mut self, likeness: &Likeness, now: StreamTime) {
        if likeness.kin != self.likeness.kin {
            if self.changes.len() == PAST_CHANGES {
                self.changes.pop_front();
            }
            self.changes.push_back((now, likeness.kin));
        }
        if self.lately.is_empty() || now.since(self.added) >= LATELY_SECONDS {
            if self.lately.len() == likeness::HISTORY {
                self.lately.pop_front();
            }
            self.lately.push_back(likeness.lately_db);
            self.added = now;
        }
        self.likeness = likeness.clone();
    }
}

impl Board {
    /// An empty board for the feeds of `chain`.
    pub fn new(venue: &str, target: Target, chain: &Chain) -> Self {
        let feeds = (0..chain.feeds())
            .filter_map(|i| chain.feed(i))
            .map(|f| FeedBoard {
                name: f.name.to_string(),
                role: f.role,
                source: String::new(),
                reading: None,
                heard: false,
                plays: false,
                last_sound: None,
                recent_lufs: None,
                floor_lufs: None,
                taught: Taught::default(),
                lives: f.lives,
                ribbon: VecDeque::with_capacity(RIBBON_SECONDS),
                lost_seconds: 0.0,
                raised_total: [Severity::Note, Severity::Advice, Severity::Warning].map(|s| (s, 0)).into(),
                open: Second::default(),
                open_ticks: 0,
            })
            .collect();
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
            feed.heard = view.hearing.heard;
            feed.plays = view.hearing.plays;
            if feed.plays {
                feed.last_sound = Some(self.now);
            }
            feed.recent_lufs = view.hearing.recent_lufs();
            feed.floor_lufs = view.habits.floor_lufs();
            feed.taught = Taught::by(view.habits);
            feed.lives = view.lives;
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

impl FeedBoard {
    fn take(&mut self, reading: &Reading, worst: Option<Severity>) {
        let top = |a: Option<f32>, b: Option<f64>| match (a, b.map(|b| b as f32)) {
            (Some(a), Some(b)) => Some(a.max(b)),
            (a, b) => a.or(b),
        };
        self.open.momentary_lufs = top(self.open.momentary_lufs, reading.momentary_top_lufs);
        if !reading.absent() {
            for (side, open) in self.open.sides_lufs.iter_mut().enumerate() {
                let channel = &reading.channel[side.min(reading.channels - 1)];
                // As if it played on both sides: a full side stands for the whole.
                *open = top(*open, Some(lufs_of_power(2.0 * channel.k_mean_square)));
            }
        }
        self.open.short_term_lufs = reading.short_term_lufs.map(|s| s as f32);
        self.lost_seconds += f64::from(10 - reading.measured_hops.min(10)) / 100.0;
        self.open.worst = self.open.worst.max(worst);
        self.open_ticks += 1;
        if self.open_ticks == TICKS_A_SECOND {
            if self.ribbon.len() == RIBBON_SECONDS {
                self.ribbon.pop_front();
            }
            self.ribbon.push_back(std::mem::take(&mut self.open));
            self.open_ticks = 0;
        }
        self.reading = Some(reading.clone());
    }

    /// Largest true peak of the programme over all channels, dBTP; `None` before any sample.
    pub fn max_true_peak_dbtp(&self) -> Option<f64> {
        let r = self.reading.as_ref()?;
        let peak = r.max_true_peak[..r.channels].iter().fold(0.0f64, |t, p| t.max(*p));
        (peak > 0.0).then(|| db_of_amplitude(peak))
    }
}
