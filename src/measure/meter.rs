//! The meter of one feed: hops in, one `Reading` a tick out.

use super::gate::Gate;
use super::kweight::{KFilter, KState};
use super::level::Level;
use super::range::Range;
use super::true_peak::{Interpolator, TruePeak};
use super::{ChannelLevel, Reading};
use crate::feed::{FeedPatch, Hop};
use crate::units::{HOPS_A_TICK, MAX_CHANNELS, SampleRate, StreamTime, lufs_of_power};

/// Hops in the momentary window (400 ms; Tech 3341 2.2).
const MOMENTARY_HOPS: usize = 40;
/// Hops in the short-term window (3 s; Tech 3341 2.2).
const SHORT_TERM_HOPS: usize = 300;
/// Audio behind a loudness range before it is called stable (Tech 3341 2.4).
const RANGE_STABLE_HOPS: u64 = 6_000;

/// Measures one feed.
pub struct Meter {
    filter: KFilter,
    interpolator: Interpolator,
    weights: Vec<f64>,
    channels: Vec<Channel>,
    powers: Window,
    gate: Gate,
    range: Range,
    hops: u64,
    programme_hops: u64,
    tick: Tick,
    maxima: Maxima,
    cleaned_total: u64,
    missing_total: u64,
    ended: bool,
}

struct Channel {
    k: KState,
    peak: TruePeak,
    level: Level,
}

/// Sums of the tick that is open.
#[derive(Default)]
struct Tick {
    measured: u8,
    frames: u64,
    k_square: [f64; MAX_CHANNELS],
    k_cross: f64,
    true_peak: [f64; MAX_CHANNELS],
    momentary_top: Option<f64>,
    power: f64,
}

/// Maxima of the programme.
#[derive(Default)]
struct Maxima {
    momentary: Option<f64>,
    short_term: Option<f64>,
    true_peak: [f64; MAX_CHANNELS],
    sample_peak: [f64; MAX_CHANNELS],
}

/// Weighted powers of the last 3 s of hops; `None` is a hop that never came.
struct Window {
    hops: [Option<f64>; SHORT_TERM_HOPS],
    next: usize,
}

impl Window {
    fn push(&mut self, power: Option<f64>) {
        self.hops[self.next] = power;
        self.next = (self.next + 1) % SHORT_TERM_HOPS;
    }

    /// Mean power of the newest `count` hops, summed oldest first; `None` if any is missing.
    fn mean(&self, count: usize) -> Option<f64> {
        let from = self.next + SHORT_TERM_HOPS - count;
        let mut sum = 0.0;
        for i in 0..count {
            sum += self.hops[(from + i) % SHORT_TERM_HOPS]?;
        }
        Some(sum / count as f64)
    }
}

impl Meter {
    /// A meter for the feed of `patch` at `rate`.
    pub fn new(rate: SampleRate, patch: &FeedPatch) -> Self {
        let channel = || Channel { k: KState::default(), peak: TruePeak::new(rate.hop_frames()), level: Level::default() };
        Self {
            filter: KFilter::new(rate),
            interpolator: Interpolator::new(rate),
            weights: patch.weights.clone(),
            channels: patch.channels.iter().map(|_| channel()).collect(),
            powers: Window { hops: [None; SHORT_TERM_HOPS], next: 0 },
            gate: Gate::new(),
            range: Range::new(),
            hops: 0,
            programme_hops: 0,
            tick: Tick::default(),
            maxima: Maxima::default(),
            cleaned_total: 0,
            missing_total: 0,
            ended: false,
        }
    }

    /// The audio is over: what comes now is silence that lets the last peaks out; no window takes it in.
    pub fn end(&mut self) {
        self.ended = true;
    }

    /// Begins a new programme: integrated loudness, range and maxima start again, the windows run on
    /// (Tech 3341 2.2: I and LRA are reset together).
    pub fn reset_programme(&mut self) {
        self.gate.reset();
        self.range.reset();
        self.maxima = Maxima::default();
        self.programme_hops = 0;
    }

    /// A meter for another format that goes on in this one's tick; what was measured so far is forgotten,
    /// counters go on.
    pub fn refitted(&self, rate: SampleRate, patch: &FeedPatch) -> Self {
        let fresh = Self::new(rate, patch);
        Self { hops: self.hops, cleaned_total: self.cleaned_total, missing_total: self.missing_total, ..fresh }
    }

    /// Takes one hop; gives a reading when it closes a tick.
    pub fn hop(&mut self, hop: &Hop<'_>) -> Option<Reading> {
        self.hops += 1;
        self.cleaned_total += u64::from(hop.cleaned);
        self.missing_total += u64::from(hop.missing_frames);
        let power = (hop.missing_frames == 0).then(|| self.measure(hop)).filter(|_| !self.ended);
        self.powers.push(power);
        self.programme_hops += u64::from(power.is_some());
        if let Some(mean) = self.powers.mean(MOMENTARY_HOPS) {
            let lufs = lufs_of_power(mean);
            self.tick.momentary_top = top(self.tick.momentary_top, lufs);
        }
        self.hops.is_multiple_of(HOPS_A_TICK).then(|| self.close())
    }

    /// One whole hop's weighted power.
    fn measure(&mut self, hop: &Hop<'_>) -> f64 {
        let n = hop.channels;
        let frames = hop.samples.len() / n;
        let mut k_square = [0.0; MAX_CHANNELS];
        let mut k_cross = 0.0;
        if let [left, right] = self.channels.as_mut_slice() {
            for x in hop.samples.chunks_exact(2) {
                let l = left.k.step(&self.filter, f64::from(x[0]));
                let r = right.k.step(&self.filter, f64::from(x[1]));
                k_square[0] += l * l;
                k_square[1] += r * r;
                k_cross += l * r;
            }
        } else {
            for (c, channel) in self.channels.iter_mut().enumerate() {
                for x in hop.samples.iter().skip(c).step_by(n) {
                    let k = channel.k.step(&self.filter, f64::from(*x));
                    k_square[c] += k * k;
                }
            }
        }
        let mut power = 0.0;
        for (c, channel) in self.channels.iter_mut().enumerate() {
            channel.k.settle();
            let samples = || hop.samples.iter().skip(c).step_by(n).copied();
            let peak = channel.peak.hop(&self.interpolator, samples());
            self.tick.true_peak[c] = self.tick.true_peak[c].max(peak);
            channel.level.hop(samples());
            self.tick.k_square[c] += k_square[c];
            power += self.weights[c] * k_square[c] / frames as f64;
        }
        self.tick.k_cross += k_cross;
        self.tick.power += power;
        self.tick.frames += frames as u64;
        self.tick.measured += 1;
        power
    }

    fn close(&mut self) -> Reading {
        let momentary = self.powers.mean(MOMENTARY_HOPS);
        let short_term = self.powers.mean(SHORT_TERM_HOPS);
        // Gate blocks: 400 ms, 75 % overlap, i.e. one a tick (BS.1770-5, Annex 1), within the programme only.
        if let (Some(power), true) = (momentary, self.programme_hops >= MOMENTARY_HOPS as u64) {
            self.gate.add(power);
        }
        if let (Some(power), true) = (short_term, self.programme_hops >= SHORT_TERM_HOPS as u64) {
            self.range.add(power);
            self.maxima.short_term = top(self.maxima.short_term, lufs_of_power(power));
        }
        let tick = std::mem::take(&mut self.tick);
        if let Some(lufs) = tick.momentary_top {
            self.maxima.momentary = top(self.maxima.momentary, lufs);
        }
        let mut channel = [ChannelLevel::default(); MAX_CHANNELS];
        for (c, out) in channel.iter_mut().enumerate().take(self.channels.len()) {
            self.channels[c].level.close(out);
            out.true_peak = tick.true_peak[c].max(out.sample_peak);
            out.k_mean_square = if tick.frames > 0 { tick.k_square[c] / tick.frames as f64 } else { 0.0 };
            self.maxima.true_peak[c] = self.maxima.true_peak[c].max(out.true_peak);
            self.maxima.sample_peak[c] = self.maxima.sample_peak[c].max(out.sample_peak);
        }
        Reading {
            at: StreamTime(self.hops),
            measured_hops: tick.measured,
            channels: self.channels.len(),
            channel,
            k_cross: if tick.frames > 0 { tick.k_cross / tick.frames as f64 } else { 0.0 },
            tick_lufs: (tick.measured > 0).then(|| lufs_of_power(tick.power / f64::from(tick.measured))),
            momentary_lufs: momentary.map(lufs_of_power),
            momentary_top_lufs: tick.momentary_top,
            short_term_lufs: short_term.map(lufs_of_power),
            integrated_lufs: self.gate.integrated_lufs(),
            range_lu: self.range.lu(),
            range_stable: self.programme_hops >= RANGE_STABLE_HOPS,
            max_momentary_lufs: self.maxima.momentary,
            max_short_term_lufs: self.maxima.short_term,
            max_true_peak: self.maxima.true_peak,
            max_sample_peak: self.maxima.sample_peak,
            cleaned_total: self.cleaned_total,
            missing_frames_total: self.missing_total,
        }
    }
}

fn top(so_far: Option<f64>, value: f64) -> Option<f64> {
    Some(so_far.map_or(value, |t| t.max(value)))
}
