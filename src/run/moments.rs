//! The sound around warnings: a bounded ring in memory for each feed, filled on the measuring thread (never in the
//! audio callback), and the cutting of moments out of it. Off, it holds nothing and hands on nothing.

use crate::chain::{Chain, Outcome};
use crate::feed::{Arrival, FeedPatch};
use crate::judge::{AlertChange, Severity};
use crate::keep::{Keeper, MomentLimits};
use crate::ledger::{KeptMoment, Moment};
use crate::settings::MomentSettings;
use crate::units::HOPS_A_SECOND;
use std::collections::VecDeque;

/// Audio that may lie between a warning and the look at it, seconds.
const SLACK_SECONDS: f64 = 4.0;
/// Moments that are open at once; more are lost and counted.
const OPEN: usize = 8;

/// One feed's latest audio.
struct Ring {
    lane: usize,
    channels: Vec<usize>,
    rate_hz: u32,
    samples: VecDeque<f32>,
    most: usize,
    /// Frames that have passed since the ring was made: the end of its samples.
    passed: u64,
}

/// A moment that waits for the sound after its warning.
struct Open {
    feed: usize,
    kept: KeptMoment,
    /// Frame of the warning.
    at: u64,
    until: u64,
}

/// The rings and what is open.
pub struct Cuts {
    settings: MomentSettings,
    keeper: Keeper,
    rings: Vec<Ring>,
    open: Vec<Open>,
}

/// The limits of these settings.
pub fn limits(settings: &MomentSettings) -> MomentLimits {
    MomentLimits { days: settings.days, megabytes: settings.megabytes }
}

impl Cuts {
    /// Rings for the feeds of `lanes`, in the chain's order.
    pub fn new<'a>(
        settings: MomentSettings,
        keeper: Keeper,
        lanes: impl Iterator<Item = &'a [FeedPatch]>,
        chain: &Chain,
    ) -> Self {
        let ring = |lane: usize, patch: &FeedPatch| Ring {
            lane,
            channels: patch.channels.iter().map(|c| usize::from(*c)).collect(),
            rate_hz: chain.format(lane).0.hz(),
            samples: VecDeque::new(),
            most: 0,
            passed: 0,
        };
        let rings = lanes.enumerate().flat_map(|(l, patches)| patches.iter().map(move |p| ring(l, p))).collect();
        Self { settings, keeper, rings, open: Vec::new() }
    }

    /// Moments are kept.
    pub fn kept(&self) -> bool {
        self.settings.enabled
    }

    /// Other settings from now on; turned off, nothing stays in memory and what is open is let go.
    pub fn set(&mut self, settings: MomentSettings) {
        self.keeper.limits(limits(&settings));
        self.settings = settings;
        self.open.clear();
        for ring in &mut self.rings {
            (ring.samples, ring.most) = (VecDeque::new(), 0);
        }
    }

    /// Hears an arrival of `lane`, whose device delivers `width` channels at `rate_hz`.
    pub fn hear(&mut self, lane: usize, rate_hz: u32, width: usize, arrival: &Arrival<'_>) {
        if !self.settings.enabled {
            return;
        }
        let seconds = self.settings.before_seconds + self.settings.after_seconds + SLACK_SECONDS;
        for ring in self.rings.iter_mut().filter(|r| r.lane == lane) {
            if ring.rate_hz != rate_hz || ring.most == 0 {
                ring.begin(rate_hz, seconds);
            }
            match arrival {
                Arrival::Block(block) => ring.put(block.samples, width),
                Arrival::Lost { frames } => ring.miss(*frames),
                Arrival::Idle { waited } => ring.miss((waited.as_secs_f64() * f64::from(rate_hz)) as u64),
                _ => {}
            }
        }
    }

    /// Sees an outcome; `unix_ms` is the wall time of now.
    pub fn see(&mut self, outcome: &Outcome, chain: &Chain, unix_ms: i64) {
        let Outcome::Alert { change: change @ (AlertChange::Raised | AlertChange::Changed), alert } = outcome else {
            return;
        };
        if !self.settings.enabled || alert.evidence.severity != Severity::Warning {
            return;
        }
        let Some(ring) = self.rings.get(alert.feed) else { return };
        let before = self.open.iter().any(|o| o.kept.alert == alert.id);
        if before {
            return;
        }
        if self.open.len() >= OPEN {
            return self.keeper.lose();
        }
        let now = chain.lane_now(ring.lane);
        // A note that has grown into a warning did so now.
        let since = if *change == AlertChange::Raised { now.0.saturating_sub(alert.raised.0) } else { 0 };
        let frames = |seconds: f64| (seconds * f64::from(ring.rate_hz)) as u64;
        let at = ring.passed.saturating_sub(frames(since as f64 / HOPS_A_SECOND as f64));
        let unix_ms = unix_ms - since as i64 * 10;
        let kept = KeptMoment { unix_ms, alert: alert.id, condition: alert.condition.into() };
        self.open.push(Open { feed: alert.feed, kept, at, until: at + frames(self.settings.after_seconds) });
    }

    /// Cuts what is complete; at the end, all that is open.
    pub fn cut(&mut self, end: bool) {
        let Self { settings, keeper, rings, open } = self;
        open.retain(|o| {
            let ring = &rings[o.feed];
            if ring.passed < o.until && !end {
                return true;
            }
            let before = (settings.before_seconds * f64::from(ring.rate_hz)) as u64;
            let samples = ring.between(o.at.saturating_sub(before), o.until);
            if !samples.is_empty() {
                let channels = ring.channels.len();
                keeper.take(Moment { kept: o.kept.clone(), rate_hz: ring.rate_hz, channels, samples });
            }
            false
        });
    }

    /// Kind of the box's fault, and what ails it now.
    pub fn fault(&self) -> (&'static str, Option<String>) {
        ("moments", self.keeper.fault())
    }

    /// Cuts what is open and writes it.
    pub fn close(&mut self) {
        self.cut(true);
        self.keeper.close();
    }
}

impl Ring {
    fn begin(&mut self, rate_hz: u32, seconds: f64) {
        self.rate_hz = rate_hz;
        self.most = (seconds * f64::from(rate_hz)) as usize * self.channels.len();
        self.samples = VecDeque::with_capacity(self.most);
    }

    fn put(&mut self, samples: &[f32], width: usize) {
        let frames = samples.len() / width.max(1);
        self.room(frames);
        let newest = frames.min(self.most / self.channels.len());
        for frame in samples.chunks_exact(width.max(1)).skip(frames - newest) {
            self.samples.extend(self.channels.iter().map(|c| frame.get(*c).copied().unwrap_or_default()));
        }
        self.passed += frames as u64;
    }

    /// Time passes without audio: silence stands for it.
    fn miss(&mut self, frames: u64) {
        let newest = frames.min((self.most / self.channels.len()) as u64) as usize;
        self.room(newest);
        self.samples.extend(std::iter::repeat_n(0.0, newest * self.channels.len()));
        self.passed += frames;
    }

    /// Lets the oldest go, so that `frames` more fit.
    fn room(&mut self, frames: usize) {
        let over = (self.samples.len() + frames * self.channels.len()).saturating_sub(self.most);
        self.samples.drain(..over.min(self.samples.len()));
    }

    /// What is there of the frames from `from` to `to`.
    fn between(&self, from: u64, to: u64) -> Vec<f32> {
        let held = self.samples.len() / self.channels.len();
        let first = self.passed - held as u64;
        let place = |frame: u64| (frame.clamp(first, self.passed) - first) as usize * self.channels.len();
        self.samples.range(place(from)..place(to.max(from))).copied().collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ring_holds_the_newest_of_its_channels_and_never_grows() {
        let mut ring = Ring { lane: 0, channels: vec![2, 0], rate_hz: 0, samples: VecDeque::new(), most: 0, passed: 0 };
        ring.begin(100, 1.0);
        // Frame n of three channels is n, -1, -n.
        let block = |from: u64, to: u64| (from..to).flat_map(|n| [n as f32, -1.0, -(n as f32)]).collect::<Vec<_>>();
        let capacity = ring.samples.capacity();
        ring.put(&block(0, 70), 3);
        ring.put(&block(70, 150), 3);
        assert_eq!((ring.passed, ring.samples.len(), ring.samples.capacity()), (150, 200, capacity));
        assert_eq!(ring.between(148, 150), [-148.0, 148.0, -149.0, 149.0]);
        assert_eq!(ring.between(0, 51), [-50.0, 50.0], "only what is still there");
        ring.miss(20);
        assert_eq!(ring.between(149, 151), [-149.0, 149.0, 0.0, 0.0]);
        ring.put(&block(0, 1_000), 3);
        assert_eq!((ring.samples.len(), ring.samples.capacity()), (200, capacity));
        assert_eq!(ring.between(1_169, 1_170), [-999.0, 999.0]);
    }
}
