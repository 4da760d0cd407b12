//! The comparison at work: hops of both feeds in, a look at what they share every five seconds.

use super::acquire::Acquire;
use super::balance::Balance;
use super::cell::{BLOCK_SECONDS, Block};
use super::material::Listener;
use super::past::{self, Figures, Past, Shown};
use super::side::Side;
use super::spectra;
use super::thin::WORK_HZ;
use super::track::{self, Track};
use super::verdict::{self, Detail, Heard, HouseFeed, Kin, Opinion, Standing};
use super::{Likeness, Sides};
use crate::units::SampleRate;

/// Blocks from one look at the newest part to the next: 5.1 s. All is looked at every second time, and what is
/// undisputed no more often.
const LOOK_EVERY: u64 = 5;
/// Blocks of the newest part that may speak for itself: 90 s.
const RECENT: usize = 88;
/// Blocks of the part that may speak for a copy where an own mix stood: 61 s.
const CHANGED: usize = 60;
/// Blocks of shared sound in a row that end the verdict "unrelated": 4 s.
const SHARING: u32 = 4;

/// Compares two feeds, hop by hop.
pub struct Comparer {
    stream: Side,
    house: Side,
    acquire: Acquire,
    track: Track,
    listener: Listener,
    past: Past,
    blocks: u64,
    /// Blocks of shared sound in a row, up to now.
    sharing: u32,
    house_is: HouseFeed,
    by_count: bool,
    standing: Standing,
    likeness: Likeness,
    /// Figures of the last look.
    pub balance: Option<Balance>,
    /// What was heard at the last look.
    pub heard: Heard,
}

impl Comparer {
    /// For a stream and a house of these rates and channels.
    pub fn new(stream: (SampleRate, usize), house: (SampleRate, usize)) -> Self {
        Self {
            stream: Side::new(stream.0, stream.1),
            house: Side::new(house.0, house.1),
            acquire: Acquire::new(),
            track: Track::new(),
            listener: Listener::new(),
            past: Past::default(),
            blocks: 0,
            sharing: 0,
            house_is: HouseFeed::default(),
            by_count: true,
            standing: Standing::default(),
            likeness: Likeness::early(),
            balance: None,
            heard: Heard::default(),
        }
    }

    /// What the house feed is; a line from the desk until this is said.
    pub fn set_house(&mut self, is: HouseFeed) {
        self.house_is = is;
    }

    /// The next 10 ms of both, interleaved; `None` where they never came. Gives whether there was a look, which comes
    /// every 5 or 10 s: then `likeness` is new.
    pub fn hop(&mut self, stream: Option<&[f32]>, house: Option<&[f32]>) -> bool {
        self.push_stream(stream);
        self.push_house(house);
        self.advance()
    }

    /// A feed has another rate or another number of channels from now on: the delay is looked for anew, the verdict
    /// and its evidence stay.
    pub fn refit(&mut self, stream: (SampleRate, usize), house: (SampleRate, usize)) {
        (self.stream, self.house) = (Side::new(stream.0, stream.1), Side::new(house.0, house.1));
        self.track = Track::new();
        self.acquire.reset();
        self.listener.reset();
        self.past.clear();
    }

    /// 10 ms of the stream alone; for feeds on two devices, each by its own clock.
    pub fn push_stream(&mut self, hop: Option<&[f32]>) {
        self.stream.push(hop);
    }

    /// 10 ms of the house alone.
    pub fn push_house(&mut self, hop: Option<&[f32]>) {
        self.house.push(hop);
    }

    /// What there is to say, as of the last look.
    pub fn likeness(&self) -> &Likeness {
        &self.likeness
    }

    /// Compares what both have by now; gives whether there was a look.
    pub fn advance(&mut self) -> bool {
        let mut looked = false;
        loop {
            let Self { stream, house, track, listener, .. } = self;
            let mut fresh = None;
            let mut each = |moment: track::Moment<'_>| {
                if let Some(w) = listener.moment(&moment) {
                    fresh = Some(w);
                }
            };
            let Some(block) = track.step(stream, house, &mut each) else { return looked };
            if let Some(w) = fresh {
                self.past.was(w.material);
            }
            if let Some(block) = block {
                looked |= self.block(block);
            }
        }
    }

    fn block(&mut self, block: Block) -> bool {
        // A delay that was known and no longer fits tells nothing: an organ has few lines to go by.
        let mut telling = block.shared;
        if self.track.lock().is_none() {
            self.listener.reset();
            if block.active == [true, true] {
                if let Some(delay) = self.acquire.look(&self.stream, &self.house) {
                    self.track.follow(&self.stream, delay);
                    self.acquire.reset();
                }
                telling = self.acquire.telling();
            }
        }
        self.sharing = if block.shared { self.sharing + 1 } else { 0 };
        self.past.push(block, telling);
        self.blocks += 1;
        // Nobody waits for the next look with "unrelated" while the two share sound.
        let refuted = self.standing.announced.kin == Kin::Unrelated && self.sharing >= SHARING;
        let all_too = refuted || self.blocks.is_multiple_of(2 * LOOK_EVERY);
        if !all_too && (self.standing.undisputed(self.blocks) || !self.blocks.is_multiple_of(LOOK_EVERY)) {
            return false;
        }
        self.look(all_too)
    }

    /// Gives whether there was something to look at: between two looks at all that was heard, a verdict of the newest
    /// part alone.
    fn look(&mut self, all_too: bool) -> bool {
        let house_is = self.house_is;
        let say = |f: &Figures| verdict::look(&f.heard, f.balance.as_ref(), house_is);
        // What the last minutes show by themselves goes before what was: the patch may have been changed since.
        let channels = [self.stream.channels(), self.house.channels()];
        let figures_of = |span: usize| self.past.figures(span, channels);
        let mut span = RECENT;
        let mut figures = figures_of(span);
        let mut opinion = say(&figures);
        // Half of the newest part may still be what was before the patch was changed.
        let doubted = self.standing.doubted(self.blocks);
        if self.standing.announced.kin == Kin::Own && opinion.kin != Kin::Copy {
            let changed = figures_of(CHANGED);
            let told = say(&changed);
            if (told.kin, told.detail) == (Kin::Copy, Detail::Plain) || doubted && told.detail == Detail::OneSource {
                (span, figures, opinion) = (CHANGED, changed, told);
            }
        }
        // Level steps that come back to the same are proved by all that was heard, or not at all. What was before a copy
        // has no say while the newest part is still like one.
        let copy_goes_on = opinion.detail == Detail::OneSource && (doubted || self.standing.announced.kin == Kin::Copy);
        if !copy_goes_on && (opinion.kin == Kin::Unsure || opinion.detail == Detail::LevelSteps) {
            if !all_too {
                return false;
            }
            if self.past.blocks() > RECENT {
                span = past::LOOK_BACK;
                figures = figures_of(span);
                opinion = say(&figures);
            }
        }
        let shown = figures.balance.as_ref().map(|b| self.past.shown(span, b)).unwrap_or_default();
        let changed = self.standing.take(opinion, self.blocks, self.sharing >= SHARING);
        self.tell(changed, &figures, &shown);
        (self.balance, self.heard) = (figures.balance, figures.heard);
        true
    }

    fn tell(&mut self, changed: bool, figures: &Figures, shown: &Shown) {
        let at_seconds = self.blocks as f64 * BLOCK_SECONDS;
        let since_seconds = if changed { Some(at_seconds) } else { self.likeness.since_seconds };
        let Opinion { kin, detail, missing, .. } = self.standing.announced;
        let b = figures.balance.as_ref();
        let lock = self.track.lock();
        let sides = b.and_then(|b| match (self.stream.channels(), self.house.channels()) {
            (2, 2) if b.used == [true, true] => Some(match b.from {
                [0, 1] => Sides::Straight,
                [1, 0] => Sides::Swapped,
                [2, 2] => Sides::Summed,
                _ => Sides::Mixed,
            }),
            _ => None,
        });
        self.likeness = Likeness {
            kin,
            detail,
            missing,
            newest: self.standing.newest,
            since_seconds,
            at_seconds,
            delay_ms: self.delay_ms(),
            clock_ppm: self.clock_ppm(),
            inverted: lock.filter(|l| l.peak.abs() > 1e-3).map(|l| l.peak < 0.0),
            sides,
            level_db: b.map(|b| b.gain_db),
            talk_db: shown.talk_db,
            music_db: shown.music_db,
            groups: b.map(Balance::groups).unwrap_or_default(),
            lately_db: shown.lately_db,
            moves_db: b.map(|b| b.moves_db),
            added_db: b.map(|b| b.unexplained_db),
            evidence_seconds: b.map_or(0.0, |b| b.seconds),
            talk_seconds: figures.heard.talk_seconds,
            music_seconds: figures.heard.music_seconds,
        };
    }

    /// Both feeds began together and are counted alike (one device, or recordings): the delay is by count. Else it is
    /// by arrival.
    pub fn count_together(&mut self, yes: bool) {
        self.by_count = yes;
    }

    /// Stream behind house, ms, while it is known.
    pub fn delay_ms(&self) -> Option<f64> {
        let lock = self.track.lock()?;
        let counted = if self.by_count { 0.0 } else { (self.stream.end() - self.house.end()) as f64 };
        Some((lock.delay - counted) * 1000.0 / f64::from(WORK_HZ))
    }

    /// How much faster the stream's clock runs, parts in a million.
    pub fn clock_ppm(&self) -> Option<f64> {
        Some(self.track.lock()?.slope / spectra::STEP as f64 * 1e6)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Noise in bursts (xorshift steps), 48 kHz, one channel.
    fn bursts(seconds: usize, seed: u32) -> Vec<f32> {
        let mut x = seed;
        (0..seconds * 48_000)
            .map(|i| {
                x ^= x << 13;
                x ^= x >> 17;
                x ^= x << 5;
                let loud = if (i / 9_600) % 3 == 0 { 0.02 } else { 0.2 };
                loud * (x as f32 / u32::MAX as f32 - 0.5)
            })
            .collect()
    }

    fn late(x: &[f32], frames: usize, gain: f32) -> Vec<f32> {
        (0..x.len()).map(|i| if i < frames { 0.0 } else { gain * x[i - frames] }).collect()
    }

    /// Compares mono with mono, or a stereo stream (of two such) with a mono house.
    fn compared(stream: &[&[f32]], house: &[f32]) -> Comparer {
        let rate = SampleRate::HZ_48000;
        let mut comparer = Comparer::new((rate, stream.len()), (rate, 1));
        for hop in 0..house.len() / 480 {
            let span = hop * 480..(hop + 1) * 480;
            let s: Vec<f32> = span.clone().flat_map(|i| stream.iter().map(move |c| c[i])).collect();
            comparer.hop(Some(&s), Some(&house[span]));
        }
        comparer
    }

    #[test]
    fn delay_level_and_polarity_are_found_and_a_step_of_the_delay_is_followed() {
        let house = bursts(30, 7);
        let one = compared(&[&late(&house, 4_321, -0.25)], &house);
        assert!((one.delay_ms().unwrap() - 4_321.0 / 48.0).abs() < 0.005, "{:?}", one.delay_ms());
        assert_eq!(one.likeness().inverted, Some(true));
        assert!((one.likeness().level_db.unwrap() + 12.04).abs() < 0.02, "{:?}", one.likeness().level_db);
        assert!(one.clock_ppm().unwrap().abs() < 0.1, "{:?}", one.clock_ppm());
        let mut stepped = late(&house, 4_321, 0.25);
        let at = 14 * 48_000;
        stepped[at..].copy_from_slice(&late(&house, 14_321, 0.25)[at..]);
        let two = compared(&[&stepped], &house);
        assert!((two.delay_ms().unwrap() - 14_321.0 / 48.0).abs() < 0.02, "{:?}", two.delay_ms());
    }

    #[test]
    fn a_mono_house_is_one_side_or_the_sum_of_a_copy() {
        let (a, b) = (bursts(25, 7), bursts(25, 91));
        let sum: Vec<f32> = a.iter().zip(&b).map(|(a, b)| (a + b) / 2.0).collect();
        for (house, from) in [(&a, 0), (&b, 1), (&sum, 2)] {
            let balance = compared(&[&a, &b], house).balance.unwrap();
            assert_eq!((balance.from[0], balance.used), (from, [true, false]));
            assert!(balance.moves_db < 0.05 && balance.unexplained_db < -30.0, "{balance:?}");
            assert!(!balance.one_side, "the stream has two sides: {balance:?}");
        }
    }

    #[test]
    fn sides_that_are_nearly_the_same_are_told_apart() {
        let (a, b) = (bursts(25, 7), bursts(25, 91));
        // -28 dB of the other side is another sound.
        let right: Vec<f32> = a.iter().zip(&b).map(|(a, b)| 0.8 * a + 0.03 * b).collect();
        let balance = compared(&[&a, &right], &right).balance.unwrap();
        assert_eq!(balance.from[0], 1);
        assert!(balance.unexplained_db < -50.0, "{balance:?}");
    }

    #[test]
    fn a_sum_against_one_side_is_known_for_what_it_is() {
        let (a, b) = (bursts(25, 7), bursts(25, 91));
        let sum: Vec<f32> = a.iter().zip(&b).map(|(a, b)| (a + b) / 2.0).collect();
        assert!(compared(&[&sum, &sum], &a).balance.unwrap().one_side);
        assert!(compared(&[&sum], &a).balance.unwrap().one_side);
    }

    #[test]
    fn strange_sound_shares_nothing() {
        let comparer = compared(&[&bursts(70, 7)], &bursts(70, 12_345));
        assert_eq!((comparer.likeness().kin, comparer.delay_ms()), (Kin::Unrelated, None));
        let heard = comparer.heard;
        assert!(heard.shared == 0.0 && heard.telling > 0.9, "{heard:?}");
    }
}
