//! One device: its cutter, and for each feed on it the meter and the ear's memory.

use super::Programme;
use super::pair::Tap;
use crate::feed::{Arrival, Cutter, FeedPatch, Hop, PatchError, Role};
use crate::judge::Hearing;
use crate::measure::{Meter, Reading, Texture};
use crate::units::{HOPS_A_TICK, SampleRate, StreamTime, db_of_amplitude};
use std::time::Duration;

pub(super) struct Seat {
    pub(super) index: usize,
    pub(super) name: String,
    pub(super) role: Role,
    pub(super) meter: Meter,
    /// `None`: levels only.
    texture: Option<Texture>,
    pub(super) reading: Option<Reading>,
    pub(super) hearing: Hearing,
    pub(super) channels: usize,
    /// Its hops of the open tick, where it is compared with another feed.
    pub(super) tap: Option<Tap>,
}

impl Seat {
    pub(super) fn programme(&self) -> Option<Programme> {
        let r = self.reading.as_ref()?;
        let peak = r.max_true_peak[..r.channels].iter().fold(0.0f64, |t, p| t.max(*p));
        Some(Programme {
            feed: self.index,
            integrated_lufs: r.integrated_lufs,
            range_lu: r.range_lu,
            max_momentary_lufs: r.max_momentary_lufs,
            max_short_term_lufs: r.max_short_term_lufs,
            true_peak_dbtp: (peak > 0.0).then(|| db_of_amplitude(peak)),
        })
    }
}

/// What is left of an arrival.
pub(super) enum Progress<'a> {
    Samples(&'a [f32]),
    Frames(u64),
    /// Silence behind the end, to fill the tick.
    Ending(usize),
}

pub(super) struct Lane {
    rate: SampleRate,
    channels: usize,
    patches: Vec<FeedPatch>,
    cutter: Cutter,
    pub(super) seats: Vec<Seat>,
    /// Hops since the stream began; goes on when the format changes.
    hops: u64,
    /// Frames into the hop that is open.
    into_hop: usize,
    idle_carry_nanos: u128,
}

impl Lane {
    pub(super) fn new(spec: super::LaneSpec, first: usize) -> Result<Self, PatchError> {
        let cutter = Cutter::new(spec.rate, spec.channels, &spec.feeds)?;
        let seats = spec
            .feeds
            .iter()
            .enumerate()
            .map(|(i, patch)| Seat {
                index: first + i,
                name: patch.name.clone(),
                role: patch.role,
                meter: Meter::new(spec.rate, patch),
                texture: Some(Texture::new(spec.rate, patch.channels.len())),
                reading: None,
                hearing: Hearing::default(),
                channels: patch.channels.len(),
                tap: None,
            })
            .collect();
        Ok(Self {
            rate: spec.rate,
            channels: spec.channels,
            patches: spec.feeds,
            cutter,
            seats,
            hops: 0,
            into_hop: 0,
            idle_carry_nanos: 0,
        })
    }

    /// Before the first arrival: levels alone are measured, and no faults looked for.
    pub(super) fn levels_only(&mut self) {
        for (seat, patch) in self.seats.iter_mut().zip(&self.patches) {
            (seat.meter, seat.texture) = (Meter::new(self.rate, patch).without_spectrum(), None);
        }
    }

    pub(super) fn carries(&self, role: Role) -> bool {
        self.seats.iter().any(|s| s.role == role)
    }

    pub(super) fn now(&self) -> StreamTime {
        StreamTime(self.hops)
    }

    pub(super) fn format(&self) -> (SampleRate, usize) {
        (self.rate, self.channels)
    }

    pub(super) fn refit(&mut self, rate: SampleRate, channels: usize) -> Result<(), PatchError> {
        self.cutter = Cutter::new(rate, channels, &self.patches)?;
        (self.rate, self.channels, self.into_hop) = (rate, channels, 0);
        for (seat, patch) in self.seats.iter_mut().zip(&self.patches) {
            seat.meter = seat.meter.refitted(rate, patch);
            seat.texture = seat.texture.take().map(|_| Texture::new(rate, patch.channels.len()));
        }
        Ok(())
    }

    pub(super) fn take<'a>(&mut self, arrival: Arrival<'a>) -> Progress<'a> {
        match arrival {
            Arrival::Block(block) => {
                Progress::Samples(&block.samples[..block.samples.len() / self.channels * self.channels])
            }
            Arrival::Lost { frames } => Progress::Frames(frames),
            Arrival::Idle { waited } => Progress::Frames(self.idle_frames(waited)),
            Arrival::Mark(_) => Progress::Frames(0),
        }
    }

    /// A wait in which nothing came, as frames (the fraction of a frame is carried over).
    fn idle_frames(&mut self, waited: Duration) -> u64 {
        let hz = u128::from(self.rate.hz());
        let total = waited.as_nanos() * hz + self.idle_carry_nanos;
        self.idle_carry_nanos = total % 1_000_000_000;
        // A day at most in one arrival: a machine that slept must not make the chain spin for minutes.
        (total / 1_000_000_000).min(hz * 86_400) as u64
    }

    /// Fills the open tick with silence behind the end, and at least as much as the peak filters hold back.
    pub(super) fn ending(&mut self) -> Progress<'static> {
        self.seats.iter_mut().for_each(|s| s.meter.end());
        let tick = self.rate.hop_frames() * HOPS_A_TICK as usize;
        let into = (self.hops % HOPS_A_TICK) as usize * self.rate.hop_frames() + self.into_hop;
        let fill = tick - into;
        Progress::Ending(if fill < self.rate.hop_frames() { fill + tick } else { fill })
    }

    /// Goes on to the next tick; `false` when the arrival is used up first.
    pub(super) fn advance(&mut self, progress: &mut Progress<'_>) -> bool {
        let hop_frames = self.rate.hop_frames();
        loop {
            let room = hop_frames - self.into_hop;
            let Self { cutter, seats, hops, .. } = self;
            let mut each = |feed: usize, hop: Hop<'_>| {
                let seat = &mut seats[feed];
                if let Some(texture) = &mut seat.texture {
                    texture.hop(&hop);
                }
                if let Some(tap) = &mut seat.tap {
                    tap.take(hop.samples, hop.missing_frames == 0);
                }
                if let Some(mut reading) = seat.meter.hop(&hop) {
                    reading.at = StreamTime(*hops + 1);
                    reading.flaws = seat.texture.as_mut().map(Texture::close).unwrap_or_default();
                    seat.hearing.step(&reading);
                    seat.reading = Some(reading);
                }
            };
            let took = match progress {
                Progress::Samples(rest) => {
                    let take = room.min(rest.len() / self.channels);
                    let (now, later) = rest.split_at(take * self.channels);
                    *rest = later;
                    cutter.block(crate::feed::Block { samples: now }, &mut each);
                    take
                }
                Progress::Ending(left) => {
                    let take = room.min(*left);
                    *left -= take;
                    cutter.block(crate::feed::Block { samples: &vec![0.0; take * self.channels] }, &mut each);
                    take
                }
                Progress::Frames(left) => {
                    let take = (room as u64).min(*left);
                    *left -= take;
                    cutter.lost(take, &mut each);
                    take as usize
                }
            };
            if took == 0 {
                return false;
            }
            self.into_hop += took;
            if self.into_hop == hop_frames {
                self.into_hop = 0;
                self.hops += 1;
                if self.hops.is_multiple_of(HOPS_A_TICK) {
                    return true;
                }
            }
        }
    }
}
