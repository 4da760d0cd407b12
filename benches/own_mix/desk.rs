//! What desks and lines do to sound: equalisers, compressors, limiters, reverb, codecs, delays, clocks.

use crate::sources::{Biquad, Dice, RATE};

/// Left and right, 48 kHz.
#[derive(Clone)]
pub struct Stereo(pub [Vec<f32>; 2]);

impl Stereo {
    pub fn silent(n: usize) -> Self {
        Self([vec![0.0; n], vec![0.0; n]])
    }
    pub fn len(&self) -> usize {
        self.0[0].len()
    }
    pub fn add(&mut self, mono: &[f32], gain: f64, pan: f64) {
        let angle = (pan + 1.0) * std::f64::consts::FRAC_PI_4;
        for (side, k) in self.0.iter_mut().zip([angle.cos(), angle.sin()]) {
            let k = (k * gain) as f32;
            side.iter_mut().zip(mono).for_each(|(y, x)| *y += k * x);
        }
    }
    pub fn plus(&mut self, other: &Self, gain: f64) {
        for (a, b) in self.0.iter_mut().zip(&other.0) {
            a.iter_mut().zip(b).for_each(|(y, x)| *y += gain as f32 * x);
        }
    }
    pub fn scale(&mut self, gain: f64) {
        self.0.iter_mut().flatten().for_each(|x| *x *= gain as f32);
    }
    pub fn filter(&mut self, filter: Biquad) {
        for side in &mut self.0 {
            let mut f = filter;
            side.iter_mut().for_each(|x| *x = f.step(f64::from(*x)) as f32);
        }
    }
    pub fn hiss(&mut self, db: f64, seed: u64) {
        let mut dice = Dice::new(seed);
        let gain = 10f64.powf(db / 20.0) * 3f64.sqrt();
        self.0.iter_mut().flatten().for_each(|x| *x += (gain * dice.white()) as f32);
    }
    pub fn late(&mut self, frames: usize) {
        for side in &mut self.0 {
            let n = side.len();
            side.copy_within(..n - frames, frames);
            side[..frames].fill(0.0);
        }
    }
    pub fn mono(&mut self) {
        for i in 0..self.len() {
            let m = (self.0[0][i] + self.0[1][i]) / 2.0;
            (self.0[0][i], self.0[1][i]) = (m, m);
        }
    }
    pub fn rms_db(&self) -> f64 {
        let sum: f64 = self.0.iter().flatten().map(|x| f64::from(*x).powi(2)).sum();
        10.0 * (sum / (2 * self.len()) as f64).max(1e-12).log10()
    }
}

#[derive(Clone, Copy)]
pub struct Comp {
    pub threshold_db: f64,
    pub ratio: f64,
    pub attack: f64,
    pub release: f64,
    pub knee: f64,
}

impl Comp {
    pub fn run(self, x: &mut Stereo) {
        let [ka, kr] = [self.attack, self.release].map(|t| (-1.0 / (t * RATE)).exp());
        let mut gain = 0.0f64;
        for i in 0..x.len() {
            let peak = f64::from(x.0[0][i].abs().max(x.0[1][i].abs()));
            let over = 20.0 * peak.max(1e-6).log10() - self.threshold_db;
            let want = if over <= -self.knee / 2.0 {
                0.0
            } else if over < self.knee / 2.0 {
                (1.0 / self.ratio - 1.0) * (over + self.knee / 2.0).powi(2) / (2.0 * self.knee)
            } else {
                (1.0 / self.ratio - 1.0) * over
            };
            let k = if want < gain { ka } else { kr };
            gain = k * gain + (1.0 - k) * want;
            let g = 10f64.powf(gain / 20.0) as f32;
            x.0[0][i] *= g;
            x.0[1][i] *= g;
        }
    }
}

/// Three-band compressor; crossovers are twice second-order slopes.
pub fn multiband(x: &mut Stereo, at: [f64; 2], comps: [Comp; 3]) {
    let mut parts: Vec<Stereo> = (0..3).map(|_| x.clone()).collect();
    for _ in 0..2 {
        parts[0].filter(Biquad::low_pass(at[0]));
        parts[1].filter(Biquad::high_pass(at[0]));
        parts[1].filter(Biquad::low_pass(at[1]));
        parts[2].filter(Biquad::high_pass(at[1]));
    }
    *x = Stereo::silent(x.len());
    for (mut part, comp) in parts.into_iter().zip(comps) {
        comp.run(&mut part);
        x.plus(&part, 1.0);
    }
}

/// Four delay lines that feed each other; mono in, stereo out, wet only.
pub fn reverb(input: &[f32], seconds: f64, damp: f64) -> Stereo {
    let lengths = [1_423usize, 1_867, 2_251, 2_707];
    let mut lines: Vec<Vec<f32>> = lengths.iter().map(|l| vec![0.0; *l]).collect();
    let feedback: Vec<f32> = lengths.iter().map(|l| 10f64.powf(-3.0 * *l as f64 / RATE / seconds) as f32).collect();
    let (mut at, mut low) = ([0usize; 4], [0.0f32; 4]);
    let mut out = Stereo::silent(input.len());
    for (i, x) in input.iter().enumerate() {
        let v: [f32; 4] = std::array::from_fn(|k| lines[k][at[k]]);
        out.0[0][i] = (v[0] + v[2]) * 0.5;
        out.0[1][i] = (v[1] + v[3]) * 0.5;
        let half = 0.5 * (v[0] + v[1] + v[2] + v[3]);
        for k in 0..4 {
            low[k] += damp as f32 * ((v[k] - half) * feedback[k] - low[k]);
            lines[k][at[k]] = x + low[k];
            at[k] = (at[k] + 1) % lengths[k];
        }
    }
    out
}

/// A lossy codec's like: every eighth of an octave's coefficients are rounded so that the noise lies `db` under
/// them, and nothing passes above `top_hz`.
pub fn codec(x: &mut Stereo, db: f64, top_hz: f64) {
    use realfft::RealFftPlanner;
    const N: usize = 1_024;
    let mut planner = RealFftPlanner::<f32>::new();
    let (forward, back) = (planner.plan_fft_forward(N), planner.plan_fft_inverse(N));
    let window: Vec<f32> = (0..N).map(|i| (std::f64::consts::PI * (i as f64 + 0.5) / N as f64).sin() as f32).collect();
    for side in &mut x.0 {
        let mut out = vec![0.0f32; side.len()];
        let (mut time, mut bins) = (forward.make_input_vec(), forward.make_output_vec());
        for at in (0..side.len().saturating_sub(N)).step_by(N / 2) {
            time.iter_mut().zip(&side[at..]).zip(&window).for_each(|((t, x), w)| *t = x * w);
            forward.process(&mut time, &mut bins).expect("lengths are the plan's");
            let mut from = 1;
            while from < bins.len() {
                let to = ((from as f64 * 1.09) as usize).max(from + 3).min(bins.len());
                let power = bins[from..to].iter().map(|b| b.norm_sqr()).sum::<f32>() / (to - from) as f32;
                let step = (power * 10f32.powf(-db as f32 / 10.0) * 6.0).sqrt().max(1e-12);
                let keep = (from as f64) * RATE / N as f64 <= top_hz;
                for bin in &mut bins[from..to] {
                    bin.re = if keep { (bin.re / step).round() * step } else { 0.0 };
                    bin.im = if keep { (bin.im / step).round() * step } else { 0.0 };
                }
                from = to;
            }
            bins[0].im = 0.0;
            bins[N / 2].im = 0.0;
            back.process(&mut bins, &mut time).expect("lengths are the plan's");
            out[at..].iter_mut().zip(&time).zip(&window).for_each(|((o, t), w)| *o += t * w / N as f32);
        }
        *side = out;
    }
}

/// The same sound on another clock: late by `seconds`, `ppm` fast, at `rate_hz`.
pub fn clock(x: &Stereo, seconds: f64, ppm: f64, rate_hz: f64) -> Stereo {
    const HALF: i64 = 24;
    let step = RATE / rate_hz * (1.0 + ppm * 1e-6);
    let n = (x.len() as f64 / RATE * rate_hz) as usize;
    let scale = (rate_hz / RATE).min(1.0) * 0.96;
    // The kernel is tabulated in 1/512 of a sample with linear steps between, a row for each place of the 48 samples.
    let kernel: Vec<f32> = (0..=(HALF as usize + 1) * 512)
        .map(|i| {
            let t = i as f64 / 512.0;
            let p = std::f64::consts::PI * t * scale;
            let sinc = if t == 0.0 { 1.0 } else { p.sin() / p };
            (scale * sinc * (0.5 + 0.5 * (std::f64::consts::PI * (t / HALF as f64).min(1.0)).cos())) as f32
        })
        .collect();
    let row = |p: i64| (1 - HALF..=HALF).map(move |k| (k * 512 - p).unsigned_abs() as usize);
    let rows: Vec<[f32; 2 * HALF as usize]> = (0..=512)
        .map(|p| {
            let mut at = row(p);
            std::array::from_fn(|_| at.next().map_or(0.0, |i| kernel[i]))
        })
        .collect();
    let mut out = Stereo::silent(n);
    for i in 0..n {
        let at = i as f64 * step - seconds * RATE * (1.0 + ppm * 1e-6);
        let base = at.floor() as i64;
        if base < HALF || base + HALF + 1 >= x.len() as i64 {
            continue;
        }
        let place = (at - base as f64) * 512.0;
        let p = (place as usize).min(511);
        let f = (place - p as f64) as f32;
        let w: [f32; 2 * HALF as usize] = std::array::from_fn(|k| rows[p][k] + f * (rows[p + 1][k] - rows[p][k]));
        let from = (base + 1 - HALF) as usize;
        for (out, x) in out.0.iter_mut().zip(&x.0) {
            let mut sums = [0.0f32; 8];
            for (x, w) in x[from..from + w.len()].chunks_exact(8).zip(w.chunks_exact(8)) {
                (0..8).for_each(|k| sums[k] += w[k] * x[k]);
            }
            out[i] = sums.iter().sum();
        }
    }
    out
}
