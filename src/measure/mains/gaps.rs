//! The weighting of the last seconds: the gaps between words count for much, loud syllables for little.

use super::super::simd::{F32x8, Isa, Kernel, Simd, products};
use super::WINDOW;

/// Samples that share a weight (16 ms).
const FRAME: usize = 32;
/// A loud frame takes the weight from so many on both sides, so that smoothing gives it none.
const AROUND: usize = 3;
const FRAMES: usize = WINDOW / FRAME;

/// Makes the window of one look after the other.
pub(super) struct Gaps {
    isa: Isa,
    /// `smooth` between the middles of two frames.
    between: [f32; FRAME],
    /// From sample to sample.
    changes: Vec<f32>,
    window: Vec<f32>,
}

impl Gaps {
    pub(super) fn new(isa: Isa) -> Self {
        let between = std::array::from_fn(|i| smooth(i as f32 / FRAME as f32));
        Self { isa, between, changes: vec![0.0; WINDOW], window: vec![0.0; WINDOW] }
    }

    /// The window for `sides` (`WINDOW` samples each), on top of `hann`, and the sum of its squares; `None` for silence.
    pub(super) fn window<'a>(&mut self, sides: impl Iterator<Item = &'a [f32]>, hann: &[f32]) -> Option<(&[f32], f64)> {
        let mut powers = [0.0; FRAMES];
        for side in sides {
            self.isa.run(Frames { side, changes: &mut self.changes, powers: &mut powers });
        }
        let weights = weights(&powers)?;
        let squares = self.isa.run(Weigh { weights: &weights, between: &self.between, hann, window: &mut self.window });
        Some((&self.window, squares))
    }
}

/// Adds the power of each frame of a side, of the change from sample to sample: rumble has no say.
struct Frames<'a> {
    side: &'a [f32],
    changes: &'a mut [f32],
    powers: &'a mut [f32; FRAMES],
}

impl Kernel for Frames<'_> {
    type Output = ();

    #[inline(always)]
    fn run<S: Simd>(self) {
        for ((change, now), before) in self.changes[1..].iter_mut().zip(&self.side[1..]).zip(self.side) {
            *change = now - before;
        }
        for (power, frame) in self.powers.iter_mut().zip(self.changes.as_chunks::<FRAME>().0) {
            *power += products::<S>(frame, frame).sum();
        }
    }
}

/// The weight of each frame: the inverse of its power, the quietest fifth all alike. `None` for silence.
fn weights(power: &[f32; FRAMES]) -> Option<[f32; FRAMES]> {
    let loudest =
        |j: usize| power[j.saturating_sub(AROUND)..=(j + AROUND).min(FRAMES - 1)].iter().fold(0.0f32, |t, p| t.max(*p));
    let round: [f32; FRAMES] = std::array::from_fn(loudest);
    let mut sorted = round;
    sorted.sort_by(f32::total_cmp);
    let floor = sorted[FRAMES / 5];
    (floor > 1e-16).then(|| {
        let sharp = round.map(|p| floor / p.max(floor));
        let at = |j: usize, off: usize| sharp[(j + off).saturating_sub(2).min(FRAMES - 1)];
        std::array::from_fn(|j| (at(j, 0) + 2.0 * at(j, 1) + 3.0 * at(j, 2) + 2.0 * at(j, 3) + at(j, 4)) / 9.0)
    })
}

/// Makes the window of the frames' weights. They belong to the middles of the frames; between these they run smoothly,
/// so that no tone is smeared far. Gives the sum of its squares.
struct Weigh<'a> {
    weights: &'a [f32; FRAMES],
    between: &'a [f32; FRAME],
    hann: &'a [f32],
    window: &'a mut [f32],
}

impl Kernel for Weigh<'_> {
    type Output = f64;

    #[inline(always)]
    fn run<S: Simd>(self) -> f64 {
        const HALF: usize = FRAME / 2;
        let mut squares = 0.0;
        for (j, weight) in self.weights.iter().enumerate() {
            // From the middle of the frame before to the middle of this one; the last goes on to the end.
            let before = self.weights[j.saturating_sub(1)];
            let (from, to) = ((j * FRAME).saturating_sub(HALF), j * FRAME + HALF);
            let part = self.window[from..to].iter_mut().zip(&self.hann[from..to]);
            for ((w, hann), between) in part.zip(&self.between[FRAME - (to - from)..]) {
                *w = hann * (before + between * (weight - before));
            }
            squares += f64::from(self.window[from..to].iter().map(|w| w * w).sum::<f32>());
        }
        let end = FRAMES * FRAME - HALF;
        for (w, hann) in self.window[end..].iter_mut().zip(&self.hann[end..]) {
            *w = hann * self.weights[FRAMES - 1];
        }
        squares + f64::from(self.window[end..].iter().map(|w| w * w).sum::<f32>())
    }
}

/// From 0 to 1 without a corner.
fn smooth(x: f32) -> f32 {
    x * x * (3.0 - 2.0 * x)
}
