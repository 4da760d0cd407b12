//! Lines at the multiples of the mains frequency, 50 and 60 Hz: what hum and buzz are made of. Once a second.
//!
//! Both sides are brought down to about 2 kHz and the last 4 s transformed. Each moment is weighted by the inverse of
//! its power, so that the gaps between words count for much and loud syllables for little: the best weighting for a
//! steady line under noise that comes and goes. The frequency is looked for within ± 0.25 Hz, one for all harmonics.

mod gaps;
mod side;

use super::simd::{F32x8, Isa, Kernel, Simd, products};
use super::transform::{Plan, Work, plan};
use gaps::Gaps;
use side::{SECOND, Side};

/// Harmonics that are looked at, the fundamental included.
pub const HARMONICS: usize = 12;
/// Nominal mains frequencies, Hz.
pub const NOMINAL_HZ: [f64; 2] = [50.0, 60.0];
/// The search goes this far from the nominal frequency, Hz. (Continental grids stay within 0.2 Hz in normal
/// operation, from memory.)
const DEVIATION_HZ: f64 = 0.25;
const STEP_HZ: f64 = 0.01;
const STEPS: usize = 51;
/// Samples in the window: 4.1 s at 2 kHz.
const WINDOW: usize = 8_192;
/// A line is compared with what is this far to both sides, Hz: with its 70th percentile, so that the lines of a
/// rhythm, which are everywhere, are no hum.
const NEIGHBOURHOOD_HZ: f64 = 6.0;
/// A stronger tone within so many bins covers a line (1.5 Hz).
const BESIDE: usize = 6;
/// A line's power is within so many bins of its middle.
const LOBE: usize = 2;
/// Evidence of one line, as a factor: doubtful evidence counts little, and no single line for more than three fair
/// ones (e to the power of 0.5 and 3).
const DOUBTFUL: f32 = 1.648_721_3;
const MOST_OF_A_LINE: f32 = 20.085_537;
/// What is kept of the frequency's evidence from look to look (14 s).
const KEPT: f32 = 0.93;
/// Ticks between looks.
const LOOK_TICKS: u64 = 10;

/// One line.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Line {
    /// Its power, less that of the noise in its place (so it may be negative); a full-scale sine in every channel has
    /// 1.
    pub power: f32,
    /// Power of what covers it: the noise in its place, or a stronger tone beside it.
    pub cover: f32,
}

/// The multiples of one mains frequency.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Comb {
    /// The fundamental that fits best, Hz.
    pub fundamental_hz: f32,
    /// Lines at once to twelve times the fundamental.
    pub lines: [Line; HARMONICS],
}

/// A look at the mains' lines.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mains {
    /// The families of 50 and 60 Hz.
    pub combs: [Comb; 2],
    /// Level of the last second under about 1 kHz, dBFS.
    pub low_dbfs: f32,
}

/// Sum of squares.
struct Squares<'a>(&'a [f32]);

impl Kernel for Squares<'_> {
    type Output = f32;

    #[inline(always)]
    fn run<S: Simd>(self) -> f32 {
        products::<S>(self.0, self.0).sum()
    }
}

/// Listens for the mains.
pub struct MainsEar {
    isa: Isa,
    plan: &'static Plan,
    low_hz: f64,
    sides: Vec<Side>,
    ticks: u64,
    /// For each family and frequency looked for: how well it has fitted of late.
    fits: [[f32; STEPS]; 2],
    work: Work,
    gaps: Gaps,
}

impl MainsEar {
    /// For `rate_hz` and `channels`.
    pub fn new(isa: Isa, rate_hz: u32, channels: usize) -> Self {
        // 6 000 or 6 300 Hz, then 2 000 or 2 100 Hz: a whole number of samples in each hop at every rate.
        let step = if rate_hz.is_multiple_of(44_100) { rate_hz / 6_300 } else { rate_hz / 6_000 } as usize;
        let low_hz = f64::from(rate_hz) / (step * SECOND) as f64;
        Self {
            isa,
            plan: plan(WINDOW),
            low_hz,
            sides: (0..channels.min(2)).map(|_| Side::new(step)).collect(),
            ticks: 0,
            fits: [[0.0; STEPS]; 2],
            work: Work::new(isa),
            gaps: Gaps::new(isa),
        }
    }

    /// A tick of which some never came: what comes after has no past.
    pub(super) fn interrupted(&mut self) {
        self.ticks += 1;
        self.sides.iter_mut().for_each(Side::forget);
    }

    /// Takes one tick of each side.
    pub(super) fn tick(&mut self, ticks: &[&[f32]]) -> Option<Mains> {
        self.ticks += 1;
        for (side, x) in self.sides.iter_mut().zip(ticks) {
            side.take(self.isa, x);
        }
        let full = self.sides.iter().all(|s| s.low.len() >= WINDOW);
        if full && self.ticks.is_multiple_of(LOOK_TICKS) { self.look() } else { None }
    }

    fn look(&mut self) -> Option<Mains> {
        let sides = self.sides.iter().map(Side::window);
        let (window, squares) = self.gaps.window(sides.clone(), &self.plan.hann)?;
        let mut low = 0.0f64;
        for side in &self.sides {
            let second = &side.low[side.low.len() - self.low_hz as usize / 8 * 8..];
            low += f64::from(self.isa.run(Squares(second))) / second.len() as f64;
        }
        let count = self.sides.len() as f64;
        // From the sum over a line's lobe to its amplitude squared.
        let scale = 4.0 / (WINDOW as f64 * squares * count);
        self.plan.transform(sides, window, &mut self.work);
        self.work.separate(1.0, false);
        let combs = [0, 1].map(|family| self.comb(family, scale));
        Some(Mains { combs, low_dbfs: (10.0 * (2.0 * low / count).log10()) as f32 })
    }

    fn comb(&mut self, family: usize, scale: f64) -> Comb {
        let nominal_hz = NOMINAL_HZ[family];
        let to_bin = WINDOW as f64 / self.low_hz;
        let bin = |hz: f64| hz * to_bin;
        let p = &self.work.bins.power;
        let reach = bin(NEIGHBOURHOOD_HZ) as usize;
        let noises: [f32; HARMONICS] = std::array::from_fn(|k| {
            let middle = bin(nominal_hz * (k + 1) as f64).round() as usize;
            let mut around = p[middle - reach..=middle + reach].to_vec();
            let high = around.len() * 7 / 10;
            // Of noise powers (exponentially distributed) 70 % lie under 1.2 times their mean.
            around.select_nth_unstable_by(high, f32::total_cmp).1.max(1e-20) / 1.204
        });
        // The strongest of the two bins that a line lies between, and of the bins beside its lobe.
        let at = |b: usize| {
            let beside = p[b - BESIDE..b - 1].iter().chain(&p[b + 3..=b + 1 + BESIDE]).fold(0.0f32, |t, x| t.max(*x));
            (p[b].max(p[b + 1]), beside)
        };
        let hz_of = |step: usize| nominal_hz - DEVIATION_HZ + STEP_HZ * step as f64;
        let mut evidence = [1.0f32; STEPS];
        for (k, noise) in noises.iter().enumerate() {
            let mut newest = (0, 1.0);
            for (step, evidence) in evidence.iter_mut().enumerate() {
                let b = bin(hz_of(step) * (k + 1) as f64) as usize;
                if b != newest.0 {
                    let (line, beside) = at(b);
                    let of_line = if beside > line { DOUBTFUL } else { (1.0 + line / noise).min(MOST_OF_A_LINE) };
                    newest = (b, of_line);
                }
                *evidence *= newest.1;
            }
        }
        for (fit, evidence) in self.fits[family].iter_mut().zip(evidence) {
            *fit = KEPT * *fit + evidence.ln();
        }
        let fits = &self.fits[family];
        let best = (0..STEPS).max_by(|a, b| fits[*a].total_cmp(&fits[*b])).unwrap_or(STEPS / 2);
        let hz = hz_of(best);
        let lines = std::array::from_fn(|k| {
            let b = bin(hz * (k + 1) as f64).round() as usize;
            let lobe = f64::from(p[b - LOBE..=b + LOBE].iter().sum::<f32>());
            let noise = f64::from(noises[k]) * (2 * LOBE + 1) as f64;
            let (line, beside) = at(bin(hz * (k + 1) as f64) as usize);
            // A stronger tone covers it wholly; what is beside it is also in its place, less so.
            let power = if beside > 4.0 * line { 0.0 } else { lobe - noise };
            let cover = noise.max(f64::from(2.0 * beside));
            Line { power: (power * scale) as f32, cover: (cover * scale) as f32 }
        });
        Comb { fundamental_hz: hz as f32, lines }
    }
}
