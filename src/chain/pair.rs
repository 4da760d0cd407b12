//! Where the stream and the house meet, on one lane or on two: their hops go to the comparison in step.
//!
//! On one lane the hops of both belong together by count. On two lanes each device counts by its own clock, and what
//! ties them is when their audio arrived: the comparison takes what has arrived of each, and follows the difference
//! of the clocks as a delay that moves.

use super::lane::Lane;
use crate::feed::Role;
use crate::likeness::{Comparer, HouseFeed, Likeness};
use crate::units::SampleRate;

/// The hops of one tick, as a seat keeps them for the pair.
#[derive(Default)]
pub(super) struct Tap {
    samples: Vec<f32>,
    came: Vec<bool>,
}

impl Tap {
    pub(super) fn take(&mut self, samples: &[f32], came: bool) {
        self.samples.extend_from_slice(samples);
        self.came.push(came);
    }

    fn hop(&self, index: usize) -> Option<&[f32]> {
        let size = self.samples.len() / self.came.len().max(1);
        self.came[index].then(|| &self.samples[index * size..(index + 1) * size])
    }

    fn clear(&mut self) {
        self.samples.clear();
        self.came.clear();
    }
}

/// A feed's place: lane and seat.
type Place = (usize, usize);

pub(super) struct Pair {
    stream: Place,
    house: Place,
    comparer: Comparer,
    formats: [(SampleRate, usize); 2],
}

fn format(lanes: &[Lane], place: Place) -> (SampleRate, usize) {
    (lanes[place.0].format().0, lanes[place.0].seats[place.1].channels)
}

impl Pair {
    /// The first stream feed with the first house feed; `None` when there are not both.
    pub(super) fn new(lanes: &mut [Lane], house_is: HouseFeed) -> Option<Self> {
        let find = |role: Role| {
            lanes.iter().enumerate().find_map(|(l, lane)| Some((l, lane.seats.iter().position(|s| s.role == role)?)))
        };
        let (stream, house) = (find(Role::Stream)?, find(Role::House)?);
        for (lane, seat) in [stream, house] {
            lanes[lane].seats[seat].tap = Some(Tap::default());
        }
        let formats = [format(lanes, stream), format(lanes, house)];
        let mut comparer = Comparer::new(formats[0], formats[1]);
        comparer.set_house(house_is);
        comparer.count_together(stream.0 == house.0);
        Some(Self { stream, house, comparer, formats })
    }

    /// The lanes began together and are counted alike: recordings.
    pub(super) fn count_together(&mut self) {
        self.comparer.count_together(true);
    }

    pub(super) fn set_house(&mut self, is: HouseFeed) {
        self.comparer.set_house(is);
    }

    /// Index of the stream's feed.
    pub(super) fn stream_feed(&self, lanes: &[Lane]) -> usize {
        lanes[self.stream.0].seats[self.stream.1].index
    }

    /// What there is to say of the two.
    pub(super) fn likeness(&self) -> &Likeness {
        self.comparer.likeness()
    }

    /// The tick of `lane` is over: its hops go in. Gives whether there is a new likeness.
    pub(super) fn tick(&mut self, lane: usize, lanes: &mut [Lane]) -> bool {
        if ![self.stream.0, self.house.0].contains(&lane) {
            return false;
        }
        let formats = [format(lanes, self.stream), format(lanes, self.house)];
        if formats != self.formats {
            self.formats = formats;
            self.comparer.refit(formats[0], formats[1]);
        }
        let mut looked = false;
        let hops =
            |place: Place, lanes: &[Lane]| lanes[place.0].seats[place.1].tap.as_ref().map_or(0, |t| t.came.len());
        let (of_stream, of_house) = (hops(self.stream, lanes), hops(self.house, lanes));
        for index in 0..of_stream.max(of_house) {
            for (place, count, is_stream) in [(self.stream, of_stream, true), (self.house, of_house, false)] {
                let Some(tap) = lanes[place.0].seats[place.1].tap.as_ref().filter(|_| index < count) else { continue };
                if is_stream {
                    self.comparer.push_stream(tap.hop(index));
                } else {
                    self.comparer.push_house(tap.hop(index));
                }
            }
            looked |= self.comparer.advance();
        }
        for (l, seat) in [self.stream, self.house] {
            if let Some(tap) = &mut lanes[l].seats[seat].tap {
                tap.clear();
            }
        }
        looked
    }
}
