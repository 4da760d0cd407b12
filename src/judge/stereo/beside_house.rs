//! Whether one side of the stream is turned over against the room's mix.
//!
//! How the sides relate in each band comes from the instruments, and both mixes have it from the same stage. Where all
//! bands of the stream show the opposite of what the house shows, a side was turned over between the two; the one
//! whose sides have less in common is the one that cancels. This needs no moment of a turn to be seen: it may have
//! been in a pause, or before the service.

use super::bands::{Bands, FEWEST_BANDS, LEAST_POWER, MIRRORED, likeness};

/// Ticks of sound in both before it is told.
const FEWEST_TICKS: u32 = 40;
/// What is left of the sums after a tick (half of it after 2 s).
const FADES: f32 = 0.966;
/// How alike the relations of both are, over all bands, where none is turned over.
const ALIKE: f32 = 0.3;
/// Relation of the house's sides, mean square over the bands, from which it says something: chance gives 0.01.
const LEAST_RELATION: f32 = 0.03;

/// The bands of both over the last seconds of sound in both.
#[derive(Debug, Default)]
pub(super) struct BesideHouse {
    stream: Bands,
    house: Bands,
    ticks: u32,
}

impl BesideHouse {
    /// Takes a tick of both; gives whether the stream is turned over against the house, if that can be told.
    pub(super) fn take(&mut self, stream: &Bands, house: &Bands) -> Option<bool> {
        for (sums, now) in [(&mut self.stream, stream), (&mut self.house, house)] {
            sums.as_flattened_mut().iter_mut().zip(now.as_flattened()).for_each(|(sum, x)| *sum = FADES * *sum + x);
        }
        self.ticks = self.ticks.saturating_add(1);
        let loudest = |of: &Bands| of.iter().fold(0.0f32, |top, b| top.max(b[0]));
        let least = [loudest(&self.stream), loudest(&self.house)].map(|top| LEAST_POWER * top);
        let heard: Vec<usize> =
            (0..self.stream.len()).filter(|b| self.stream[*b][0] > least[0] && self.house[*b][0] > least[1]).collect();
        if self.ticks < FEWEST_TICKS || heard.len() < FEWEST_BANDS {
            return None;
        }
        let relation = heard.iter().map(|b| (self.house[*b][1] / self.house[*b][0]).powi(2)).sum::<f32>();
        if relation < LEAST_RELATION * heard.len() as f32 {
            return None;
        }
        let common =
            |of: &Bands| heard.iter().map(|b| of[*b][1]).sum::<f32>() / heard.iter().map(|b| of[*b][0]).sum::<f32>();
        match likeness(&self.stream, &self.house, &heard) {
            l if l < MIRRORED => Some(common(&self.stream) < common(&self.house)),
            l if l > ALIKE => Some(false),
            _ => None,
        }
    }
}
