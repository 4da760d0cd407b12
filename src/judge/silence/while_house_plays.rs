//! `silent_while_house_plays`: the room's mix plays and the stream does not.
//!
//! Cause: the stream bus is muted, its fader is down, or the source that plays is not sent to it. The viewers
//! hear nothing while the room does. It holds from the very beginning: a stream that was never heard is a fault
//! as soon as the room sings.

use crate::judge::dwell::Timing;
use crate::judge::knobs::knobs;
use crate::judge::roster::Recruit;
use crate::judge::sound::SOUND_LUFS;
use crate::judge::{Evidence, Scene, Severity, Verdict, Watch, Words};

pub const ABOUT: &str = "the room's mix plays while the stream is silent";
pub const HIDES: &[&str] = &[
    "digital_silence",
    "bus_muted",
    "long_quiet",
    "too_quiet",
    "far_too_quiet",
    "channel_dead",
    "one_side_only",
    "dc_offset",
];
pub const WORDS: &[&Words] = &[&SILENT];

static SILENT: Words = Words {
    headline: "The room hears sound, the {feed} hears nothing",
    checks: [
        "On the desk: is the stream mix muted or its fader down?",
        "Is what plays now sent to the stream mix?",
        "Is the stream mix still patched to the output that feeds this computer?",
    ],
    viewers: "The viewers hear nothing while the room does.",
    evidence: "The stream read {value} LUFS while the room's mix played at {limit} LUFS.",
    caution: "",
};

knobs! {
    raise_after_seconds = 2.0, 1..60, "seconds before it is told";
    clear_after_seconds = 2.0, 0.1..60, "seconds of sound before it clears";
    house_above_lufs = -45.0, -60..-20, "loudness from which the room's mix plays, LUFS momentary";
    below_lufs = -60.0, -90..-40, "loudness under which the stream may be silent, LUFS momentary";
    surely_below_lufs = -78.0, -100..-50, "loudness under which it surely is, LUFS momentary";
    near_floor_lu = 3.0, 0..20, "distance over its own pause floor that still is silence, LU";
    near_floor_seconds = 6.0, 1..60, "seconds when it is only near its floor";
    any_floor_seconds = 15.0, 3..120, "seconds when no floor is known yet";
}

impl Recruit for Settings {
    fn timing(&self) -> Timing {
        Timing { raise_after_seconds: self.raise_after_seconds, clear_after_seconds: self.clear_after_seconds }
    }
    fn watch(&self) -> Box<dyn Watch> {
        Box::new(WhileHousePlays { settings: self.clone() })
    }
}

struct WhileHousePlays {
    settings: Settings,
}

/// Distance under its own usual loud level at which the room's mix still plays, LU (tried on synthesised services).
const HOUSE_UNDER_USUAL_LU: f64 = 15.0;

impl Watch for WhileHousePlays {
    fn look(&mut self, scene: &Scene<'_>) -> Verdict {
        let s = &self.settings;
        let Some((house, hearing)) = scene.house else { return Verdict::Good };
        let (Some(loud), false, false) = (house.momentary_lufs, house.absent(), scene.feed.absent()) else {
            return Verdict::Unsure;
        };
        let usual = hearing.usual_lufs().map_or(f64::NEG_INFINITY, |u| u - HOUSE_UNDER_USUAL_LU);
        // One clap or a dropped book in the room is not a mix that plays.
        if loud < s.house_above_lufs.max(usual) || hearing.busy_ticks < 15 {
            return if scene.hearing.plays { Verdict::Good } else { Verdict::Unsure };
        }
        let bad = |level, after| Verdict::Bad(Evidence::new(&SILENT, Severity::Warning, level, loud).after(after));
        let level = scene.feed.momentary_lufs.unwrap_or(f64::NEG_INFINITY);
        if scene.feed.stands_still() {
            return bad(f64::NEG_INFINITY, s.raise_after_seconds);
        }
        if level >= s.below_lufs {
            // Never heard in this service, and still not while the room plays: whatever its noise is, it is no sound.
            if !scene.hearing.heard && level < SOUND_LUFS {
                return bad(level, s.any_floor_seconds);
            }
            return Verdict::Good;
        }
        match scene.habits.floor_lufs() {
            _ if level < s.surely_below_lufs => bad(level, s.raise_after_seconds),
            Some(floor) if level < floor - s.near_floor_lu => bad(level, s.raise_after_seconds),
            Some(floor) if level < floor + s.near_floor_lu => bad(level, s.near_floor_seconds),
            Some(_) => Verdict::Good,
            None => bad(level, s.any_floor_seconds),
        }
    }
}
