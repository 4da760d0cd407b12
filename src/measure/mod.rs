//! One feed's hops to one `Reading` a tick (100 ms): plain numbers, no judgement.
//!
//! Loudness per ITU-R BS.1770-5 and EBU Tech 3341 v4, loudness range per EBU Tech 3342 v4.
//! The same audio gives the same bits, however it was cut: every sum is closed at a hop's end.

mod decimate;
pub mod gate;
pub mod interpolator;
pub mod kaiser;
pub mod kfilter;
mod kstages;
pub mod kweight;
pub mod level;
pub mod mains;
pub mod peaks;
pub mod powers;
pub mod range;
pub mod reference;
pub mod selfcheck;
pub mod simd;
pub mod spectrum;
mod taps;
pub mod texture;
mod transform;
pub mod true_peak;
pub mod window;

mod meter;
pub use meter::Meter;
pub use texture::{Flaws, Texture};

use crate::units::{MAX_CHANNELS, StreamTime};

/// One channel over one tick.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ChannelLevel {
    /// Largest |sample|, full scale = 1.
    pub sample_peak: f64,
    /// Largest interpolated |value|, full scale = 1 (BS.1770-5, Annex 2).
    pub true_peak: f64,
    /// Mean square (a full-scale sine reads 0.5, as "RMS re 1.0").
    pub mean_square: f64,
    /// Mean square after K-weighting, unweighted by channel.
    pub k_mean_square: f64,
    /// Mean value (DC), full scale = 1.
    pub dc: f64,
    /// Smallest and largest sample: equal when the channel stands still.
    pub lowest: f64,
    /// Largest sample, signed.
    pub highest: f64,
    /// Runs of 3 or more same-sign samples at 0.999 or more of full scale that ended in this tick.
    pub full_scale_runs: u32,
    /// Longest run of exact zeros seen up to now in this tick, frames (runs cross ticks; not capped).
    pub zero_run_frames: u64,
}

/// One feed over one tick of 100 ms.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// End of the tick.
    pub at: StreamTime,
    /// Hops of this tick that were measured, 0 to 10; the others never came.
    pub measured_hops: u8,
    /// Channels, 1 to 6.
    pub channels: usize,
    /// Per channel; only the first `channels` mean something.
    pub channel: [ChannelLevel; MAX_CHANNELS],
    /// Mean of left times right after K-weighting (0 for mono): for correlation and mono loss.
    pub k_cross: f64,
    /// Loudness of this tick alone (100 ms), LUFS.
    pub tick_lufs: Option<f64>,
    /// Momentary loudness (400 ms) at the tick's end, LUFS.
    pub momentary_lufs: Option<f64>,
    /// Largest momentary loudness at any hop of this tick, LUFS.
    pub momentary_top_lufs: Option<f64>,
    /// Short-term loudness (3 s), LUFS.
    pub short_term_lufs: Option<f64>,
    /// Integrated loudness since the programme's start, LUFS (None until a block passes the gate).
    pub integrated_lufs: Option<f64>,
    /// Loudness range since the programme's start, LU.
    pub range_lu: Option<f64>,
    /// The range has 60 s of audio behind it (Tech 3342 via Tech 3341 2.4: before that, "not yet stable").
    pub range_stable: bool,
    /// Largest momentary loudness of the programme, LUFS.
    pub max_momentary_lufs: Option<f64>,
    /// Largest short-term loudness of the programme, LUFS.
    pub max_short_term_lufs: Option<f64>,
    /// Largest true peak of the programme, per channel, full scale = 1.
    pub max_true_peak: [f64; MAX_CHANNELS],
    /// Largest |sample| of the programme, per channel.
    pub max_sample_peak: [f64; MAX_CHANNELS],
    /// Spectrum of this tick; `None` when some of it never came or it is empty.
    pub spectrum: Option<spectrum::Spectrum>,
    /// A look at the lines of the mains, once a second.
    pub mains: Option<mains::Mains>,
    /// Samples cleaned since the stream began (NaN or infinite).
    pub cleaned_total: u64,
    /// Frames that never came since the stream began.
    pub missing_frames_total: u64,
    /// Holes, repeats, clicks, cut-off tops (found beside the meter, by `Texture`; none where that does not run).
    pub flaws: Flaws,
}

impl Reading {
    /// Correlation of left and right over this tick, -1 to 1; `None` when a side is silent or the feed is mono.
    pub fn correlation(&self) -> Option<f64> {
        let d = (self.channel[0].k_mean_square * self.channel[1].k_mean_square).sqrt();
        (self.channels == 2 && d > 1e-12).then(|| (self.k_cross / d).clamp(-1.0, 1.0))
    }

    /// Level of left over right, dB; `None` when a side is silent or the feed is mono.
    pub fn balance_db(&self) -> Option<f64> {
        let (l, r) = (self.channel[0].k_mean_square, self.channel[1].k_mean_square);
        (self.channels == 2 && l > 0.0 && r > 0.0).then(|| 10.0 * (l / r).log10())
    }

    /// Every sample of every channel of this tick stood still (zeros, or one stuck value).
    pub fn stands_still(&self) -> bool {
        self.measured_hops > 0 && self.channel[..self.channels].iter().all(|c| c.lowest == c.highest)
    }

    /// Nothing of this tick came.
    pub fn absent(&self) -> bool {
        self.measured_hops == 0
    }
}
