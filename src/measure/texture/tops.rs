//! Tops of the waves: whether the largest are cut off, at whatever level, also after a high-pass has tilted them.
//!
//! Between two crossings of zero lies one half-wave. A top is one near the largest of the last second. A line is
//! laid through its middle; a sound's own top bends away from it at once (a sine after 0.35 of its width at 0.6 of
//! the height), a top that was cut off follows it from corner to corner, level or tilted. No standard defines
//! this; figures from injections into synthesised services and package recordings.

use crate::units::SampleRate;

/// Smallest peak that is looked at, full scale = 1.
const LEAST: f32 = 0.02;
/// A top's height, as a part of the largest of the last second.
const NEAR: f32 = 0.85;
/// The largest of the last second falls by this a hop.
const FALL: f32 = 0.993;
/// Height at which the width of a half-wave is taken.
const WIDTH_AT: f32 = 0.6;
/// Distance from the line, as a part of the peak.
const OFF_LINE: f32 = 0.02;
/// Part of the width that must lie on the line.
const STRAIGHT: f32 = 0.68;
/// Largest tilt along the line, as a part of the peak.
const TILT: f32 = 0.25;

/// Ways of looking: as it is, and with one and two first-order high-passes undone. A desk's high-pass bends a cut
/// top as a sound's own is bent; undone, it is straight again.
pub const VIEWS: usize = 3;
/// What is taken for the desk's high-pass, and what is left of it, Hz (common practice: 80 to 100 Hz, 6 or 12 dB an
/// octave; undoing it a little wrong still leaves tops straight enough).
const HIGH_PASS_HZ: f64 = 80.0;
const LEFT_HZ: f64 = 12.0;

/// Tops of one channel in one tick.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Tops {
    /// Half-waves near the largest of the last second.
    pub seen: u32,
    /// Those of them that were straight.
    pub straight: u32,
    /// Part of the tick's time that lies in straight tops, 0 to 1.
    pub straight_share: f32,
}

/// Finds the tops of one channel.
pub(super) struct TopFinder {
    views: [View; VIEWS],
    shelf: Shelf,
}

/// One way of looking.
struct View {
    /// The hop before and the present one.
    samples: Vec<f32>,
    /// Least width, frames: a narrower top has too few samples to tell.
    least: usize,
    /// Largest of the last second, above and below zero.
    largest: [f32; 2],
    frames: usize,
    straight_frames: usize,
    open: Tops,
}

/// A first-order low shelf that undoes a high-pass, twice in a row.
struct Shelf {
    gain: f32,
    zero: f32,
    pole: f32,
    last: [[f32; 2]; VIEWS - 1],
}

impl Shelf {
    fn new(rate: SampleRate) -> Self {
        // Bilinear transform of (s + high pass) / (s + left).
        let warped = |hz: f64| (std::f64::consts::PI * hz / f64::from(rate.hz())).tan();
        let (w, v) = (warped(HIGH_PASS_HZ), warped(LEFT_HZ));
        Self {
            gain: ((1.0 + w) / (1.0 + v)) as f32,
            zero: ((w - 1.0) / (w + 1.0)) as f32,
            pole: ((v - 1.0) / (v + 1.0)) as f32,
            last: [[0.0; 2]; VIEWS - 1],
        }
    }

    #[inline(always)]
    fn step(&mut self, stage: usize, x: f32) -> f32 {
        let last = &mut self.last[stage];
        // Far below any signal, and no denormal ever.
        let y = self.gain * (x + self.zero * last[0]) - self.pole * last[1] + 1e-20;
        *last = [x, y];
        y
    }
}

impl TopFinder {
    pub(super) fn new(rate: SampleRate) -> Self {
        let view = || View {
            samples: vec![0.0; 2 * rate.hop_frames()],
            least: (rate.hz() as usize) * 35 / 100_000,
            largest: [0.0; 2],
            frames: 0,
            straight_frames: 0,
            open: Tops::default(),
        };
        Self { views: [view(), view(), view()], shelf: Shelf::new(rate) }
    }

    /// A hop never came.
    pub(super) fn forget(&mut self) {
        self.shelf.last = Default::default();
        for v in &mut self.views {
            v.samples.fill(0.0);
            v.largest = [0.0; 2];
        }
    }

    pub(super) fn close(&mut self) -> [Tops; VIEWS] {
        let mut out = [Tops::default(); VIEWS];
        for (v, out) in self.views.iter_mut().zip(&mut out) {
            let share = v.straight_frames as f32 / v.frames.max(1) as f32;
            (v.frames, v.straight_frames) = (0, 0);
            *out = Tops { straight_share: share, ..std::mem::take(&mut v.open) };
        }
        out
    }

    /// Takes a hop; half-waves that end in it are counted.
    #[inline(always)]
    pub(super) fn hop(&mut self, fresh: &[f32]) {
        let n = fresh.len();
        let mut peaks = [0.0f32; VIEWS];
        let [as_it_is, once, twice] = &mut self.views;
        for v in [&mut *as_it_is, &mut *once, &mut *twice] {
            v.samples.copy_within(n.., 0);
        }
        let to = as_it_is.samples[n..].iter_mut().zip(&mut once.samples[n..]).zip(&mut twice.samples[n..]);
        for (x, ((a, b), c)) in fresh.iter().zip(to) {
            *a = *x;
            *b = self.shelf.step(0, *x);
            *c = self.shelf.step(1, *b);
            let larger = |p: f32, x: f32| if x.abs() > p { x.abs() } else { p };
            peaks = [larger(peaks[0], *a), larger(peaks[1], *b), larger(peaks[2], *c)];
        }
        for (v, peak) in self.views.iter_mut().zip(peaks) {
            v.hop(peak);
        }
    }
}

impl View {
    fn hop(&mut self, peak: f32) {
        let n = self.samples.len() / 2;
        self.frames += n;
        self.largest = self.largest.map(|l| l * FALL);
        if peak < LEAST || peak < NEAR * self.largest[0].min(self.largest[1]) {
            return;
        }
        let samples = std::mem::take(&mut self.samples);
        // The last crossing before this hop; a half-wave longer than a hop is none.
        let above = |x: f32| x > 0.0;
        let mut sign = above(samples[n - 1]);
        let mut from = samples[..n].iter().rposition(|x| above(*x) != sign).map_or(n, |i| i + 1);
        for i in n..samples.len() {
            if above(samples[i]) != sign {
                if from < n || i - from >= self.least {
                    self.half_wave(&samples[from..i], sign);
                }
                (sign, from) = (!sign, i);
            }
        }
        self.samples = samples;
    }

    fn half_wave(&mut self, wave: &[f32], above: bool) {
        if wave.len() < self.least {
            return;
        }
        let peak = wave.iter().fold(0.0f32, |t, x| t.max(x.abs()));
        let largest = &mut self.largest[usize::from(above)];
        *largest = largest.max(peak);
        if peak < LEAST || peak < NEAR * *largest {
            return;
        }
        let high = |x: &f32| x.abs() >= WIDTH_AT * peak;
        let (Some(from), Some(to)) = (wave.iter().position(high), wave.iter().rposition(high)) else { return };
        let width = to - from + 1;
        if width < self.least {
            return;
        }
        self.open.seen += 1;
        let on_line = on_line(wave, from, to, peak);
        if on_line as f32 >= STRAIGHT * width as f32 {
            self.open.straight += 1;
            self.straight_frames += on_line;
        }
    }
}

/// Samples around the middle that lie on one line; 0 when the line is too steep.
fn on_line(wave: &[f32], from: usize, to: usize, peak: f32) -> usize {
    let quarter = (to - from + 1) / 4;
    let (a, b) = (from + quarter, to - quarter);
    let n = (b - a + 1) as f32;
    let middle = (n - 1.0) / 2.0;
    let (mut mean, mut moment, mut squares) = (0.0, 0.0, 0.0);
    for (i, x) in wave[a..=b].iter().enumerate() {
        let t = i as f32 - middle;
        mean += x;
        moment += t * x;
        squares += t * t;
    }
    mean /= n;
    let slope = moment / squares.max(1e-9);
    let off = |i: usize| (wave[i] - mean - slope * (i as f32 - a as f32 - middle)).abs() > OFF_LINE * peak;
    if (a..=b).any(off) {
        return 0;
    }
    let before = (0..a).rev().take_while(|i| !off(*i)).count();
    let after = (b + 1..wave.len()).take_while(|i| !off(*i)).count();
    let length = before + after + b - a + 1;
    if slope.abs() * length as f32 > TILT * peak { 0 } else { length }
}
