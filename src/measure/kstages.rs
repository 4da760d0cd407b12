//! The K-weighting of two channels, two frames at a time, in five stages. Each works on the pair of frames that the
//! stage before it had in the step before: the recursion has nothing else to wait for, and a processor that looks some
//! sixty operations ahead always finds enough of them ready.

use super::kweight::{KSums, LookAhead, PAST};
use super::simd::{F64x4, Lanes, Simd};

/// Registers between the stages; each holds two frames, L R L R.
pub(super) struct Stages<S: Simd> {
    taps: [S::F64; PAST + 1],
    shelf: [S::F64; 2],
    high_pass: [S::F64; 2],
    two: S::F64,
    frames: S::F64,
    /// Second differences: those taken last, and those before, which are weighed already.
    bend: S::F64,
    weighed: S::F64,
    /// What the pairs so far give to the next, the next but one, and the one after that.
    ahead: [S::F64; 3],
    /// A pair for the shelf that lacks the shelf's output one pair before.
    gathered: S::F64,
    /// The last two outputs of each recursion, older first.
    shelved: [S::F64; 2],
    passed: [S::F64; 2],
    /// The output that is not yet in the sums.
    out: S::F64,
    square: S::F64,
    cross: S::F64,
}

impl<S: Simd> Stages<S> {
    /// Goes on from the last two frames, their `PAST` second differences and the recursions' last outputs.
    #[inline(always)]
    pub(super) fn new(of: &LookAhead, frames: &[f64], bent: &[f64], shelf: &[f64], high_pass: &[f64]) -> Self {
        let taps = of.taps.map(S::F64::splat);
        let zero = S::F64::splat(0.0);
        let (oldest, middle, newest) = (S::F64::load(bent), S::F64::load(&bent[4..]), S::F64::load(&bent[8..]));
        let (older, newer) = (S::F64::load(&bent[2..]), S::F64::load(&bent[6..]));
        let third = newest.mul(taps[6]);
        let second = middle.mul(taps[6]).add(newest.mul(taps[4])).add(newer.mul(taps[5]));
        let first = oldest.mul(taps[6]).add(middle.mul(taps[4])).add(older.mul(taps[5]));
        Self {
            taps,
            shelf: of.shelf.map(S::F64::splat),
            high_pass: of.high_pass.map(S::F64::splat),
            two: S::F64::splat(2.0),
            frames: S::F64::load(frames),
            bend: newest,
            weighed: newest,
            ahead: [first.add(newest.mul(taps[2])).add(newer.mul(taps[3])), second, third],
            gathered: zero,
            shelved: [S::F64::load(shelf), S::F64::load(&shelf[4..])],
            passed: [S::F64::load(high_pass), S::F64::load(&high_pass[4..])],
            out: zero,
            square: zero,
            cross: zero,
        }
    }

    /// All pairs of a hop (three at least) through all stages.
    #[inline(always)]
    pub(super) fn hop(&mut self, pairs: &[[f32; 4]]) -> KSums {
        self.take(&pairs[0]);
        self.gather();
        self.take(&pairs[1]);
        self.shelve();
        self.gather();
        self.take(&pairs[2]);
        for pair in &pairs[3..] {
            self.sum();
            self.pass();
            self.shelve();
            self.gather();
            self.take(pair);
        }
        self.sum();
        self.pass();
        self.shelve();
        self.gather();
        self.sum();
        self.pass();
        self.shelve();
        self.sum();
        self.pass();
        self.sum();
        let (square, cross) = (self.square.lanes(), self.cross.lanes());
        let mut sums = KSums { cross: cross[0] + cross[2], ..KSums::default() };
        (sums.square[0], sums.square[1]) = (square[0] + square[2], square[1] + square[3]);
        sums
    }

    /// Hands out what the next hop goes on from.
    #[inline(always)]
    pub(super) fn keep(&self, frames: &mut [f64], shelf: &mut [f64], high_pass: &mut [f64]) {
        frames[..4].copy_from_slice(&self.frames.lanes());
        for i in 0..2 {
            shelf[4 * i..4 * i + 4].copy_from_slice(&self.shelved[i].lanes());
            high_pass[4 * i..4 * i + 4].copy_from_slice(&self.passed[i].lanes());
        }
    }

    /// Stage 1: two frames, and their second differences.
    #[inline(always)]
    fn take(&mut self, pair: &[f32; 4]) {
        let now = S::F64::widened(pair);
        let between = self.frames.upper_then_lower(now);
        self.bend = self.frames.add(now).sub(between.mul(self.two));
        self.frames = now;
    }

    /// Stage 2: the taps.
    #[inline(always)]
    fn gather(&mut self) {
        let (bend, taps) = (self.bend, &self.taps);
        let across = self.weighed.upper_then_lower(bend);
        let [first, second, third] = self.ahead;
        self.gathered = first.sub(self.shelved[0].mul(self.shelf[1])).add(bend).add(across.mul(taps[1]));
        self.ahead = [
            second.add(bend.mul(taps[2])).add(across.mul(taps[3])),
            third.add(bend.mul(taps[4])).add(across.mul(taps[5])),
            bend.mul(taps[6]),
        ];
        self.weighed = bend;
    }

    /// Stage 3: the shelf's recursion.
    #[inline(always)]
    fn shelve(&mut self) {
        let shelved = self.gathered.sub(self.shelved[1].mul(self.shelf[0]));
        self.shelved = [self.shelved[1], shelved];
    }

    /// Stage 4: the high-pass's.
    #[inline(always)]
    fn pass(&mut self) {
        let [older, newer] = self.passed;
        self.out = self.shelved[1].sub(older.mul(self.high_pass[1])).sub(newer.mul(self.high_pass[0]));
        self.passed = [newer, self.out];
    }

    /// Stage 5: the sums.
    #[inline(always)]
    fn sum(&mut self) {
        self.square = self.square.add(self.out.mul(self.out));
        self.cross = self.cross.add(self.out.mul(self.out.swapped_pairs()));
    }
}
