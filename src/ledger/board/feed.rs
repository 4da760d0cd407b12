//! A feed on the board, with its last ten minutes.

use crate::chain::FeedView;
use crate::feed::Role;
use crate::judge::{AlertLife, Habits, Severity};
use crate::measure::Reading;
use crate::units::{StreamTime, TICKS_A_SECOND, db_of_amplitude, lufs_of_power};
use std::collections::{BTreeMap, VecDeque};

/// Seconds of the ribbon: the last ten minutes.
pub const RIBBON_SECONDS: usize = 600;

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

impl FeedBoard {
    /// A feed of which nothing was heard yet.
    pub(super) fn new(feed: FeedView<'_>) -> Self {
        Self {
            name: feed.name.to_string(),
            role: feed.role,
            source: String::new(),
            reading: None,
            heard: false,
            plays: false,
            last_sound: None,
            recent_lufs: None,
            floor_lufs: None,
            taught: Taught::default(),
            lives: feed.lives,
            ribbon: VecDeque::with_capacity(RIBBON_SECONDS),
            lost_seconds: 0.0,
            raised_total: [Severity::Note, Severity::Advice, Severity::Warning].map(|s| (s, 0)).into(),
            open: Second::default(),
            open_ticks: 0,
        }
    }

    /// Copies what the chain knows beside its outcomes.
    pub(super) fn look_at(&mut self, view: FeedView<'_>, now: StreamTime) {
        self.heard = view.hearing.heard;
        self.plays = view.hearing.plays;
        if self.plays {
            self.last_sound = Some(now);
        }
        self.recent_lufs = view.hearing.recent_lufs();
        self.floor_lufs = view.habits.floor_lufs();
        self.taught = Taught::by(view.habits);
        self.lives = view.lives;
    }

    pub(super) fn take(&mut self, reading: &Reading, worst: Option<Severity>) {
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
