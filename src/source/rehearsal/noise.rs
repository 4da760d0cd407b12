//! Randomness from a seed, the same on every machine, and the one-pole filters that shape it.

/// xorshift64*: good enough for sound, the same everywhere.
#[derive(Debug, Clone)]
pub(super) struct Noise(u64);

impl Noise {
    pub(super) fn new(seed: u64) -> Self {
        // Mixed, so that neighbouring seeds have nothing in common (splitmix64's finaliser).
        let mut z = seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        Self((z ^ (z >> 31)) | 1)
    }

    /// 0 (included) to 1 (not).
    pub(super) fn unit(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// -1 to 1.
    pub(super) fn white(&mut self) -> f64 {
        2.0 * self.unit() - 1.0
    }

    /// `low` to `high`.
    pub(super) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// One of a list.
    pub(super) fn pick<T: Copy>(&mut self, list: &[T]) -> T {
        list[(self.unit() * list.len() as f64) as usize]
    }
}

/// First-order low-pass.
#[derive(Debug, Clone, Default)]
pub(super) struct LowPass {
    y: f64,
}

impl LowPass {
    /// `k`: share of the new sample, 0 to 1 (`k_of` gives it for a frequency).
    pub(super) fn step(&mut self, x: f64, k: f64) -> f64 {
        self.y += k * (x - self.y);
        self.y
    }
}

/// The share for a corner of `hz`.
pub(super) fn k_of(hz: f64, rate: f64) -> f64 {
    1.0 - (-std::f64::consts::TAU * hz / rate).exp()
}

/// Two-pole resonator with unity gain at its peak, about.
#[derive(Debug, Clone, Default)]
pub(super) struct Resonator {
    y1: f64,
    y2: f64,
}

impl Resonator {
    pub(super) fn step(&mut self, x: f64, c: &Resonance) -> f64 {
        let y = c.gain * x + c.a1 * self.y1 - c.a2 * self.y2;
        (self.y2, self.y1) = (self.y1, y);
        y
    }
}

/// A resonator's coefficients.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Resonance {
    gain: f64,
    a1: f64,
    a2: f64,
}

impl Resonance {
    pub(super) fn new(hz: f64, width_hz: f64, rate: f64) -> Self {
        let r = (-std::f64::consts::PI * width_hz / rate).exp();
        let w = std::f64::consts::TAU * hz / rate;
        Self { gain: (1.0 - r) * (1.0 - 2.0 * r * (2.0 * w).cos() + r * r).sqrt(), a1: 2.0 * r * w.cos(), a2: r * r }
    }
}
