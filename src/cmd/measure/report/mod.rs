//! What was measured, as a table for people (one decimal, Tech 3341 2.8) and as JSON with all digits.

mod json;

use super::own_mix::OwnMix;
use crate::judge::{Alert, PROFILES, Severity, Target};
use crate::ledger::advice;
use crate::measure::Reading;
use crate::source::Format;
use crate::units::db_of_amplitude;
pub use json::json;
use std::fmt::Write as _;
use std::path::PathBuf;

/// A file that could not be measured.
#[derive(Debug, Clone)]
pub struct Failure {
    /// The file.
    pub path: PathBuf,
    /// What was found and what to do, one sentence.
    pub error: String,
}

/// One feed of a file.
#[derive(Debug)]
pub struct FeedReport {
    /// Name.
    pub name: String,
    /// Zero-based channels.
    pub channels: Vec<u16>,
    /// The last reading: it carries the programme's figures.
    pub last: Option<Reading>,
    /// Alerts in order of raising.
    pub alerts: Vec<Alert>,
}

/// One measured file.
#[derive(Debug)]
pub struct Report {
    /// The file.
    pub path: PathBuf,
    /// Its format.
    pub format: Format,
    /// Its length, seconds.
    pub duration_seconds: f64,
    /// Its feeds; the first is the stream.
    pub feeds: Vec<FeedReport>,
    /// The stream beside the house, when both were given.
    pub own_mix: Option<OwnMix>,
    /// One a tick, when a timeline was asked for.
    pub ticks: Vec<Tick>,
    /// What else is to say.
    pub notes: Vec<String>,
}

/// One row of the timeline.
#[derive(Debug, Clone, Copy)]
pub struct Tick {
    /// End of the tick, seconds.
    pub seconds: f64,
    /// Largest momentary loudness in it, LUFS.
    pub momentary_lufs: Option<f64>,
    /// Short-term loudness, LUFS.
    pub short_term_lufs: Option<f64>,
    /// Integrated loudness so far, LUFS.
    pub integrated_lufs: Option<f64>,
    /// Largest true peak of any channel, dBTP.
    pub true_peak_dbtp: f64,
}

impl Tick {
    /// The row of a reading.
    pub fn of(r: &Reading) -> Self {
        Self {
            seconds: r.at.seconds(),
            momentary_lufs: r.momentary_top_lufs,
            short_term_lufs: r.short_term_lufs,
            integrated_lufs: r.integrated_lufs,
            true_peak_dbtp: db_of_amplitude(r.channel[..r.channels].iter().fold(0.0, |t, c| c.true_peak.max(t))),
        }
    }
}

impl FeedReport {
    fn number(&self, get: impl Fn(&Reading) -> Option<f64>) -> Option<f64> {
        self.last.as_ref().and_then(get).filter(|x| x.is_finite())
    }

    fn peaks(&self, get: impl Fn(&Reading) -> &[f64]) -> Option<Vec<Option<f64>>> {
        let last = self.last.as_ref()?;
        Some(get(last)[..last.channels].iter().map(|p| Some(db_of_amplitude(*p)).filter(|d| d.is_finite())).collect())
    }

    fn top_true_peak_dbtp(&self) -> Option<f64> {
        self.peaks(|r| &r.max_true_peak)?.into_iter().flatten().reduce(f64::max)
    }
}

impl Report {
    fn stream(&self) -> &FeedReport {
        &self.feeds[0]
    }

    /// The most severe alert of any feed.
    pub fn worst(&self) -> Option<Severity> {
        self.feeds.iter().flat_map(|f| &f.alerts).map(|a| a.evidence.severity).max()
    }

    /// Loudness within the profile's tolerance and the true peak under its limit.
    pub fn meets(&self, target: &Target) -> bool {
        let tolerance = PROFILES.iter().find(|p| p.name == target.profile).map_or(1.0, |p| p.tolerance_lu);
        let loud =
            self.stream().number(|r| r.integrated_lufs).is_some_and(|i| (i - target.lufs).abs() <= tolerance + 1e-9);
        loud && self.stream().top_true_peak_dbtp().is_none_or(|p| p <= target.true_peak_dbtp)
    }
}

fn gain_sentence(feed: &FeedReport, target: &Target) -> Option<String> {
    let loudness = feed.number(|r| r.integrated_lufs)?;
    Some(advice::gain(loudness, feed.top_true_peak_dbtp(), target).sentence())
}

/// The table for people.
pub fn table(reports: &[Report], target: &Target, alerts: bool) -> String {
    let mut text = String::new();
    for r in reports {
        let _ = writeln!(text, "{}", r.path.display());
        let minutes = r.duration_seconds as u64 / 60;
        let _ = writeln!(
            text,
            "  {} Hz, {} channel{}, {} min {:04.1} s",
            r.format.rate.hz(),
            r.format.channels,
            if r.format.channels == 1 { "" } else { "s" },
            minutes,
            r.duration_seconds - 60.0 * minutes as f64
        );
        for feed in &r.feeds {
            feed_table(&mut text, feed, target, alerts);
        }
        if let Some(own_mix) = &r.own_mix {
            own_mix.table(&mut text);
        }
        for note in &r.notes {
            let _ = writeln!(text, "  note: {note}");
        }
    }
    text
}

fn feed_table(text: &mut String, feed: &FeedReport, target: &Target, alerts: bool) {
    let channels: Vec<String> = feed.channels.iter().map(|c| (c + 1).to_string()).collect();
    let dual = if feed.channels.len() == 1 { " (mono, measured as dual mono)" } else { "" };
    let _ = writeln!(text, "  {}, channel {}{dual}", feed.name, channels.join(" and "));
    let one = |x: Option<f64>, unit: &str| x.map_or_else(|| "nothing to measure".into(), |x| format!("{x:.1} {unit}"));
    let integrated = feed.number(|r| r.integrated_lufs);
    let mut row = |name: &str, value: String| {
        let _ = writeln!(text, "    {name:<22} {value}");
    };
    row("integrated loudness", one(integrated, "LUFS"));
    if let Some(i) = integrated {
        row("from the target", format!("{:+.1} LU ({}, {:.1} LUFS)", i - target.lufs, target.profile, target.lufs));
    }
    let unstable = feed.last.as_ref().is_some_and(|r| !r.range_stable);
    let range = one(feed.number(|r| r.range_lu), "LU");
    row("loudness range", if unstable { format!("{range} (under 60 s of sound: not yet stable)") } else { range });
    row("largest momentary", one(feed.number(|r| r.max_momentary_lufs), "LUFS"));
    row("largest short-term", one(feed.number(|r| r.max_short_term_lufs), "LUFS"));
    row("true peak", one(feed.top_true_peak_dbtp(), "dBTP"));
    if integrated.is_some() {
        for p in PROFILES {
            let i = integrated.unwrap_or_default();
            let loud = (i - p.target_lufs).abs() <= p.tolerance_lu;
            let peak = feed.top_true_peak_dbtp().is_none_or(|t| t <= p.true_peak_dbtp);
            let verdict = match (loud, peak) {
                (true, true) => "met".to_string(),
                (false, true) => format!("missed by {:+.1} LU", i - p.target_lufs),
                (true, false) => "peak over the limit".to_string(),
                (false, false) => format!("missed by {:+.1} LU, and the peak is over the limit", i - p.target_lufs),
            };
            row(p.name, format!("{verdict}  [{}]", p.source));
        }
        if let Some(sentence) = gain_sentence(feed, target) {
            row("advice", sentence);
        }
    }
    if alerts || !feed.alerts.is_empty() && feed.alerts.len() <= 3 {
        for a in &feed.alerts {
            let until = a.cleared.map_or("to the end".into(), |c| format!("to {}", c.0));
            row(
                a.evidence.severity.name(),
                format!("{} from {} {until}: {}", a.condition, a.raised, a.evidence.sentence()),
            );
        }
    } else if !feed.alerts.is_empty() {
        row("alerts", format!("{} (print them with --alerts)", feed.alerts.len()));
    }
}
