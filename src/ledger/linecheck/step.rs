//! The steps of a line check: what the person at the desk does, how long is listened, what the sound says. The command
//! and the page on a tablet walk through the same ones.

use super::{Answer, Finding, clock, floor, tone};
use crate::chain::Outcome;
use crate::judge::{Alert, AlertChange, OwnMixWish, SOUND_LUFS, Severity};
use crate::ledger::own_mix::{headline, missing};
use crate::likeness::{Kin, Likeness};
use crate::measure::Reading;
use crate::units::{db_of_amplitude, power_of_lufs};
use crate::words::said_of;

/// One step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// The device is there, and which of its channels have sound.
    Input,
    /// A line-up tone: level, left and right, polarity.
    Tone,
    /// Nothing is sent: noise, hum, offset.
    Quiet,
    /// The device's clock, and gaps.
    Clock,
    /// Talk and music: the stream is a mix of its own, or a copy of the room's.
    OwnMix,
    /// The warning itself: the bus is muted, and that is told.
    Warning,
}

/// All of them, in order.
pub const STEPS: [Step; 6] = [Step::Input, Step::Tone, Step::Quiet, Step::Clock, Step::OwnMix, Step::Warning];

/// What is known of the line before anything is heard.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Where each feed comes from, for people.
    pub sources: Vec<String>,
    /// Index of the stream.
    pub stream: usize,
    /// The room's mix is among the feeds.
    pub has_house: bool,
    /// Alignment level, dBFS.
    pub alignment_dbfs: f64,
    /// What the site wants of its stream.
    pub wish: OwnMixWish,
}

/// What was heard in a step.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Heard {
    /// Per feed, one a tick.
    pub readings: Vec<Vec<Reading>>,
    /// Alerts and what happened to them.
    pub alerts: Vec<(AlertChange, Alert)>,
    /// The stream beside the room, at the last look.
    pub likeness: Option<Likeness>,
    /// Frames of the stream's device, and its rate, Hz.
    pub frames: u64,
    /// See `frames`.
    pub rate_hz: u32,
    /// The steady clock's time for `frames`, seconds.
    pub seconds: f64,
    /// Frames that were lost.
    pub lost_frames: u64,
}

impl Heard {
    /// Takes one outcome.
    pub fn take(&mut self, outcome: &Outcome) {
        match outcome {
            Outcome::Reading { feed, reading } => {
                if self.readings.len() <= *feed {
                    self.readings.resize(feed + 1, Vec::new());
                }
                self.readings[*feed].push((**reading).clone());
            }
            Outcome::Alert { change, alert } => self.alerts.push((*change, (**alert).clone())),
            Outcome::Likeness(likeness) => self.likeness = Some((**likeness).clone()),
            Outcome::Began { .. } | Outcome::Ended { .. } => {}
        }
    }

    fn of(&self, feed: usize) -> &[Reading] {
        self.readings.get(feed).map_or(&[], Vec::as_slice)
    }

    /// Loudness of the stream with nothing sent, LUFS: the middle of its ticks.
    pub fn floor_lufs(&self, stream: usize) -> Option<f64> {
        let mut levels: Vec<f64> = self.of(stream).iter().filter_map(|r| r.tick_lufs).collect();
        levels.sort_by(f64::total_cmp);
        levels.get(levels.len() / 2).copied()
    }

    fn warned(&self, stream: usize) -> Option<&Alert> {
        let warns = |(change, alert): &&(AlertChange, Alert)| {
            *change == AlertChange::Raised && alert.evidence.severity == Severity::Warning && alert.feed == stream
        };
        self.alerts.iter().rev().find(warns).map(|(_, alert)| alert)
    }
}

impl Step {
    /// Its name in commands and forms.
    pub fn name(self) -> &'static str {
        match self {
            Self::Input => "input",
            Self::Tone => "tone",
            Self::Quiet => "quiet",
            Self::Clock => "clock",
            Self::OwnMix => "own-mix",
            Self::Warning => "warning",
        }
    }

    /// The step of this name.
    pub fn named(name: &str) -> Option<Self> {
        STEPS.into_iter().find(|s| s.name() == name)
    }

    /// What it looks at, for people.
    pub fn title(self) -> &'static str {
        match self {
            Self::Input => "Device and channels",
            Self::Tone => "Level, sides, polarity",
            Self::Quiet => "Noise and hum",
            Self::Clock => "Clock and gaps",
            Self::OwnMix => "A mix of its own",
            Self::Warning => "The warning itself",
        }
    }

    /// What a report calls it when it was left out.
    pub fn skipped(self) -> &'static str {
        match self {
            Self::Input => "stream input",
            Self::Tone => "line-up tone",
            Self::Quiet => "noise floor",
            Self::Clock => "clock",
            Self::OwnMix => "own mix",
            Self::Warning => "the warning itself",
        }
    }

    /// What the person at the desk does for it.
    pub fn asks(self) -> &'static str {
        match self {
            Self::Input => "Switch the desk on, and let some sound through the stream mix.",
            Self::Tone => "Send the line-up tone (1 kHz, left side interrupted) to the stream mix.",
            Self::Quiet => "Stop all sound: faders of the stream mix as in a service, nobody speaks.",
            Self::Clock => "Leave all as it is, for a minute.",
            Self::OwnMix => {
                "Play talk and music in turns, as in a service, with the stream mix and the room's mix as they will be."
            }
            Self::Warning => {
                "Play talk or music through the stream mix; after ten seconds, mute the stream mix on the desk."
            }
        }
    }

    /// How long it listens when `longest` seconds are allowed.
    pub fn seconds(self, longest: u32) -> f64 {
        f64::from(match self {
            Self::Input => longest.min(5),
            Self::Tone => longest.min(14),
            Self::Quiet => longest.min(30),
            Self::Clock => longest,
            Self::OwnMix => longest.max(60),
            Self::Warning => longest.max(30),
        })
    }

    /// What was heard is enough before the time is up.
    pub fn enough(self, heard: &Heard, line: &Line) -> bool {
        self == Self::Warning && heard.warned(line.stream).is_some()
    }

    /// It is not worth listening: what is needed is not set up.
    pub fn moot(self, line: &Line) -> bool {
        self == Self::OwnMix && !line.has_house
    }

    /// What the sound says.
    pub fn findings(self, heard: &Heard, line: &Line) -> Vec<Finding> {
        match self {
            Self::Input => input(heard, line),
            Self::Tone => tone(heard.of(line.stream), line.alignment_dbfs),
            Self::Quiet => quiet(heard, line.stream),
            Self::Clock => clock(heard.frames, heard.rate_hz, heard.seconds, heard.lost_frames),
            Self::OwnMix => own_mix(heard, line),
            Self::Warning => warning(heard, line.stream),
        }
    }
}

fn input(heard: &Heard, line: &Line) -> Vec<Finding> {
    let mut findings = Vec::new();
    for (index, source) in line.sources.iter().enumerate() {
        let readings: Vec<_> = heard.of(index).iter().filter(|r| !r.absent()).collect();
        let peaks = (0..readings.first().map_or(0, |r| r.channels))
            .map(|c| readings.iter().map(|r| r.channel[c].sample_peak).fold(0.0, f64::max));
        let sound = power_of_lufs(SOUND_LUFS).sqrt();
        let peaks: Vec<f64> = peaks.collect();
        let answer = match peaks.as_slice() {
            [] => Answer::Fail,
            some if some.iter().all(|p| *p > sound) => Answer::Pass,
            _ => Answer::CannotTell,
        };
        let levels: Vec<String> = peaks
            .iter()
            .map(|p| if *p > 0.0 { format!("{:.1} dBFS", db_of_amplitude(*p)) } else { "silence".into() })
            .collect();
        let found =
            if levels.is_empty() { "nothing came in".into() } else { format!("{source}: peaks {}", levels.join(", ")) };
        findings.push(Finding::new(if index == line.stream { "stream input" } else { "house input" }, answer, found,
            "Is the desk on, the cable in, the right channel pair named? `mixwarden inputs --listen` shows every channel."));
    }
    findings
}

fn quiet(heard: &Heard, stream: usize) -> Vec<Finding> {
    let mut findings = floor(heard.of(stream));
    let ended = |id: u64| heard.alerts.iter().any(|(change, a)| *change == AlertChange::Cleared && a.id == id);
    // One that stood before the step and ended in it (the tone of the step before) says nothing of the quiet.
    let counts = |(change, a): &&(AlertChange, Alert)| match change {
        AlertChange::Raised => a.feed == stream,
        AlertChange::Changed => a.feed == stream && !ended(a.id),
        AlertChange::Acknowledged | AlertChange::Cleared => false,
    };
    for (_, a) in heard.alerts.iter().filter(counts) {
        if ["hum", "steady_noise", "howl", "tone_left_on"].contains(&a.condition)
            && !findings.iter().any(|f| f.step == a.condition)
        {
            let found = said_of("stream", &a.evidence.sentence());
            findings.push(Finding::new(a.condition, Answer::Fail, found, a.evidence.words.checks[0]));
        }
    }
    findings
}

fn warning(heard: &Heard, stream: usize) -> Vec<Finding> {
    const STEP: &str = "the warning itself";
    let remedy = "Play sound for ten seconds first, then mute the stream mix; where its console closes gates to zero, a house feed makes this quick.";
    let Some(alert) = heard.warned(stream) else {
        let seconds = heard.of(stream).len() / 10;
        return vec![Finding::new(STEP, Answer::Fail, format!("no warning within {seconds} s"), remedy)];
    };
    let after = alert.raised.since(alert.began);
    let headline = said_of("stream", alert.evidence.words.headline);
    let found = format!("told {after:.1} s after the sound ended: {headline:?}");
    vec![Finding::new(STEP, Answer::Pass, found, "")]
}

fn own_mix(heard: &Heard, line: &Line) -> Vec<Finding> {
    const STEP: &str = "own mix";
    if !line.has_house {
        return vec![Finding::new(STEP, Answer::Skipped, "no house feed is set up".into(), "")];
    }
    let Some(likeness) = &heard.likeness else {
        return vec![Finding::new(
            STEP,
            Answer::CannotTell,
            "nothing was compared".into(),
            "Play sound on both mixes.",
        )];
    };
    let answer = match (likeness.kin, line.wish) {
        (Kin::Own, OwnMixWish::Expected) | (Kin::Copy, OwnMixWish::CopyExpected) => Answer::Pass,
        (Kin::Own | Kin::Copy, OwnMixWish::NotExpected) => Answer::Pass,
        (Kin::Unsure, _) => Answer::CannotTell,
        (Kin::Own | Kin::Copy | Kin::Unrelated, _) => Answer::Fail,
    };
    let found = format!("{} {}", headline(likeness), missing(likeness));
    let remedy = "Which bus feeds the stream's output? Which scene is loaded? Then listen again for longer, with talk and music in turns.";
    vec![Finding::new(STEP, answer, found.trim().into(), remedy)]
}
