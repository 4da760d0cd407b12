//! `howl`: feedback between a microphone and a loudspeaker.
//!
//! Cause: a microphone hears its own loudspeaker. The viewers, and the room, hear a rising tone that can damage ears
//! and loudspeakers; it stays until somebody turns down. To do: turn down the microphone raised last; then its sends
//! to monitors; then move it. Time that there is: none.
//!
//! A loop over unity grows by the same number of dB in each second, at one frequency, without harmonics, and the rest
//! of the sound does not grow with it: a straight line of at least 6 ticks and 12 dB. A singer's swell bends, wavers
//! and carries harmonics; an organ's swell raises all its pipes; a note begins within two ticks. A howl that was there
//! from the start is a pure tone that holds for 8 s. Once it is told, it stays a howl when it has grown to its end and
//! stands there like a test tone.

use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::ring::push;
use crate::judge::roster::Recruit;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};
use crate::measure::spectrum::Spectrum;
use crate::units::{HOPS_A_TICK, TICKS_A_SECOND};
use std::collections::VecDeque;

pub const ABOUT: &str = "feedback: a pure tone that grows by itself";
pub const HIDES: &[&str] =
    &["too_loud", "far_too_loud", "hum", "clipping_upstream", "steady_noise", "clicks", "tone_left_on"];
pub const WORDS: &[&Words] = &[&HOWL];

static HOWL: Words = Words {
    headline: "A microphone is howling (feedback): turn it down",
    checks: [
        "Turn down first: the microphone that was opened or raised last.",
        "Turn down what that microphone sends to the monitors and to the room.",
        "Move the microphone away from the loudspeaker before you raise it again.",
    ],
    viewers: "The viewers hear a loud whistle or howl.",
    evidence: "A pure tone grew to {value} dBFS by itself (limit {limit} dBFS).",
    caution: "Turn down first. Take headphones off: a howl can hurt ears and loudspeakers.",
};

knobs! {
    raise_after_seconds = 0.2, 0..10, "seconds before it is told, once it has grown";
    clear_after_seconds = 3.0, 0.1..60, "seconds without before it clears";
    above_dbfs = -45.0, -70..-10, "level from which it counts, dBFS";
    grows_db = 12.0, 4..40, "growth along a straight line, dB";
    grows_db_a_second = 4.0, 1..20, "slowest growth, dB a second";
    holds_seconds = 8.0, 3..60, "seconds after which a pure tone without growth counts";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(Howl { settings: self.clone(), tracks: Vec::with_capacity(MOST_TRACKS) })
    }
}

/// Feedback of a microphone and a loudspeaker lies here, Hz (lower: subwoofers, where a pedal note looks the same).
const HOWL_HZ: (f32, f32) = (150.0, 12_000.0);
/// Peaks followed at once.
const MOST_TRACKS: usize = 8;
/// Ticks a track remembers (10 s): the longest straight line is 3 s of it.
const MEMORY_TICKS: usize = 10 * TICKS_A_SECOND as usize;
const LONGEST_LINE: u64 = 3 * TICKS_A_SECOND;
const REMEMBERED: u64 = MEMORY_TICKS as u64;
const SHORTEST_LINE: usize = 6;
/// Share of the sound's power that a growing howl has when it is told: what one partial of an organ stays below.
const LEAST_SHARE: f64 = 0.1;
/// Least distance from its neighbours, and on average from its harmonics, dB.
const OVER_NEIGHBOURS_DB: f32 = 15.0;
const OVER_HARMONICS_DB: f64 = 24.0;
const HELD_OVER_HARMONICS_DB: f64 = 35.0;
/// Ticks without its peak before a track is given up: loud syllables hide it for that long.
const MISSES: u64 = 15;
/// A howl that was told is over after so many.
const GROWN_MISSES: u64 = 8;

/// One peak, followed from tick to tick.
struct Track {
    hz: f64,
    points: VecDeque<Point>,
    grown: bool,
    top_dbfs: f64,
}

#[derive(Clone, Copy)]
struct Point {
    tick: u64,
    dbfs: f64,
    hz: f64,
    rest_dbfs: f64,
    share: f64,
    over_harmonics_db: f64,
}

struct Howl {
    settings: Settings,
    tracks: Vec<Track>,
}

impl Watch for Howl {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        if scene.feed.absent() {
            return Verdict::Unsure;
        }
        let (settings, tick) = (&self.settings, scene.feed.at.0 / HOPS_A_TICK);
        self.tracks.retain(|t| tick - t.newest().tick <= if t.grown { GROWN_MISSES } else { MISSES });
        if let Some(spectrum) = &scene.feed.spectrum {
            follow(&mut self.tracks, spectrum, tick);
        }
        for track in self.tracks.iter_mut().filter(|t| t.newest().tick == tick) {
            let now = track.newest().dbfs;
            if !track.grown && (track.grew(settings) || track.holds(settings)) {
                (track.grown, track.top_dbfs) = (true, now);
            }
            track.top_dbfs = track.top_dbfs.max(now);
        }
        let level =
            |t: &Track| Some(t.newest().dbfs).filter(|l| t.grown && *l > settings.above_dbfs && *l > t.top_dbfs - 12.0);
        match self.tracks.iter().filter_map(level).max_by(f64::total_cmp) {
            Some(dbfs) => Verdict::Bad(Evidence::new(&HOWL, Severity::Warning, dbfs, settings.above_dbfs)),
            None => Verdict::Good,
        }
    }
}

/// Carries the tracks on by one tick.
fn follow(tracks: &mut Vec<Track>, spectrum: &Spectrum, tick: u64) {
    for peak in &spectrum.peaks {
        if !(HOWL_HZ.0..HOWL_HZ.1).contains(&peak.hz) || peak.over_neighbours_db < OVER_NEIGHBOURS_DB {
            continue;
        }
        let share = spectrum.share_of(peak);
        let point = Point {
            tick,
            dbfs: f64::from(peak.level_dbfs),
            hz: f64::from(peak.hz),
            rest_dbfs: f64::from(spectrum.level_dbfs) + 10.0 * (1.0 - share).max(1e-4).log10(),
            share,
            over_harmonics_db: f64::from(peak.over_harmonics_db),
        };
        let near = |t: &&mut Track| (t.hz - point.hz).abs() < 2.0 + 0.001 * t.hz && t.newest().tick < tick;
        if let Some(track) = tracks.iter_mut().find(near) {
            track.hz += 0.3 * (point.hz - track.hz);
            push(&mut track.points, MEMORY_TICKS, point);
        } else {
            if tracks.len() == MOST_TRACKS {
                // The one that was hidden for longest makes room.
                let oldest = (0..MOST_TRACKS).filter(|i| !tracks[*i].grown).min_by_key(|i| tracks[*i].newest().tick);
                tracks.swap_remove(oldest.unwrap_or(0));
            }
            let points = VecDeque::from([point]);
            tracks.push(Track { hz: point.hz, points, grown: false, top_dbfs: point.dbfs });
        }
    }
}

impl Track {
    fn newest(&self) -> &Point {
        // A track is made with a point, and an older one leaves only for a newer one.
        &self.points[self.points.len() - 1]
    }

    /// Its newest points lie on a straight rising line, alone.
    fn grew(&self, s: &Settings) -> bool {
        let last = *self.newest();
        if last.dbfs < s.above_dbfs || last.share < LEAST_SHARE {
            return false;
        }
        let points: Vec<Point> =
            self.points.iter().rev().take_while(|p| last.tick - p.tick < REMEMBERED).copied().collect();
        (SHORTEST_LINE..=points.len()).any(|n| {
            let (line, before) = points.split_at(n);
            let first = line[n - 1];
            let ticks = last.tick - first.tick;
            let rise = last.dbfs - first.dbfs;
            // With holes in it, a line needs more points.
            let enough = ticks < n as u64 || n > SHORTEST_LINE + 1;
            enough
                && ticks < LONGEST_LINE
                // Two pipes or strings that beat come back to what they were; a howl was never there before.
                && before.iter().all(|p| p.dbfs < last.dbfs - 3.0)
                && rise >= s.grows_db
                && line.windows(2).all(|w| w[0].dbfs - w[1].dbfs < 0.6 * rise)
                && rise / ticks as f64 * TICKS_A_SECOND as f64 >= s.grows_db_a_second
                && steady(line)
                && line.iter().map(|p| p.over_harmonics_db).sum::<f64>() / n as f64 > OVER_HARMONICS_DB
                && grows_straight_and_alone(line)
        })
    }

    /// It holds, pure and unmoved, for the whole time set.
    fn holds(&self, s: &Settings) -> bool {
        let n = ((s.holds_seconds * TICKS_A_SECOND as f64) as usize).min(MEMORY_TICKS);
        if self.points.len() < n {
            return false;
        }
        let held: Vec<Point> = self.points.iter().rev().take(n).copied().collect();
        let (least, most) = held.iter().fold((f64::MAX, f64::MIN), |(a, b), p| (a.min(p.dbfs), b.max(p.dbfs)));
        let pure = |p: &Point| {
            p.share > 0.55 && p.dbfs > s.above_dbfs.max(-36.0) && p.over_harmonics_db > HELD_OVER_HARMONICS_DB
        };
        held[0].tick - held[n - 1].tick < n as u64 && most - least < 3.0 && steady(&held) && held.iter().all(pure)
    }
}

/// One frequency: no vibrato, no glide.
fn steady(line: &[Point]) -> bool {
    let (least, most) = line.iter().fold((f64::MAX, f64::MIN), |(a, b), p| (a.min(p.hz), b.max(p.hz)));
    most - least < 3.0 + 0.001 * most
}

/// Points within 0.8 dB of a straight line in dB over time, and the rest of the sound does not rise with them.
fn grows_straight_and_alone(line: &[Point]) -> bool {
    let n = line.len() as f64;
    let mean = |of: &dyn Fn(&Point) -> f64| line.iter().map(of).sum::<f64>() / n;
    let (now, middle) = (line[0].dbfs, mean(&|p| p.tick as f64));
    // What is far below the line's end is its own skirt, or of no weight.
    let rest = |p: &Point| p.rest_dbfs.max(now - 15.0);
    let (level, rest_level) = (mean(&|p| p.dbfs), mean(&rest));
    let square = mean(&|p| (p.tick as f64 - middle).powi(2));
    let slope = mean(&|p| (p.tick as f64 - middle) * (p.dbfs - level)) / square;
    let rest_slope = mean(&|p| (p.tick as f64 - middle) * (rest(p) - rest_level)) / square;
    let off = mean(&|p| (p.dbfs - level - slope * (p.tick as f64 - middle)).powi(2)).sqrt();
    off < 0.8 && rest_slope < 0.5 * slope
}
