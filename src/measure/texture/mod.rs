//! The fine structure of a feed: holes, repeated stretches, clicks, tops that are cut off. Counts, no judgement.
//!
//! Beside the meter, from the same hops. Everything is closed at a hop's end, so the same audio gives the same
//! counts however it was cut; what looks ahead is counted in the tick in which it is certain (at most 0.5 s later).

mod clicks;
mod holes;
mod repeats;
mod tops;

pub use tops::{Tops, VIEWS};

use super::simd::{Isa, Kernel, Simd, peak_of};
use crate::feed::Hop;
use crate::units::{MAX_CHANNELS, SampleRate};
use clicks::{Clicks, ORDER};
use holes::Holes;
use repeats::Repeats;
use tops::TopFinder;

/// What was found in one tick.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Flaws {
    /// Holes that became certain in this tick; the same moment on several channels counts once.
    pub holes: u32,
    /// The longest of them, ms.
    pub longest_hole_ms: f64,
    /// Stretches that were played twice.
    pub repeats: u32,
    /// Clicks: single jumps that nothing before or after explains.
    pub clicks: u32,
    /// Tops of the waves, per channel and way of looking: how many there were, how many of them were straight.
    pub tops: [[Tops; VIEWS]; MAX_CHANNELS],
}

/// Finds flaws in one feed.
pub struct Texture {
    isa: Isa,
    hop_frames: usize,
    strands: Vec<Strand>,
    repeats: Repeats,
    open: Flaws,
}

/// One channel.
struct Strand {
    /// `LEAD` samples of history, the hop before, the present hop.
    samples: Vec<f32>,
    holes: Holes,
    clicks: Clicks,
    tops: TopFinder,
}

/// Samples kept before the hop before.
const LEAD: usize = ORDER;

impl Texture {
    /// For a feed of `channels` channels at `rate`.
    pub fn new(rate: SampleRate, channels: usize) -> Self {
        let hop = rate.hop_frames();
        let strand = || Strand {
            samples: vec![0.0; LEAD + 2 * hop],
            holes: Holes::new(rate),
            clicks: Clicks::new(hop),
            tops: TopFinder::new(rate),
        };
        Self {
            isa: Isa::best(),
            hop_frames: hop,
            strands: (0..channels).map(|_| strand()).collect(),
            repeats: Repeats::new(rate),
            open: Flaws::default(),
        }
    }

    /// Takes one hop.
    pub fn hop(&mut self, hop: &Hop<'_>) {
        if hop.missing_frames > 0 {
            // What comes after has no past.
            let hop_frames = self.hop_frames;
            for s in &mut self.strands {
                s.samples.fill(0.0);
                (s.holes, s.clicks) = (s.holes.afresh(), Clicks::new(hop_frames));
                s.tops.forget();
            }
            self.repeats.forget(hop_frames);
            return;
        }
        self.isa.run(Look { texture: self, hop });
    }

    /// The tick's flaws; the next tick begins.
    pub fn close(&mut self) -> Flaws {
        for (s, out) in self.strands.iter_mut().zip(&mut self.open.tops) {
            *out = s.tops.close();
        }
        std::mem::take(&mut self.open)
    }

    #[inline(always)]
    fn look<S: Simd>(&mut self, hop: &Hop<'_>) {
        let n = self.hop_frames;
        let (mut holes, mut longest, mut clicks) = (0, 0.0f64, 0);
        for (c, s) in self.strands.iter_mut().enumerate() {
            s.samples.copy_within(n.., 0);
            let fresh = &mut s.samples[LEAD + n..];
            match (hop.channels, c) {
                (2, 0) => fresh.iter_mut().zip(hop.samples.as_chunks::<2>().0).for_each(|(to, x)| *to = x[0]),
                (2, _) => fresh.iter_mut().zip(hop.samples.as_chunks::<2>().0).for_each(|(to, x)| *to = x[1]),
                (w, _) => fresh.iter_mut().zip(hop.samples.iter().skip(c).step_by(w)).for_each(|(to, x)| *to = *x),
            }
            let peak = peak_of::<S>(fresh);
            let found = s.holes.hop::<S>(fresh);
            holes = holes.max(found.0);
            longest = longest.max(found.1);
            clicks = clicks.max(s.clicks.hop::<S>(&s.samples, n, peak));
            s.tops.hop::<S>(&s.samples[LEAD..], peak);
        }
        self.open.holes += holes;
        self.open.longest_hole_ms = self.open.longest_hole_ms.max(longest);
        self.open.clicks += clicks;
        let strand = |c: usize| &self.strands[c].samples[LEAD + n..];
        self.open.repeats += match self.strands.len() {
            1 => self.repeats.hop(strand(0), strand(0)),
            _ => self.repeats.hop(strand(0), strand(1)),
        };
    }
}

struct Look<'a, 'h> {
    texture: &'a mut Texture,
    hop: &'a Hop<'h>,
}

impl Kernel for Look<'_, '_> {
    type Output = ();

    #[inline(always)]
    fn run<S: Simd>(self) {
        self.texture.look::<S>(self.hop);
    }
}
