//! What kind of sound the house carries: talk, or sound that is held. One source cannot be both, so a comparison
//! that saw both has seen two sources; one that saw a single kind may have seen a single source, and a single
//! source makes every mix look like a copy.
//!
//! Talk breathes (dips of 20 dB in a good part of the time, level steps) and does not hold its lines; held sound
//! keeps its spectral lines over a quarter of a second or its level over seconds, and does not breathe.

use super::track::Moment;

/// Moments of a step: 85 ms.
const STEP_MOMENTS: usize = 2;
/// Steps of a window: 5.12 s.
const WINDOW_STEPS: usize = 60;
/// Blocks that a window spans.
pub const WINDOW_BLOCKS: usize = WINDOW_STEPS * STEP_MOMENTS / 24;
/// Bins whose lines are followed: 105 Hz to 3 kHz.
const LINES: std::ops::Range<usize> = 9..256;
/// Bins on either side that make the smooth part.
const SMOOTH: usize = 6;
/// Steps from a spectrum to the one that it is compared with: 256 ms.
const APART: usize = 3;

/// Kind of sound in a window.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Material {
    /// Speech: breathes, does not hold.
    Talk,
    /// Held sound: singing, organ, a band.
    Held,
    /// Neither for certain.
    #[default]
    Mixed,
}

/// Figures of a window.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Window {
    /// Mean |step| of the level, dB.
    pub step_db: f64,
    /// Share of the steps 20 dB under the loud ones.
    pub dips: f64,
    /// Mean correlation of the spectral lines with those of 256 ms before, loud steps only.
    pub held: f64,
    /// What it is.
    pub material: Material,
}

/// Follows the house's sound.
pub struct Listener {
    powers: Vec<f64>,
    open_power: f64,
    moments: usize,
    past: [Vec<f32>; APART],
    next: usize,
    logs: Vec<f32>,
    alike: Vec<f64>,
}

impl Listener {
    /// Nothing heard.
    pub fn new() -> Self {
        let lines = vec![0.0; LINES.len()];
        Self {
            powers: Vec::with_capacity(WINDOW_STEPS),
            open_power: 0.0,
            moments: 0,
            past: std::array::from_fn(|_| lines.clone()),
            next: 0,
            logs: lines,
            alike: Vec::with_capacity(WINDOW_STEPS),
        }
    }

    /// Begins a window anew.
    pub fn reset(&mut self) {
        (self.moments, self.open_power) = (0, 0.0);
        self.powers.clear();
        self.alike.clear();
    }

    /// One moment; gives the window when it is full.
    pub fn moment(&mut self, moment: &Moment<'_>) -> Option<Window> {
        self.open_power += moment.power;
        self.moments += 1;
        if self.moments < STEP_MOMENTS {
            return None;
        }
        self.powers.push(self.open_power);
        (self.moments, self.open_power) = (0, 0.0);
        for (log, bin) in self.logs.iter_mut().zip(&moment.house[LINES]) {
            *log = (bin.norm_sqr() + 1e-12).ln();
        }
        let lines = lines(&self.logs);
        self.alike.push(correlation(&lines, &self.past[self.next]));
        self.past[self.next] = lines;
        self.next = (self.next + 1) % APART;
        if self.powers.len() < WINDOW_STEPS {
            return None;
        }
        let window = judge(&self.powers, &self.alike);
        self.powers.clear();
        self.alike.clear();
        Some(window)
    }
}

/// The lines: what stands over or under its neighbourhood.
fn lines(logs: &[f32]) -> Vec<f32> {
    let mut sums = Vec::with_capacity(logs.len() + 1);
    sums.push(0.0f32);
    for log in logs {
        sums.push(sums[sums.len() - 1] + log);
    }
    (0..logs.len())
        .map(|i| {
            let (from, to) = (i.saturating_sub(SMOOTH), (i + SMOOTH + 1).min(logs.len()));
            logs[i] - (sums[to] - sums[from]) / (to - from) as f32
        })
        .collect()
}

fn correlation(a: &[f32], b: &[f32]) -> f64 {
    let product = |x: &[f32], y: &[f32]| f64::from(x.iter().zip(y).map(|(x, y)| x * y).sum::<f32>());
    let size = (product(a, a) * product(b, b)).sqrt();
    if size > 1e-9 { product(a, b) / size } else { 0.0 }
}

fn judge(powers: &[f64], alike: &[f64]) -> Window {
    let mut sorted: Vec<f64> = powers.to_vec();
    sorted.sort_by(f64::total_cmp);
    let loud = sorted[sorted.len() * 95 / 100].max(1e-18);
    let level = |p: f64| 10.0 * (p / loud).max(1e-3).log10();
    let step_db = powers.windows(2).map(|w| (level(w[1]) - level(w[0])).abs()).sum::<f64>() / (powers.len() - 1) as f64;
    let dips = powers.iter().filter(|p| level(**p) < -20.0).count() as f64 / powers.len() as f64;
    let (n, sum) = powers
        .iter()
        .zip(alike)
        .filter(|(p, _)| level(**p) > -15.0)
        .fold((0.0, 0.0), |(n, sum), (_, a)| (n + 1.0, sum + a));
    let held = if n > 0.0 { sum / n } else { 0.0 };
    let material = if dips < 0.08 && (held > HELD_LINES || step_db < 1.8) {
        Material::Held
    } else if dips > 0.10 && step_db > 2.8 && held < TALK_LINES {
        Material::Talk
    } else {
        Material::Mixed
    };
    Window { step_db, dips, held, material }
}

/// Lines that stay from this on are held (tried on synthesised speech, organ, bands).
const HELD_LINES: f64 = 0.45;
/// Talk's lines stay less than this.
const TALK_LINES: f64 = 0.35;
