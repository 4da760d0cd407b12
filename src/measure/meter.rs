//! The meter of one feed: hops in, one `Reading` a tick out.

use super::gate::Gate;
use super::interpolator::Interpolator;
use super::kweight::KBank;
use super::level::Level;
use super::mains::Mains;
use super::range::Range;
use super::simd::{Isa, Kernel, Simd};
use super::spectrum::{Analyser, Spectrum};
use super::true_peak::TruePeak;
use super::window::{MOMENTARY_HOPS, SHORT_TERM_HOPS, Windows};
use super::{ChannelLevel, Flaws, Reading};
use crate::feed::{FeedPatch, Hop};
use crate::units::{HOPS_A_TICK, MAX_CHANNELS, SampleRate, StreamTime, lufs_of_power};
use std::sync::{Arc, LazyLock};

/// Audio behind a loudness range before it is called stable (Tech 3341 2.4).
const RANGE_STABLE_HOPS: u64 = 6_000;
/// The same for every meter.
static INTERPOLATOR: LazyLock<Arc<Interpolator>> = LazyLock::new(Arc::default);

/// Measures one feed.
pub struct Meter {
    isa: Isa,
    interpolator: Arc<Interpolator>,
    weights: Vec<f64>,
    k: KBank,
    channels: Vec<Channel>,
    /// `None`: levels only.
    analyser: Option<Analyser>,
    windows: Windows,
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
    sample_peak: [f32; MAX_CHANNELS],
    momentary_top: Option<f64>,
    power: f64,
}

/// Maxima of the programme; loudness as power.
#[derive(Default)]
struct Maxima {
    momentary: Option<f64>,
    short_term: Option<f64>,
    true_peak: [f64; MAX_CHANNELS],
    sample_peak: [f64; MAX_CHANNELS],
}

impl Meter {
    /// A meter for the feed of `patch` at `rate`.
    pub fn new(rate: SampleRate, patch: &FeedPatch) -> Self {
        Self::on(Isa::best(), rate, patch)
    }

    /// The same with the instruction set chosen: for the test that compares them, and the bench.
    pub fn on(isa: Isa, rate: SampleRate, patch: &FeedPatch) -> Self {
        let channel = || Channel { peak: TruePeak::new(rate.hop_frames()), level: Level::default() };
        Self {
            isa,
            interpolator: Arc::clone(&INTERPOLATOR),
            weights: patch.weights.clone(),
            k: KBank::new(rate, patch.channels.len()),
            channels: patch.channels.iter().map(|_| channel()).collect(),
            analyser: Some(Analyser::new(isa, rate.hz(), patch.channels.len())),
            windows: Windows::default(),
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

    /// Loudness, peaks and levels only: readings have no spectrum and no look at the mains.
    pub fn without_spectrum(self) -> Self {
        Self { analyser: None, ..self }
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
        let analyser = fresh.analyser.filter(|_| self.analyser.is_some());
        let (hops, cleaned_total, missing_total) = (self.hops, self.cleaned_total, self.missing_total);
        Self { hops, cleaned_total, missing_total, analyser, ..fresh }
    }

    /// Takes one hop; gives a reading when it closes a tick.
    pub fn hop(&mut self, hop: &Hop<'_>) -> Option<Reading> {
        self.hops += 1;
        self.cleaned_total += u64::from(hop.cleaned);
        self.missing_total += u64::from(hop.missing_frames);
        let power =
            (hop.missing_frames == 0).then(|| self.isa.run(Measure { meter: self, hop })).filter(|_| !self.ended);
        self.windows.hop(power);
        self.programme_hops += u64::from(power.is_some());
        if let Some(mean) = self.windows.momentary() {
            self.tick.momentary_top = top(self.tick.momentary_top, mean);
            if self.programme_hops >= MOMENTARY_HOPS {
                self.maxima.momentary = top(self.maxima.momentary, mean);
            }
        }
        self.hops.is_multiple_of(HOPS_A_TICK).then(|| self.close())
    }

    /// One whole hop's weighted power.
    #[inline(always)]
    fn measure<S: Simd>(&mut self, hop: &Hop<'_>) -> f64 {
        let frames = hop.samples.len() / hop.channels;
        if let [left, right] = self.channels.as_mut_slice() {
            let sides = left.peak.next_hop().iter_mut().zip(right.peak.next_hop());
            for (x, (l, r)) in hop.samples.as_chunks::<2>().0.iter().zip(sides) {
                (*l, *r) = (x[0], x[1]);
            }
        } else {
            for (c, channel) in self.channels.iter_mut().enumerate() {
                let samples = hop.samples.iter().skip(c).step_by(hop.channels);
                channel.peak.next_hop().iter_mut().zip(samples).for_each(|(to, x)| *to = *x);
            }
        }
        let sums = self.k.hop::<S>(hop.samples);
        let mut power = 0.0;
        for (c, channel) in self.channels.iter_mut().enumerate() {
            let sample_peak = channel.level.hop::<S>(channel.peak.next_hop());
            channel.peak.take::<S>(&self.interpolator, sample_peak);
            self.tick.sample_peak[c] = self.tick.sample_peak[c].max(sample_peak);
            self.tick.k_square[c] += sums.square[c];
            power += self.weights[c] * sums.square[c] / frames as f64;
        }
        self.tick.k_cross += sums.cross;
        self.tick.power += power;
        self.tick.frames += frames as u64;
        self.tick.measured += 1;
        power
    }

    /// The spectrum of the tick, before its samples make room for the next.
    fn look(&mut self, tick: &Tick) -> (Option<Spectrum>, Option<Mains>) {
        let Some(analyser) = self.analyser.as_mut().filter(|_| !self.ended) else { return (None, None) };
        let mut channels: [&[f32]; MAX_CHANNELS] = Default::default();
        for (samples, channel) in channels.iter_mut().zip(&self.channels) {
            *samples = channel.peak.tick();
        }
        let peak = tick.sample_peak.iter().fold(0.0f32, |t, p| t.max(*p));
        analyser.tick(&channels[..self.channels.len()], peak)
    }

    fn close(&mut self) -> Reading {
        let momentary = self.windows.momentary();
        let short_term = self.windows.close_tick();
        // Gate blocks: 400 ms, 75 % overlap, i.e. one a tick (BS.1770-5, Annex 1), within the programme only.
        if let (Some(power), true) = (momentary, self.programme_hops >= MOMENTARY_HOPS) {
            self.gate.add(power);
        }
        if let (Some(power), true) = (short_term, self.programme_hops >= SHORT_TERM_HOPS) {
            self.range.add(power);
            self.maxima.short_term = top(self.maxima.short_term, power);
        }
        let tick = std::mem::take(&mut self.tick);
        let (spectrum, mains) = self.look(&tick);
        let mut channel = [ChannelLevel::default(); MAX_CHANNELS];
        for (c, out) in channel.iter_mut().enumerate().take(self.channels.len()) {
            let meter = &mut self.channels[c];
            meter.level.close(out);
            let look = LookBetween { peak: &mut meter.peak, of: &self.interpolator, top: tick.sample_peak[c] };
            out.true_peak = f64::from(self.isa.run(look));
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
            momentary_top_lufs: tick.momentary_top.map(lufs_of_power),
            short_term_lufs: short_term.map(lufs_of_power),
            integrated_lufs: self.gate.integrated_lufs(),
            range_lu: self.range.lu(),
            range_stable: self.programme_hops >= RANGE_STABLE_HOPS,
            max_momentary_lufs: self.maxima.momentary.map(lufs_of_power),
            max_short_term_lufs: self.maxima.short_term.map(lufs_of_power),
            max_true_peak: self.maxima.true_peak,
            max_sample_peak: self.maxima.sample_peak,
            spectrum,
            mains,
            cleaned_total: self.cleaned_total,
            missing_frames_total: self.missing_total,
            flaws: Flaws::default(),
        }
    }
}

fn top(so_far: Option<f64>, value: f64) -> Option<f64> {
    Some(so_far.map_or(value, |t| t.max(value)))
}

/// The part of a hop that runs on the chosen instruction set.
struct Measure<'a, 'h> {
    meter: &'a mut Meter,
    hop: &'a Hop<'h>,
}

impl Kernel for Measure<'_, '_> {
    type Output = f64;

    #[inline(always)]
    fn run<S: Simd>(self) -> f64 {
        self.meter.measure::<S>(self.hop)
    }
}

/// The part of a tick's end that does.
struct LookBetween<'a> {
    peak: &'a mut TruePeak,
    of: &'a Interpolator,
    top: f32,
}

impl Kernel for LookBetween<'_> {
    type Output = f32;

    #[inline(always)]
    fn run<S: Simd>(self) -> f32 {
        self.peak.close::<S>(self.of, self.top)
    }
}
