//! What was measured as JSON.

use super::{Failure, FeedReport, Report, gain_sentence};
use crate::cmd::measure::own_mix::OwnMixJson;
use crate::judge::{Alert, Target};
use serde::Serialize;

#[derive(Serialize)]
struct File<'a> {
    path: String,
    sample_rate: u32,
    channels: usize,
    duration_s: f64,
    #[serde(flatten)]
    stream: Figures<'a>,
    own_mix: Option<OwnMixJson>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    feeds: Vec<Figures<'a>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    target: Option<TargetJson<'a>>,
    gain_advice: Option<String>,
    #[serde(skip_serializing_if = "<[String]>::is_empty")]
    notes: &'a [String],
}

#[derive(Serialize)]
struct TargetJson<'a> {
    profile: &'a str,
    target_lufs: f64,
    distance_lu: Option<f64>,
    met: bool,
}

#[derive(Serialize)]
struct Figures<'a> {
    feed: &'a str,
    feed_channels: Vec<u16>,
    dual_mono: bool,
    integrated_lufs: Option<f64>,
    loudness_range_lu: Option<f64>,
    loudness_range_stable: bool,
    max_momentary_lufs: Option<f64>,
    max_short_term_lufs: Option<f64>,
    true_peak_dbtp: Option<Vec<Option<f64>>>,
    sample_peak_dbfs: Option<Vec<Option<f64>>>,
    alerts: Vec<AlertJson<'a>>,
}

#[derive(Serialize)]
struct AlertJson<'a> {
    feed: &'a str,
    condition: &'static str,
    severity: &'static str,
    raised_s: f64,
    cleared_s: Option<f64>,
    evidence: String,
}

impl<'a> Figures<'a> {
    fn of(feed: &'a FeedReport) -> Self {
        let alert = |a: &Alert| AlertJson {
            feed: &feed.name,
            condition: a.condition,
            severity: a.evidence.severity.name(),
            raised_s: a.raised.seconds(),
            cleared_s: a.cleared.map(|c| c.0.seconds()),
            evidence: a.evidence.sentence(),
        };
        Self {
            feed: &feed.name,
            feed_channels: feed.channels.iter().map(|c| c + 1).collect(),
            dual_mono: feed.channels.len() == 1,
            integrated_lufs: feed.number(|r| r.integrated_lufs),
            loudness_range_lu: feed.number(|r| r.range_lu),
            loudness_range_stable: feed.last.as_ref().is_some_and(|r| r.range_stable),
            max_momentary_lufs: feed.number(|r| r.max_momentary_lufs),
            max_short_term_lufs: feed.number(|r| r.max_short_term_lufs),
            true_peak_dbtp: feed.peaks(|r| &r.max_true_peak),
            sample_peak_dbfs: feed.peaks(|r| &r.max_sample_peak),
            alerts: feed.alerts.iter().map(alert).collect(),
        }
    }
}

/// One JSON object for all files.
pub fn json(reports: &[Report], failures: &[Failure], target: Option<&Target>) -> String {
    let file = |r: &'_ Report| -> serde_json::Value {
        let stream = r.stream();
        let wanted = target.map(|t| TargetJson {
            profile: &t.profile,
            target_lufs: t.lufs,
            distance_lu: stream.number(|x| x.integrated_lufs).map(|i| i - t.lufs),
            met: r.meets(t),
        });
        let advised = target.cloned().unwrap_or_default();
        let file = File {
            path: r.path.display().to_string(),
            sample_rate: r.format.rate.hz(),
            channels: r.format.channels,
            duration_s: r.duration_seconds,
            stream: Figures::of(stream),
            own_mix: r.own_mix.as_ref().map(OwnMixJson::of),
            feeds: r.feeds[1..].iter().map(Figures::of).collect(),
            target: wanted,
            gain_advice: gain_sentence(stream, &advised),
            notes: &r.notes,
        };
        serde_json::to_value(file).unwrap_or_default()
    };
    let files: Vec<serde_json::Value> = reports.iter().map(file).collect();
    let errors: Vec<serde_json::Value> = failures
        .iter()
        .map(|f| serde_json::json!({ "path": f.path.display().to_string(), "error": f.error }))
        .collect();
    let mut whole = serde_json::json!({ "files": files });
    if !errors.is_empty() {
        whole["errors"] = errors.into();
    }
    whole.to_string()
}
