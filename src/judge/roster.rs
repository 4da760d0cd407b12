//! The roster: one line a condition. From the line come its settings section, its place in the judging, the
//! alert's and the metric's label, and its row in the documentation.

use super::dwell::Timing;
use super::knobs::{Knob, Knobs};
use super::{
    Watch, clipping, clipping_upstream, dc_offset, dropouts, long_quiet, no_data, one_side, own_mix, silence, spectral,
    stereo, too_loud, too_quiet, true_peak_over,
};

/// A condition's line.
pub struct Listing {
    /// Name in settings, metrics and JSON.
    pub name: &'static str,
    /// Conditions that share its cause: while this one stands (or may still come), they are not told.
    pub hides: &'static [&'static str],
    /// What it is, one line, for the settings file and the runbook.
    pub about: &'static str,
    /// Its numbers.
    pub knobs: &'static [Knob],
    /// All words that it can say.
    pub words: &'static [&'static super::Words],
}

/// What a condition at work needs from its settings.
pub trait Recruit: Knobs {
    /// Dwell times.
    fn timing(&self) -> Timing;
    /// Starts watching.
    fn watch(&self) -> Box<dyn Watch>;
}

/// One condition, ready for one feed.
pub struct Post {
    /// Its line.
    pub listing: &'static Listing,
    /// Its dwell times.
    pub timing: Timing,
    /// The condition.
    pub watch: Box<dyn Watch>,
}

macro_rules! roster {
    ($($name:ident: $($module:ident)::+ ;)+) => {
        /// All conditions, the worst causes first.
        pub static ROSTER: &[Listing] = &[$(
            Listing {
                name: stringify!($name),
                hides: $($module)::+::HIDES,
                about: $($module)::+::ABOUT,
                knobs: <$($module)::+::Settings as Knobs>::KNOBS,
                words: $($module)::+::WORDS,
            },
        )+];

        /// Section `[judge]` of the settings: one section a condition.
        #[derive(Debug, Clone, PartialEq, Default, serde::Deserialize)]
        #[serde(deny_unknown_fields, default)]
        pub struct JudgeSettings {
            $(#[allow(missing_docs)] pub $name: $($module)::+::Settings,)+
        }

        impl JudgeSettings {
            /// Every condition's numbers in force, in the roster's order.
            pub fn values(&self) -> Vec<(&'static Listing, bool, Vec<f64>)> {
                let values = [$((self.$name.enabled(), self.$name.values()),)+];
                ROSTER.iter().zip(values).map(|(l, (e, v))| (l, e, v)).collect()
            }

            /// The conditions that are enabled, ready for one feed, in the roster's order.
            pub fn posts(&self) -> Vec<Post> {
                let mut posts = Vec::new();
                let mut listings = ROSTER.iter();
                $(if let Some(listing) = listings.next() {
                    if self.$name.enabled() {
                        posts.push(Post { listing, timing: self.$name.timing(), watch: self.$name.watch() });
                    }
                })+
                posts
            }
        }
    };
}

roster! {
    no_data: no_data;
    silent_while_house_plays: silence::while_house_plays;
    digital_silence: silence::digital;
    bus_muted: silence::bus_muted;
    tone_left_on: spectral::tone_left_on;
    howl: spectral::howl;
    steady_noise: spectral::steady_noise;
    channel_dead: one_side::dead;
    polarity: stereo::polarity;
    clipping: clipping;
    gaps: dropouts::gaps;
    repeats: dropouts::repeats;
    clicks: dropouts::clicks;
    far_too_loud: too_loud::far;
    far_too_quiet: too_quiet::far;
    too_loud: too_loud;
    too_quiet: too_quiet;
    one_side_only: one_side;
    clipping_upstream: clipping_upstream;
    imbalance: stereo::imbalance;
    mono_loss: stereo::mono_loss;
    hum: spectral::hum;
    noise_floor: spectral::noise_floor;
    long_quiet: long_quiet;
    unrelated_feed: own_mix::unrelated_feed;
    house_copy: own_mix::house_copy;
    dual_mono: stereo::dual_mono;
    dc_offset: dc_offset;
    true_peak_over: true_peak_over;
}

/// The line of `name`.
pub fn listing(name: &str) -> Option<&'static Listing> {
    ROSTER.iter().find(|l| l.name == name)
}
