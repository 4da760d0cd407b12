//! Holes: sound that stops at once and comes back at once, as when data of a digital link is lost.
//!
//! Two kinds, both by level in cells of 1 ms. Exact: the same value (zero mostly) again and again, from 1/3 ms to
//! 0.5 s, with the sound going on before and after. Noisy: 3 ms to 0.5 s at least 30 dB under what was before,
//! entered within 3 ms and left within 4 (behind an analogue hop the hole holds noise). Ends of words and of notes fall
//! and rise slower. A drum gate closes and opens as fast, but for the same length each time, and long. Figures
//! from injections into synthesised services and package recordings.

use super::super::simd::{F32x8, Lanes, Simd};
use crate::units::SampleRate;

/// Cells in a hop.
const CELLS: usize = 10;
/// Cells remembered (a power of two above 0.5 s and its surroundings).
const RING: usize = 1_024;
/// Longest hole, cells; shortest noisy one; from this length on it may be a drum gate.
const LONGEST: u64 = 500;
const SHORTEST_NOISY: u64 = 3;
const GATE: u64 = 50;
/// Holes nearer to each other than this may be rests of a rhythm, cells.
const SOON: u64 = 1_200;
/// Power before and after, at least: -50 dBFS.
const LEAST: f32 = 1e-5;
/// Depth of a noisy hole, as power.
const DEPTH: f32 = 1e-3;
/// Exact holes of this length have another sound behind them, ms.
const LONG_MS: f64 = 30.0;
/// Cells before a noisy hole in which the sound was nowhere as soft.
const UNBROKEN: u64 = 20;
/// Cells behind a noisy hole within which the sound is back.
const RISE: u64 = 4;
/// Cells looked at before and after.
const AROUND: u64 = 10;
/// Lengths of gate-like holes that are remembered.
const GATES: usize = 8;

/// What is known of the last long hole.
#[derive(Debug, Clone, Copy, Default)]
struct Rhythm {
    from: u64,
    interval: u64,
    same_length: bool,
    regular: bool,
}

enum State {
    Open,
    /// Since this cell; power before.
    Hole(u64, f32),
    /// From, to, power before.
    After(u64, u64, f32),
}

/// An exact run that waits for what comes after it: cells of its begin and end, length in frames, value.
#[derive(Clone, Copy)]
struct Run {
    from: u64,
    to: u64,
    frames: u64,
    value: f32,
}

/// One channel's holes.
pub(super) struct Holes {
    cells: Box<[f32; RING]>,
    /// Cells so far.
    now: u64,
    state: State,
    gates: [u64; GATES],
    rhythm: Rhythm,
    waiting: [Option<Run>; 4],
    shortest_run: u64,
    frames_a_cell: f64,
    frames: u64,
    last: f32,
    run: u64,
    last_run_end: u64,
    last_hole_end: u64,
}

impl Holes {
    pub(super) fn new(rate: SampleRate) -> Self {
        Self {
            cells: Box::new([0.0; RING]),
            now: UNBROKEN,
            state: State::Open,
            gates: [0; GATES],
            rhythm: Rhythm::default(),
            waiting: [None; 4],
            shortest_run: u64::from(rate.hz() / 3_000),
            frames_a_cell: f64::from(rate.hz()) / 1_000.0,
            frames: 0,
            last: 0.0,
            run: 0,
            last_run_end: 0,
            last_hole_end: 0,
        }
    }

    /// The same at the beginning.
    pub(super) fn afresh(&self) -> Self {
        let rate = (self.frames_a_cell * 1_000.0).round() as u32;
        Self::new(SampleRate::new(rate).unwrap_or(SampleRate::HZ_48000))
    }

    /// Takes a hop; gives the holes that are certain now, and the longest, ms.
    #[inline(always)]
    pub(super) fn hop<S: Simd>(&mut self, samples: &[f32]) -> (u32, f64) {
        let begin = self.now;
        self.runs(samples, begin);
        let (mut found, mut longest) = (0, 0.0f64);
        for cell in 0..CELLS {
            let part = &samples[cell * samples.len() / CELLS..(cell + 1) * samples.len() / CELLS];
            let power = power_of::<S>(part);
            self.cells[self.now as usize % RING] = power;
            if let Some(length) = self.noisy(power).or_else(|| self.exact()) {
                found += 1;
                longest = longest.max(length);
            }
            self.now += 1;
        }
        (found, longest)
    }

    fn mean(&self, from: u64, to: u64) -> f32 {
        (from..to).map(|k| self.cells[k as usize % RING]).sum::<f32>() / (to - from) as f32
    }

    fn softest(&self, from: u64, to: u64) -> f32 {
        (from..=to).map(|k| self.at(k)).fold(f32::INFINITY, f32::min)
    }

    fn loudest(&self, from: u64, to: u64) -> f32 {
        (from..=to).map(|k| self.at(k)).fold(0.0, f32::max)
    }

    fn at(&self, k: u64) -> f32 {
        self.cells[k as usize % RING]
    }

    /// One hole counts once, whichever way it was seen.
    fn told(&mut self, from: u64, to: u64, ms: f64) -> Option<f64> {
        let new = from > self.last_hole_end + 2;
        self.last_hole_end = self.last_hole_end.max(to);
        new.then_some(ms)
    }

    #[inline(always)]
    fn noisy(&mut self, power: f32) -> Option<f64> {
        let now = self.now;
        match self.state {
            State::Open => {
                // Between two pulses of a deep voice a cell is soft: the one before it counts too.
                let [last, second, third] = [1, 2, 3].map(|k| self.at(now - k));
                let near = second.max(third);
                if power < 4.0 * DEPTH * near {
                    let before = self.mean(now - 1 - AROUND, now - 1);
                    let sudden = near > before / 4.0 && last.max(second) > before / 16.0;
                    // A sound of separate pulses goes so low by itself.
                    let unbroken = self.softest(now - UNBROKEN, now - 1) > DEPTH * before;
                    if before > LEAST && power < DEPTH * before && sudden && unbroken {
                        self.state = State::Hole(now, before);
                    }
                }
                None
            }
            State::Hole(from, _) if now - from > LONGEST => {
                self.state = State::Open;
                None
            }
            State::Hole(from, before) => {
                if power > DEPTH * before {
                    let long = now - from >= SHORTEST_NOISY;
                    self.state = if long { State::After(from, now, before) } else { State::Open };
                }
                None
            }
            State::After(_, to, before) if now == to + RISE && self.loudest(to, now) < before / 10.0 => {
                self.state = State::Open;
                None
            }
            State::After(from, to, before) => {
                if now < to + AROUND {
                    return None;
                }
                self.state = State::Open;
                let after = self.mean(to + 1, now);
                let length = to - from;
                if after < before / 10.0 || after > 10.0 * before || self.rhythm(from, length).same_length {
                    return None;
                }
                self.told(from, to, length as f64)
            }
        }
    }

    /// What speaks for a gate or a rhythm in a long hole: the same length came before; it comes soon after the last
    /// one or at the same interval. The same hole may be asked about twice.
    fn rhythm(&mut self, from: u64, length: u64) -> Rhythm {
        if length < GATE {
            return Rhythm::default();
        }
        let last = self.rhythm;
        if from.abs_diff(last.from) > 3 {
            let interval = from - last.from;
            self.rhythm = Rhythm {
                from,
                interval,
                same_length: self.gates.iter().any(|g| g.abs_diff(length) <= 3),
                regular: interval < SOON || interval.abs_diff(last.interval) <= 15,
            };
            self.gates.rotate_left(1);
            self.gates[GATES - 1] = length;
        }
        self.rhythm
    }

    /// Follows runs of one value; only where there can be one, sample by sample.
    #[inline(always)]
    fn runs(&mut self, samples: &[f32], begin: u64) {
        let stride = (self.shortest_run / 2) as usize;
        let first = self.run > 0 && samples[0] == self.last;
        let any = samples.iter().step_by(stride).zip(samples.iter().skip(stride).step_by(stride)).any(|(a, b)| a == b);
        if !first && !any {
            self.end_run(0, begin);
        }
        if first || any {
            for (i, x) in samples.iter().enumerate() {
                if *x == self.last {
                    self.run += 1;
                } else {
                    self.end_run(i, begin);
                    self.last = *x;
                }
            }
        } else {
            self.last = samples[samples.len() - 1];
            self.run = samples.iter().rev().take_while(|x| **x == self.last).count() as u64 - 1;
        }
        self.frames += samples.len() as u64;
    }

    /// The run ended before sample `i` of this hop.
    fn end_run(&mut self, i: usize, begin: u64) {
        let frames = std::mem::take(&mut self.run) + 1;
        if frames <= self.shortest_run {
            return;
        }
        let end = self.frames + i as u64;
        let gap_before = end.saturating_sub(frames + self.last_run_end);
        self.last_run_end = end;
        let ms = frames as f64 / self.frames_a_cell;
        // Waves that rest at one value in every period have short runs one after the other.
        if ms > LONGEST as f64 || (ms < 2.0 && (gap_before as f64) < 20.0 * self.frames_a_cell) {
            return;
        }
        let cell = |frame: f64| begin as f64 + (frame - self.frames as f64) / self.frames_a_cell;
        let run = Run {
            from: cell((end - frames.min(end)) as f64) as u64,
            to: cell(end as f64) as u64,
            frames,
            value: self.last,
        };
        if let Some(place) = self.waiting.iter_mut().find(|w| w.is_none()) {
            *place = Some(run);
        }
    }

    /// An exact run whose surroundings are known now.
    #[inline(always)]
    fn exact(&mut self) -> Option<f64> {
        let now = self.now;
        let place = self.waiting.iter().position(|w| w.is_some_and(|r| now >= r.to + AROUND))?;
        let run = self.waiting[place].take()?;
        let before = self.mean(run.from.saturating_sub(AROUND), run.from);
        let after = self.mean(run.to + 1, run.to + AROUND + 1);
        let ms = run.frames as f64 / self.frames_a_cell;
        // Behind a long hole the sound is another one: a syllable further on.
        let alike = if ms < LONG_MS { 16.0 } else { 1_000.0 };
        let goes_on = before > LEAST && after > LEAST && before < alike * after && after < alike * before;
        let sudden = self.at(run.from.saturating_sub(1)) > before / 8.0 && self.at(run.to + 1) > after / 16.0;
        // A value that is held lies anywhere in the wave; a top that is cut off lies at its end.
        let held = run.value == 0.0 || (ms >= 2.0 && 2.0 * run.value * run.value < before);
        if !goes_on || !sudden || !held {
            return None;
        }
        // Notes of a hard-edged synthesiser rest for equal times at equal intervals; so does an identified line-up tone.
        let rhythm = self.rhythm(run.from, ms as u64);
        if rhythm.same_length && rhythm.regular {
            return None;
        }
        self.told(run.from, run.to, ms)
    }
}

/// Mean square.
#[inline(always)]
fn power_of<S: Simd>(samples: &[f32]) -> f32 {
    let (eights, rest) = samples.as_chunks::<8>();
    let sums = eights.iter().fold(S::F32::splat(0.0), |sum, x| {
        let x = S::F32::load(x);
        sum.add(x.mul(x))
    });
    let all = sums.sum() + rest.iter().map(|x| x * x).sum::<f32>();
    all / samples.len() as f32
}
