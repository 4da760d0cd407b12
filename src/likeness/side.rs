//! One feed's side of the comparison: its last seconds at the work rate, by channel, and which hops never came.

use super::thin::{Channel, Thin, WORK_HOP};
use crate::units::SampleRate;

/// Hops kept: 2.56 s.
const KEPT_HOPS: usize = 256;
/// Frames kept.
const KEPT: usize = KEPT_HOPS * WORK_HOP;

/// A feed as the comparison sees it: one or two channels (of a wider feed, its first two).
#[derive(Debug, Clone)]
pub struct Side {
    width: usize,
    thin: Vec<Thin>,
    kept: Vec<Vec<f32>>,
    came: Vec<bool>,
    hops: u64,
    /// A hop of nothing.
    silence: Vec<f32>,
}

impl Side {
    /// A feed of `channels` channels at `rate`.
    pub fn new(rate: SampleRate, channels: usize) -> Self {
        let used = channels.clamp(1, 2);
        Self {
            width: channels.max(1),
            thin: vec![Thin::new(rate); used],
            kept: vec![vec![0.0; KEPT]; used],
            came: vec![false; KEPT_HOPS],
            hops: 0,
            silence: vec![0.0; rate.hop_frames() * channels.max(1)],
        }
    }

    /// Takes 10 ms, interleaved; `None` when they never came (time goes on).
    pub fn push(&mut self, hop: Option<&[f32]>) {
        let slot = (self.hops % KEPT_HOPS as u64) as usize;
        self.came[slot] = hop.is_some();
        let first = slot * WORK_HOP;
        for (channel, (thin, kept)) in self.thin.iter_mut().zip(&mut self.kept).enumerate() {
            let out = &mut kept[first..first + WORK_HOP];
            let hop = Channel { samples: hop.unwrap_or(&self.silence), width: self.width, at: channel };
            thin.hop(hop, out);
        }
        self.hops += 1;
    }

    /// Channels that are compared, 1 or 2.
    pub fn channels(&self) -> usize {
        self.kept.len()
    }

    /// Frames since the beginning, at the work rate.
    pub fn end(&self) -> i64 {
        (self.hops * WORK_HOP as u64) as i64
    }

    /// The oldest frame that is still here.
    pub fn oldest(&self) -> i64 {
        (self.end() - KEPT as i64).max(0)
    }

    /// All of `from..from + frames` came and is still here.
    pub fn has(&self, from: i64, frames: usize) -> bool {
        let to = from + frames as i64;
        from >= self.oldest() && to <= self.end() && {
            let (first, last) = (from as u64 / WORK_HOP as u64, (to as u64 - 1) / WORK_HOP as u64);
            (first..=last).all(|hop| self.came[(hop % KEPT_HOPS as u64) as usize])
        }
    }

    /// Frames `from..from + out.len()` of a channel, times `window`; call only for what is here.
    pub fn windowed(&self, channel: usize, from: i64, window: &[f32], out: &mut [f32]) {
        let kept = &self.kept[channel];
        let start = from.rem_euclid(KEPT as i64) as usize;
        let first = out.len().min(KEPT - start);
        let (a, b) = out.split_at_mut(first);
        for ((o, x), w) in a.iter_mut().zip(&kept[start..]).zip(window) {
            *o = x * w;
        }
        for ((o, x), w) in b.iter_mut().zip(kept).zip(&window[first..]) {
            *o = x * w;
        }
    }

    /// Largest magnitude of either channel over `from..from + frames`, full scale = 1; call only for what is here.
    pub fn peak(&self, from: i64, frames: usize) -> f32 {
        let start = from.rem_euclid(KEPT as i64) as usize;
        let first = frames.min(KEPT - start);
        let most = |part: &[f32]| part.iter().fold(0.0f32, |m, x| m.max(x.abs()));
        self.kept
            .iter()
            .fold(0.0, |m, kept| m.max(most(&kept[start..start + first])).max(most(&kept[..frames - first])))
    }

    /// Mean square of each channel over `from..from + frames`, full scale = 1; call only for what is here.
    pub fn mean_squares(&self, from: i64, frames: usize) -> [f64; 2] {
        let start = from.rem_euclid(KEPT as i64) as usize;
        let first = frames.min(KEPT - start);
        let mut all = [0.0; 2];
        for (all, kept) in all.iter_mut().zip(&self.kept) {
            *all = (squares(&kept[start..start + first]) + squares(&kept[..frames - first])) / frames as f64;
        }
        all
    }
}

/// Sum of the squares, in eight strands that the compiler can lay side by side.
fn squares(part: &[f32]) -> f64 {
    let (eights, rest) = part.as_chunks::<8>();
    let mut strands = [0.0f32; 8];
    eights.iter().for_each(|eight| strands.iter_mut().zip(eight).for_each(|(sum, x)| *sum += x * x));
    f64::from(strands.iter().sum::<f32>() + rest.iter().map(|x| x * x).sum::<f32>())
}
