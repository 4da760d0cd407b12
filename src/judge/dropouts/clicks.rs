//! `clicks`: the sound jumps, again and again.
//!
//! Cause: a loose connector, a switch or a fader that crackles, two digital clocks that are not tied together. The
//! viewers hear clicks and pops. If nobody acts it goes on; a loose connector may fail altogether. Time that
//! there is: until the next pause; then the connectors one after the other.

use super::Minute;
use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::roster::Recruit;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};
use crate::measure::texture::{Tops, VIEWS};
use crate::units::{MAX_CHANNELS, StreamTime};

pub const ABOUT: &str = "the sound jumps (clicks, pops), again and again";
pub const HIDES: &[&str] = &[];
pub const WORDS: &[&Words] = &[&CLICKS];

static CLICKS: Words = Words {
    headline: "The {feed} clicks and pops",
    checks: [
        "Is a plug loose? Look at the stream mix's cable first, then at the microphone that speaks now.",
        "Do desk and sound interface run at the same sample rate, one of them set to follow the other's clock?",
        "Does somebody switch or tap a microphone?",
    ],
    viewers: "The viewers hear clicks.",
    evidence: "The sound jumped {value} times within a minute (limit {limit}).",
    caution: "",
};

knobs! {
    clear_after_seconds = 5.0, 1..120, "seconds under the limit before it clears";
    clicks_a_minute = 5.0, 1..100, "clicks within a minute, a burst counting once";
}

/// Clicks nearer to each other than this are one burst, hops (0.3 s).
const BURST_HOPS: u64 = 30;

/// A hole explains the clicks around it for so long, seconds.
const AFTER_HOLE_SECONDS: f64 = 20.0;

/// Tops of waves that were cut off before the desk's filters jump at their rims. This part of the tops of the last ten
/// seconds, straight in one way of looking, explains the clicks (sound with nothing cut off: 0 to 0.02).
const CUT_SHARE: f32 = 0.08;
/// Tops that must have been seen.
const LEAST_TOPS: f32 = 50.0;
/// What is left of a count after a tick (a tenth of it is gone after a second).
const FADES: f32 = 0.99;

/// Tops seen and straight ones, of each channel in each way of looking, fading.
#[derive(Default)]
struct CutTops {
    sums: [[[f32; 2]; VIEWS]; MAX_CHANNELS],
}

impl CutTops {
    /// Takes a tick; gives whether tops were cut off lately.
    fn take(&mut self, tops: &[[Tops; VIEWS]; MAX_CHANNELS]) -> bool {
        let mut cut = false;
        for ([seen, straight], tops) in self.sums.as_flattened_mut().iter_mut().zip(tops.as_flattened()) {
            *seen = FADES * *seen + tops.seen as f32;
            *straight = FADES * *straight + tops.straight as f32;
            cut |= *seen >= LEAST_TOPS && *straight >= CUT_SHARE * *seen;
        }
        cut
    }
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: 0.0, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(Clicks {
            limit: self.clicks_a_minute,
            minute: Minute::default(),
            last_hole: None,
            tops: CutTops::default(),
        })
    }
}

struct Clicks {
    limit: f64,
    minute: Minute,
    last_hole: Option<StreamTime>,
    tops: CutTops,
}

impl Watch for Clicks {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        let feed = scene.feed;
        // A wave that is cut off at full scale jumps, too: that is clipping's to tell.
        let clips = feed.channel[..feed.channels].iter().any(|c| c.full_scale_runs > 0);
        let now = feed.flaws.clicks > 0 && !clips;
        let cut = self.tops.take(&feed.flaws.tops);
        if feed.flaws.holes > 0 {
            self.last_hole = Some(feed.at);
        }
        if cut || self.last_hole.is_some_and(|t| feed.at.since(t) < AFTER_HOLE_SECONDS) {
            // The rims of holes and of cut-off tops jump, too.
            return Verdict::Unsure;
        }
        let n = self.minute.step(feed.at, now, BURST_HOPS) as f64;
        if n < self.limit {
            Verdict::Good
        } else if now {
            Verdict::Bad(Evidence::new(&CLICKS, Severity::Advice, n, self.limit))
        } else {
            // Told at a moment of its own, not because a worse cause has just ended.
            Verdict::Unsure
        }
    }

    fn forget(&mut self) {
        self.minute = Minute::default();
    }
}
