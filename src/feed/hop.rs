//! Cuts what one device delivers into 10 ms hops per feed, whatever the size of its blocks.
//!
//! Non-finite samples become 0 and are counted here; nothing non-finite passes this point.

use super::Block;
use crate::units::{MAX_CHANNELS, SampleRate};

/// What a feed is to the judge.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Role {
    /// The dedicated mix that the viewers hear.
    Stream,
    /// The mix that the room hears; the stream is compared with it.
    House,
    /// Another line (foyer, nursery): judged like the stream, compared with nothing.
    Other,
}

impl Role {
    /// Name in the log and in JSON.
    pub fn name(self) -> &'static str {
        match self {
            Self::Stream => "stream",
            Self::House => "house",
            Self::Other => "other",
        }
    }

    /// The role of this name.
    pub fn named(name: &str) -> Option<Self> {
        [Self::Stream, Self::House, Self::Other].into_iter().find(|r| r.name() == name)
    }
}

/// A feed's name, role and channels on its device.
#[derive(Debug, Clone, PartialEq)]
pub struct FeedPatch {
    /// Name for people, metrics and the log: `stream`, `house`, or another.
    pub name: String,
    /// Its role.
    pub role: Role,
    /// Zero-based channels of the device, 1 to 6.
    pub channels: Vec<u16>,
    /// BS.1770 weight of each channel (1.0; 1.41 for surround; 0 for LFE). One mono channel has weight 2: dual mono.
    pub weights: Vec<f64>,
}

/// A patch that does not fit the device.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PatchError {
    /// A channel beyond the device's last.
    #[error("feed {feed}: channel {channel} was asked for, the input has channels 1 to {have}; pick from these")]
    NoSuchChannel {
        /// Feed's name.
        feed: String,
        /// One-based channel asked for.
        channel: u32,
        /// Channels that there are.
        have: usize,
    },
    /// Too few or too many channels.
    #[error("feed {feed}: {found} channels were given; a feed has 1 to 6")]
    ChannelCount {
        /// Feed's name.
        feed: String,
        /// Channels given.
        found: usize,
    },
}

impl FeedPatch {
    /// A patch as people write it: the role follows from the name, `channels` count from 1.
    pub fn named(name: &str, channels: &[u16]) -> Self {
        let zero_based: Vec<u16> = channels.iter().map(|c| c.saturating_sub(1)).collect();
        Self::new(name, Role::named(name).unwrap_or(Role::Other), &zero_based)
    }

    /// A feed on zero-based `channels`, weighted by their number: one is dual mono; five are L R C Ls Rs and six
    /// L R C LFE Ls Rs (BS.1770-5, Annex 1, table 3; surrounds 1.41, LFE left out); else all alike.
    pub fn new(name: &str, role: Role, channels: &[u16]) -> Self {
        let weights = match channels.len() {
            1 => vec![2.0],
            5 => vec![1.0, 1.0, 1.0, 1.41, 1.41],
            6 => vec![1.0, 1.0, 1.0, 0.0, 1.41, 1.41],
            n => vec![1.0; n],
        };
        Self { name: name.into(), role, channels: channels.to_vec(), weights }
    }

    fn check(&self, device_channels: usize) -> Result<(), PatchError> {
        if self.channels.is_empty() || self.channels.len() > MAX_CHANNELS {
            return Err(PatchError::ChannelCount { feed: self.name.clone(), found: self.channels.len() });
        }
        match self.channels.iter().find(|c| usize::from(**c) >= device_channels) {
            Some(c) => Err(PatchError::NoSuchChannel {
                feed: self.name.clone(),
                channel: u32::from(*c) + 1,
                have: device_channels,
            }),
            None => Ok(()),
        }
    }
}

/// 10 ms of one feed: interleaved, finite.
#[derive(Debug, Clone, Copy)]
pub struct Hop<'a> {
    /// `hop_frames * channels` samples, interleaved.
    pub samples: &'a [f32],
    /// Channels, 1 to 6.
    pub channels: usize,
    /// Frames of this hop that never came (their samples read 0); such a hop is not measured.
    pub missing_frames: u32,
    /// Samples that were NaN or infinite and read 0 now.
    pub cleaned: u32,
}

struct Slot {
    channels: Vec<usize>,
    buffer: Vec<f32>,
    cleaned: u32,
}

/// Cuts one device's audio into hops for each of its feeds.
pub struct Cutter {
    device_channels: usize,
    hop_frames: usize,
    filled: usize,
    missing: u32,
    slots: Vec<Slot>,
}

impl Cutter {
    /// A cutter for a device of `device_channels` channels (1 to 64) and its feeds.
    ///
    /// # Errors
    /// `PatchError` when a feed asks for channels that the device lacks.
    pub fn new(rate: SampleRate, device_channels: usize, feeds: &[FeedPatch]) -> Result<Self, PatchError> {
        for feed in feeds {
            feed.check(device_channels)?;
        }
        let hop_frames = rate.hop_frames();
        let slots = feeds
            .iter()
            .map(|f| Slot {
                channels: f.channels.iter().map(|c| usize::from(*c)).collect(),
                buffer: vec![0.0; hop_frames * f.channels.len()],
                cleaned: 0,
            })
            .collect();
        Ok(Self { device_channels, hop_frames, filled: 0, missing: 0, slots })
    }

    /// Takes audio; calls `each(feed_index, hop)` for every feed at every full hop, feeds in patch order.
    pub fn block(&mut self, block: Block<'_>, each: &mut impl FnMut(usize, Hop<'_>)) {
        let width = self.device_channels;
        let mut rest = &block.samples[..block.samples.len() / width * width];
        while !rest.is_empty() {
            let take = (self.hop_frames - self.filled).min(rest.len() / width);
            let (now, later) = rest.split_at(take * width);
            rest = later;
            if take == self.hop_frames {
                self.whole(now, each);
                continue;
            }
            for slot in &mut self.slots {
                slot.fill(now, width, self.filled);
            }
            self.filled += take;
            self.emit_if_full(each);
        }
    }

    /// Frames that were lost: they pass as missing.
    pub fn lost(&mut self, mut frames: u64, each: &mut impl FnMut(usize, Hop<'_>)) {
        while frames > 0 {
            let take = ((self.hop_frames - self.filled) as u64).min(frames) as usize;
            for slot in &mut self.slots {
                let n = slot.channels.len();
                slot.buffer[self.filled * n..(self.filled + take) * n].fill(0.0);
            }
            self.filled += take;
            self.missing += take as u32;
            frames -= take as u64;
            self.emit_if_full(each);
        }
    }

    /// A hop that came in one piece: who takes all channels as they come gets it without a copy, unless it needs cleaning.
    fn whole(&mut self, now: &[f32], each: &mut impl FnMut(usize, Hop<'_>)) {
        let width = self.device_channels;
        for (index, slot) in self.slots.iter_mut().enumerate() {
            if slot.takes_all(width) && all_finite(now) {
                each(index, Hop { samples: now, channels: width, missing_frames: 0, cleaned: 0 });
            } else {
                slot.fill(now, width, 0);
                slot.emit(index, 0, each);
            }
        }
    }

    fn emit_if_full(&mut self, each: &mut impl FnMut(usize, Hop<'_>)) {
        if self.filled < self.hop_frames {
            return;
        }
        for (index, slot) in self.slots.iter_mut().enumerate() {
            slot.emit(index, self.missing, each);
        }
        self.filled = 0;
        self.missing = 0;
    }
}

impl Slot {
    /// Whether its channels are all of the device's, in their order.
    fn takes_all(&self, width: usize) -> bool {
        self.channels.len() == width && self.channels.iter().enumerate().all(|(i, c)| i == *c)
    }

    fn emit(&mut self, index: usize, missing_frames: u32, each: &mut impl FnMut(usize, Hop<'_>)) {
        let (channels, cleaned) = (self.channels.len(), std::mem::take(&mut self.cleaned));
        each(index, Hop { samples: &self.buffer, channels, missing_frames, cleaned });
    }

    fn fill(&mut self, now: &[f32], width: usize, from_frame: usize) {
        let (n, takes_all) = (self.channels.len(), self.takes_all(width));
        let frames = now.len() / width;
        let out = &mut self.buffer[from_frame * n..(from_frame + frames) * n];
        if takes_all {
            out.copy_from_slice(now);
        } else {
            for (frame, out) in now.chunks_exact(width).zip(out.chunks_exact_mut(n)) {
                for (o, c) in out.iter_mut().zip(&self.channels) {
                    *o = frame[*c];
                }
            }
        }
        if !all_finite(out) {
            for x in out.iter_mut().filter(|x| !x.is_finite()) {
                *x = 0.0;
                self.cleaned += 1;
            }
        }
    }
}

/// NaN and infinities never leave a sum again; a sum that is finite has none. Huge samples may take one to infinity:
/// then each is looked at.
fn all_finite(samples: &[f32]) -> bool {
    let (many, rest) = samples.as_chunks::<16>();
    let mut sums = [0.0f32; 16];
    for sixteen in many {
        sums.iter_mut().zip(sixteen).for_each(|(sum, x)| *sum += x);
    }
    sums.iter().chain(rest).sum::<f32>().is_finite() || samples.iter().all(|x| x.is_finite())
}
