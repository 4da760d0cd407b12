//! Tops of the waves: whether the largest are cut off, at whatever level, also after a high-pass has tilted them.
//!
//! Between two crossings of zero lies one half-wave. A top is one near the largest of the last second. A line is
//! laid through its middle; a sound's own top bends away from it at once (a sine after 0.35 of its width at 0.6 of
//! the height), a top that was cut off follows it from corner to corner, level or tilted. No standard defines
//! this; figures from injections into synthesised services and package recordings.

use super::super::simd::{F32x8, Lanes, Simd, peak_of};
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
    /// The hop before and the present one, with one and two high-passes undone.
    undone: [Vec<f32>; VIEWS - 1],
}

/// One way of looking.
struct View {
    /// Least width, frames: a narrower top has too few samples to tell.
    least: usize,
    /// Largest of the last second, above and below zero.
    largest: [f32; 2],
    frames: usize,
    straight_frames: usize,
    open: Tops,
}

/// Frames of the past that a filtered one is made of.
const PAST: usize = 8;

/// A first-order low shelf that undoes a high-pass, twice in a row. Written so that a frame depends on what came out
/// eight frames before, not on the one just before: eight are computed side by side.
struct Shelf {
    /// Of the input, now and up to eight frames ago.
    taps: [f32; PAST + 1],
    /// Of the output eight frames ago.
    back: f32,
}

impl Shelf {
    fn new(rate: SampleRate) -> Self {
        // Bilinear transform of (s + high pass) / (s + left): gain (1 + zero/z) / (1 - pole/z); above and below
        // multiplied with 1 + pole/z + ... (pole/z)^7.
        let warped = |hz: f64| (std::f64::consts::PI * hz / f64::from(rate.hz())).tan();
        let (w, v) = (warped(HIGH_PASS_HZ), warped(LEFT_HZ));
        let (gain, zero, pole) = ((1.0 + w) / (1.0 + v), (w - 1.0) / (w + 1.0), (1.0 - v) / (1.0 + v));
        let power = |k: usize| pole.powi(k as i32);
        let taps = std::array::from_fn(|k| match k {
            0 => gain,
            PAST => gain * zero * power(PAST - 1),
            k => gain * (power(k) + zero * power(k - 1)),
        });
        Self { taps: taps.map(|t| t as f32), back: power(PAST) as f32 }
    }

    /// Filters the second half of `from` into that of `to`; the first halves are the past. Gives the largest |value|.
    #[inline(always)]
    fn run<S: Simd>(&self, from: &[f32], to: &mut [f32]) -> f32 {
        // Far below any signal, and no denormal ever.
        const FLOOR: f32 = 1e-20;
        let (n, end) = (from.len() / 2, from.len());
        let (mut largest, back, floor) = (S::F32::splat(0.0), S::F32::splat(self.back), S::F32::splat(FLOOR));
        let mut y = S::F32::load(&to[n - PAST..]);
        let last = end - (end - n) % 8;
        for at in (n..last).step_by(8) {
            let around = &from[at - PAST..at + 8];
            let mut sum = [S::F32::splat(self.taps[0]).mul(S::F32::load(&around[PAST..])), floor];
            for k in 1..PAST + 1 {
                sum[k % 2] = sum[k % 2].add(S::F32::splat(self.taps[k]).mul(S::F32::load(&around[PAST - k..])));
            }
            // What came out before comes in last: only this waits for it.
            y = sum[0].add(sum[1]).add(back.mul(y));
            largest = largest.max(y.abs());
            to[at..at + 8].copy_from_slice(&y.lanes());
        }
        let mut largest = largest.lanes().into_iter().fold(0.0, f32::max);
        for at in last..end {
            let mut sum = [self.taps[0] * from[at], FLOOR];
            for k in 1..PAST + 1 {
                sum[k % 2] += self.taps[k] * from[at - k];
            }
            let y = sum[0] + sum[1] + self.back * to[at - PAST];
            largest = largest.max(y.abs());
            to[at] = y;
        }
        largest
    }
}

impl TopFinder {
    pub(super) fn new(rate: SampleRate) -> Self {
        let view = || View {
            least: (rate.hz() as usize) * 35 / 100_000,
            largest: [0.0; 2],
            frames: 0,
            straight_frames: 0,
            open: Tops::default(),
        };
        let undone = std::array::from_fn(|_| vec![0.0; 2 * rate.hop_frames()]);
        Self { views: [view(), view(), view()], shelf: Shelf::new(rate), undone }
    }

    /// A hop never came.
    pub(super) fn forget(&mut self) {
        self.undone.iter_mut().for_each(|u| u.fill(0.0));
        self.views.iter_mut().for_each(|v| v.largest = [0.0; 2]);
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

    /// Takes a hop, whose largest |sample| is `peak`, behind the hop before; half-waves that end in it are counted.
    #[inline(always)]
    pub(super) fn hop<S: Simd>(&mut self, both: &[f32], peak: f32) {
        let n = both.len() / 2;
        let [once, twice] = &mut self.undone;
        once.copy_within(n.., 0);
        twice.copy_within(n.., 0);
        let peak_once = self.shelf.run::<S>(both, once);
        let peak_twice = self.shelf.run::<S>(once, twice);
        self.views[0].hop::<S>(both, peak);
        self.views[1].hop::<S>(once, peak_once);
        self.views[2].hop::<S>(twice, peak_twice);
    }
}

impl View {
    #[inline(always)]
    fn hop<S: Simd>(&mut self, samples: &[f32], peak: f32) {
        let n = samples.len() / 2;
        self.frames += n;
        self.largest = self.largest.map(|l| l * FALL);
        if peak < LEAST || peak < NEAR * self.largest[0].min(self.largest[1]) {
            return;
        }
        // The last crossing before this hop; a half-wave longer than a hop is none.
        let above = |x: f32| x > 0.0;
        let mut sign = above(samples[n - 1]);
        let mut from = samples[..n].iter().rposition(|x| above(*x) != sign).map_or(n, |i| i + 1);
        let zero = S::F32::splat(0.0);
        let (eights, rest) = samples[n..].as_chunks::<8>();
        for at in 0..eights.len() + rest.len().div_ceil(8) {
            let signs = match eights.get(at) {
                Some(eight) => S::F32::load(eight).over(zero),
                None => rest.iter().enumerate().fold(0, |bits, (i, x)| bits | u32::from(above(*x)) << i),
            };
            // Bit k is set where frame k has another sign than the one before it.
            let frames = if at < eights.len() { 8 } else { rest.len() };
            let mut crossings = (signs ^ (signs << 1 | u32::from(sign))) & ((1 << frames) - 1);
            while crossings != 0 {
                let i = n + 8 * at + crossings.trailing_zeros() as usize;
                crossings &= crossings - 1;
                if from < n || i - from >= self.least {
                    self.half_wave::<S>(&samples[from..i], sign);
                }
                (sign, from) = (!sign, i);
            }
        }
    }

    #[inline(always)]
    fn half_wave<S: Simd>(&mut self, wave: &[f32], above: bool) {
        if wave.len() < self.least {
            return;
        }
        let peak = peak_of::<S>(wave);
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
