//! `hum`: lines at the multiples of the mains frequency that are always there.
//!
//! Cause: a ground loop, an unbalanced cable beside a mains cable, a bad power supply, a dimmer. The viewers hear a low
//! hum or a buzz, most of all in pauses; it stays until somebody finds the channel. To check: plugs and cables that
//! changed last; the channel that is not needed; after the service, channel by channel. Time that there is: until the
//! next pause; a loud hum, none.
//!
//! A note may lie at 50 Hz, but it ends; hum does not. Each line's power is estimated from the last minute, looks that
//! the programme covers least weighing most (inverse variance), and must then be found in nearly all looks in which it
//! could be seen. Lines that are strong beside the programme may be a drone: they are told late.

use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::ring::push;
use crate::judge::roster::Recruit;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};
use crate::measure::mains::{HARMONICS, Line};
use crate::units::db_of_power;
use std::collections::VecDeque;

pub const ABOUT: &str = "hum or buzz of the mains, 50 or 60 Hz and multiples";
pub const HIDES: &[&str] = &["noise_floor"];
pub const WORDS: &[&Words] = &[&LOUD, &FAINT];

const EARTH: &str = "Never remove or tape over a mains earth. If anything tingles or gives a shock: switch it off, keep away, call an electrician.";

static LOUD: Words = Words {
    headline: "There is a loud hum on the {feed}",
    checks: [
        "Was something plugged in last? Lower that channel and see if the hum goes.",
        "Push audio plugs fully in. Move audio cables away from mains cables and dimmers.",
        "After the service: mute the channels one by one until the hum stops, then change that cable or its DI box.",
    ],
    viewers: "The viewers hear a hum or a buzz under everything.",
    evidence: "Hum of the mains stood at {value} dBFS (limit {limit} dBFS).",
    caution: EARTH,
};

static FAINT: Words = Words {
    headline: "There is a hum on the {feed}",
    checks: [
        "Is a channel open that nobody uses? Mute it at the next pause.",
        "Push audio plugs fully in. Move audio cables away from mains cables and dimmers.",
        "After the service: mute the channels one by one until the hum stops, then change that cable or its DI box.",
    ],
    viewers: "The viewers hear a faint hum in quiet moments.",
    evidence: "Hum of the mains stood at {value} dBFS (limit {limit} dBFS).",
    caution: EARTH,
};

knobs! {
    raise_after_seconds = 10.0, 1..600, "seconds before it is told, once some 10 s of it were heard";
    clear_after_seconds = 10.0, 1..120, "seconds without before it clears";
    above_dbfs = -66.0, -90..-20, "level of all lines from which it is told as advice, dBFS";
    loud_dbfs = -50.0, -80..-10, "level of all lines from which it is a warning, dBFS";
    drone_seconds = 150.0, 20..1800, "seconds before it is told where it is so strong that it may be a drone";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(Hum {
            settings: self.clone(),
            looks: VecDeque::with_capacity(LOOKS),
            drone_looks: 0,
            verdict: Verdict::Good,
        })
    }
}

/// Looks that are remembered: a minute.
const LOOKS: usize = 60;
/// The newest so many are judged apart, so that a hum that begins is told soon.
const NEWEST_LOOKS: usize = 25;
/// A line that is missing in most of so many latest looks is gone.
const LATEST_LOOKS: usize = 6;
/// Looks before anything is said.
const ENOUGH_LOOKS: usize = 12;
/// A hum is at least so far under the loud parts of the programme, or quieter than `QUIET_DBFS`; else it may be a
/// drone, dB.
const UNDER_PROGRAMME_DB: f64 = 15.0;
const QUIET_DBFS: f64 = -45.0;

#[derive(Clone, Copy)]
struct Look {
    lines: [[Line; HARMONICS]; 2],
    low_dbfs: f64,
}

struct Hum {
    settings: Settings,
    looks: VecDeque<Look>,
    /// Looks in a row in which it may have been a drone.
    drone_looks: u32,
    verdict: Verdict,
}

impl Watch for Hum {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        if scene.feed.absent() {
            return Verdict::Unsure;
        }
        if let Some(mains) = &scene.feed.mains {
            let lines = mains.combs.map(|c| c.lines);
            push(&mut self.looks, LOOKS, Look { lines, low_dbfs: f64::from(mains.low_dbfs) });
            self.verdict = self.judge();
        }
        self.verdict
    }
}

impl Hum {
    fn judge(&mut self) -> Verdict {
        let drone_looks = std::mem::take(&mut self.drone_looks);
        if self.looks.len() < ENOUGH_LOOKS {
            return Verdict::Good;
        }
        let newest = self.looks.len().saturating_sub(NEWEST_LOOKS);
        let spans = [(0, 0), (1, 0), (0, newest), (1, newest)];
        let found = spans.into_iter().filter_map(|(family, from)| self.comb_dbfs(family, from)).max_by(f64::total_cmp);
        let s = &self.settings;
        let Some(dbfs) = found.filter(|l| *l > s.above_dbfs) else { return Verdict::Good };
        let mut lows: Vec<f64> = self.looks.iter().map(|l| l.low_dbfs).collect();
        lows.sort_by(f64::total_cmp);
        let programme = lows[lows.len() * 4 / 5];
        let (words, severity, limit) = if dbfs > s.loud_dbfs {
            (&LOUD, Severity::Warning, s.loud_dbfs)
        } else {
            (&FAINT, Severity::Advice, s.above_dbfs)
        };
        let evidence = Evidence::new(words, severity, dbfs, limit);
        if dbfs > QUIET_DBFS && dbfs > programme - UNDER_PROGRAMME_DB {
            self.drone_looks = drone_looks + 1;
            if f64::from(self.drone_looks) < s.drone_seconds {
                return Verdict::Good;
            }
        }
        Verdict::Bad(evidence)
    }

    /// Level of a family's lines over the looks after the first `from`, dBFS; `None` when they are no hum.
    fn comb_dbfs(&self, family: usize, from: usize) -> Option<f64> {
        let held: [Held; HARMONICS] = std::array::from_fn(|k| self.line(family, k, from));
        let (mut firm, mut low_firm, mut fair, mut clear) = (0, false, 0, 0.0);
        let mut power = 0.0;
        for (k, line) in held.iter().enumerate().filter(|(_, l)| l.constant >= 0.75 && !l.gone) {
            if line.clearness >= 6.0 && line.looks >= 6.0 {
                firm += 1;
                low_firm |= k < 4;
            }
            if line.clearness >= 4.0 && line.looks >= 3.0 && line.constant >= 0.8 {
                fair += 1;
                clear += line.clearness;
            }
            if line.clearness >= 4.0 {
                power += line.power;
            }
        }
        let alone = held[..2].iter().any(|l| l.clearness >= 12.0 && l.constant >= 0.85 && l.looks >= 15.0 && !l.gone);
        let hum = alone || (firm >= 2 && low_firm) || (fair >= 4 && clear >= 24.0);
        hum.then(|| db_of_power(power))
    }

    /// One line over the looks after the first `from`.
    fn line(&self, family: usize, k: usize, from: usize) -> Held {
        let of = |look: &Look| (f64::from(look.lines[family][k].power), f64::from(look.lines[family][k].cover));
        let seen = || self.looks.iter().skip(from).map(of);
        // The estimate's own power blurs it too: no look counts for more than one in which the line stands 7 dB clear.
        let mut power = 0.0;
        for _ in 0..3 {
            let (sum, weights) = seen().fold((0.0, 0.0), |(sum, weights), (p, cover)| {
                let w = (cover + 0.2 * power + 1e-15).powi(-2);
                (sum + w * p, weights + w)
            });
            power = (sum / weights).max(0.0);
        }
        let (mut weights, mut squares, mut constant) = (0.0, 0.0, 0.0);
        for (p, cover) in seen() {
            let w = (cover + 0.2 * power + 1e-15).powi(-2);
            weights += w;
            squares += w * w;
            if (p - power).abs() <= (0.5 * power).max(1.5 * cover) {
                constant += w;
            }
        }
        let visible = seen().rev().take(LATEST_LOOKS).filter(|(_, cover)| *cover < 0.3 * power);
        let (there, missing) =
            visible.fold((0, 0), |(t, m), (p, _)| if p > 0.4 * power { (t + 1, m) } else { (t, m + 1) });
        Held {
            gone: missing > there,
            power,
            clearness: power * weights.sqrt(),
            constant: constant / weights,
            looks: weights * weights / squares,
        }
    }
}

/// What is known of a line.
struct Held {
    power: f64,
    /// Its power over that estimate's standard error.
    clearness: f64,
    /// Weighted part of the looks that agree with it, 0 to 1.
    constant: f64,
    /// Looks that the estimate rests on, weighted.
    looks: f64,
    /// It is missing in most of the latest looks that would show it.
    gone: bool,
}
