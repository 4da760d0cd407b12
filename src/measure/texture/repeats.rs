//! Repeats: a stretch of sound that is played twice, bit for bit, as when a buffer is handed over a second time.
//!
//! Samples whose own bits say so (1 in 16) are anchors; a table finds the place where the same four samples stood
//! before, up to 0.5 s ago; from there both places are followed. It is a repeat when what agrees is as long as
//! the distance: the same stretch, twice. A generator's tone agrees for ever and is none.

use crate::units::SampleRate;

/// Frames looked at together.
const STRETCH: usize = 32;
/// Places of the table: few, so that it stays near the processor. An anchor that another has driven out is no loss, as a
/// repeat has many.
const PLACES: usize = 1_024;
/// Shortest distance, frames.
const LEAST_LAG: u32 = 32;
/// Samples that must agree before anything is followed.
const SURE: u32 = 12;
/// Sound in the stretch: largest less smallest value, full scale = 1.
const LEAST_RANGE: f32 = 0.004;
/// An agreement this many times as long as its distance is a periodic wave, unless its period is long.
const PERIODS: u32 = 4;

/// Parting by less than this part of the range is a generator's rounding, not the end of a stretch.
const ROUNDING: f32 = 5e-4;

/// What is being followed.
#[derive(Clone, Copy)]
struct Following {
    lag: u32,
    agreed: u32,
    low: f32,
    high: f32,
}

/// One feed's repeats, on a sum of its first two channels with unlike weights.
pub(super) struct Repeats {
    ring: Vec<f32>,
    /// Where an anchor stood, in the low bits, as an index of the ring; what it looked like in the others.
    table: Vec<u32>,
    /// Frames so far; wraps, as the ring's index does.
    now: u32,
    most_lag: u32,
    long_period: u32,
    following: Option<Following>,
}

impl Repeats {
    pub(super) fn new(rate: SampleRate) -> Self {
        let most_lag = rate.hz() / 2;
        let ring = (most_lag as usize + 2 * SURE as usize).next_power_of_two();
        Self {
            ring: vec![0.0; ring],
            table: vec![0; PLACES],
            now: 0,
            most_lag,
            long_period: rate.hz() / 20,
            following: None,
        }
    }

    /// Time goes on by a hop that nobody heard.
    pub(super) fn forget(&mut self, frames: usize) {
        self.following = None;
        for _ in 0..frames {
            self.put(0.0);
        }
    }

    fn put(&mut self, x: f32) {
        let mask = self.ring.len() as u32 - 1;
        self.ring[(self.now & mask) as usize] = x;
        self.now = self.now.wrapping_add(1);
    }

    fn back(&self, frames: u32) -> f32 {
        let mask = self.ring.len() as u32 - 1;
        self.ring[(self.now.wrapping_sub(frames) & mask) as usize]
    }

    /// Takes a hop of two channels (twice the same for one); gives the repeats that ended in it.
    #[inline(always)]
    pub(super) fn hop(&mut self, left: &[f32], right: &[f32]) -> u32 {
        let mut found = 0;
        let mut at = 0;
        while at < left.len() {
            let end = left.len().min(at + STRETCH);
            found += self.stretch(&left[at..end], &right[at..end]);
            at = end;
        }
        found
    }

    /// The same for at most `STRETCH` frames.
    #[inline(always)]
    fn stretch(&mut self, left: &[f32], right: &[f32]) -> u32 {
        let mut line = [0.0f32; STRETCH + 3];
        // The fourth sample before the newest decides whether there is an anchor, so that four are there.
        for (before, back) in line[..3].iter_mut().zip([3, 2, 1]) {
            *before = self.back(back);
        }
        for (to, (l, r)) in line[3..].iter_mut().zip(left.iter().zip(right)) {
            *to = l + 1.3 * r;
        }
        let mut anchors = 0u32;
        for (k, first) in line[..STRETCH].iter().enumerate() {
            let chosen = first.to_bits().wrapping_mul(0x9e37_79b1) < 1 << 28;
            anchors |= u32::from(chosen & (*first != 0.0)) << k;
        }
        let (fresh, mut found, mut k) = (&line[3..3 + left.len()], 0, 0);
        while k < fresh.len() {
            // To the next anchor at once, unless two places are being followed.
            let next = match self.following {
                Some(_) => k,
                None => fresh.len().min(k + (anchors >> k).trailing_zeros() as usize + 1) - 1,
            };
            found += u32::from(self.follow(fresh[next]));
            fresh[k..=next].iter().for_each(|x| self.put(*x));
            if anchors >> next & 1 == 1 {
                self.anchor();
            }
            k = next + 1;
        }
        found
    }

    /// Whether the next sample `x` ends a repeat.
    #[inline(always)]
    fn follow(&mut self, x: f32) -> bool {
        let Some(f) = self.following else { return false };
        let then = self.back(f.lag);
        if x == then {
            self.following = Some(Following { agreed: f.agreed + 1, low: f.low.min(x), high: f.high.max(x), ..f });
            return false;
        }
        self.following = None;
        self.is_repeat(f, (x - then).abs())
    }

    fn anchor(&mut self) {
        let mut hash = 0u32;
        for back in 1..=4 {
            hash = (hash ^ self.back(back).to_bits()).wrapping_mul(0x85eb_ca6b).rotate_left(13);
        }
        let mask = self.ring.len() as u32 - 1;
        let place = (hash.wrapping_mul(0x9e37_79b1) >> 20) as usize % PLACES;
        let entry = self.now & mask | hash & !mask;
        let then = std::mem::replace(&mut self.table[place], entry);
        let lag = entry.wrapping_sub(then) & mask;
        // The ring is looked at only where the anchors look alike: it is large, and far from the processor.
        if self.following.is_some() || (entry ^ then) & !mask != 0 || !(LEAST_LAG..=self.most_lag).contains(&lag) {
            return;
        }
        if !(1..=SURE).all(|k| self.back(k) == self.back(k + lag)) {
            return;
        }
        // Backwards as far as it agrees: at most the distance, and what the ring still holds.
        let most = lag.min(self.ring.len() as u32 - lag - 1);
        let mut f = Following { lag, agreed: 0, low: f32::INFINITY, high: f32::NEG_INFINITY };
        for k in 1..=most {
            let x = self.back(k);
            if x != self.back(k + lag) {
                break;
            }
            f = Following { agreed: k, low: f.low.min(x), high: f.high.max(x), ..f };
        }
        self.following = Some(f);
    }

    /// `parted`: how far both places lie apart where they no longer agree.
    fn is_repeat(&self, f: Following, parted: f32) -> bool {
        let whole = f.agreed as f32 >= 0.9 * f.lag as f32;
        let periodic = f.agreed > PERIODS * f.lag && f.lag < self.long_period;
        let range = f.high - f.low;
        whole && !periodic && range > LEAST_RANGE && parted > ROUNDING * range
    }
}
