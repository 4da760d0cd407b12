//! Prometheus text. Silence is minus infinity, "no data" is not-a-number (`<` finds the first and not the second),
//! and `mixwarden_feed_up` says which; every series is there from the start.

use super::snapshot::signal;
use crate::judge::{AlertLife, Severity};
use crate::ledger::{Board, FeedBoard};
use crate::measure::Reading;
use prometheus::{Encoder as _, Gauge, GaugeVec, IntCounter, IntCounterVec, Opts, Registry, TextEncoder};

/// One metric's row in the documents.
pub struct Metric {
    /// Name.
    pub name: &'static str,
    /// `gauge` or `counter`.
    pub kind: &'static str,
    /// Labels.
    pub labels: &'static [&'static str],
    /// Meaning, with the unit.
    pub help: &'static str,
}

const fn metric(name: &'static str, kind: &'static str, labels: &'static [&'static str], help: &'static str) -> Metric {
    Metric { name, kind, labels, help }
}

/// Kinds of box faults; each has a series from the start.
pub const FAULT_KINDS: &[&str] = &["clock", "device", "log", "notice", "page", "patch", "settings", "source"];

/// All metrics.
pub const METRICS: &[Metric] = &[
    metric("mixwarden_build_info", "gauge", &["version"], "1; the label says which version runs"),
    metric("mixwarden_feed_up", "gauge", &["feed"], "1 when the feed delivers data, 0 when nothing comes"),
    metric(
        "mixwarden_momentary_lufs",
        "gauge",
        &["feed"],
        "momentary loudness (400 ms), LUFS; -Inf: silence, NaN: no data",
    ),
    metric(
        "mixwarden_short_term_lufs",
        "gauge",
        &["feed"],
        "short-term loudness (3 s), LUFS; -Inf: silence, NaN: no data",
    ),
    metric(
        "mixwarden_recent_lufs",
        "gauge",
        &["feed"],
        "gated loudness of the last 30 s of sound, LUFS; NaN: too little sound",
    ),
    metric(
        "mixwarden_integrated_lufs",
        "gauge",
        &["feed"],
        "integrated loudness of the service, LUFS; NaN: nothing yet",
    ),
    metric("mixwarden_range_lu", "gauge", &["feed"], "loudness range of the service, LU; NaN: nothing yet"),
    metric(
        "mixwarden_max_true_peak_dbtp",
        "gauge",
        &["feed"],
        "largest true peak of the service, dBTP; -Inf: silence, NaN: no data",
    ),
    metric("mixwarden_floor_lufs", "gauge", &["feed"], "learned level of pauses, LUFS; NaN: not learned yet"),
    metric(
        "mixwarden_condition_state",
        "gauge",
        &["feed", "condition"],
        "0 watching, 1 pending, 2 raised, 3 acknowledged, 4 shelved",
    ),
    metric("mixwarden_alerts_raised_total", "counter", &["feed", "severity"], "alerts raised since the start"),
    metric(
        "mixwarden_samples_cleaned_total",
        "counter",
        &["feed"],
        "samples that were no numbers and were read as zero",
    ),
    metric("mixwarden_lost_seconds_total", "counter", &["feed"], "time of audio that never came, seconds"),
    metric("mixwarden_target_lufs", "gauge", &[], "loudness target, LUFS"),
    metric("mixwarden_service_on", "gauge", &[], "1 while a service is on"),
    metric("mixwarden_service_overdue", "gauge", &[], "1 when a set start has passed by its grace time"),
    metric("mixwarden_services_ended_total", "counter", &[], "services that ended since the start"),
    metric("mixwarden_box_fault", "gauge", &["kind"], "1 while a fault of the box itself stands"),
    metric(
        "mixwarden_last_reading_timestamp_seconds",
        "gauge",
        &[],
        "wall time of the newest reading, seconds since 1970",
    ),
];

struct Writer {
    registry: Registry,
}

impl Writer {
    fn opts(name: &str) -> Opts {
        let help = METRICS.iter().find(|m| m.name == name).map_or("", |m| m.help);
        Opts::new(name, help)
    }

    fn labels(name: &str) -> &'static [&'static str] {
        METRICS.iter().find(|m| m.name == name).map_or(&[], |m| m.labels)
    }

    /// Sets one series for each row.
    fn gauges(&self, name: &str, rows: impl Iterator<Item = (Vec<String>, f64)>) -> prometheus::Result<()> {
        let vec = GaugeVec::new(Self::opts(name), Self::labels(name))?;
        for (labels, value) in rows {
            let labels: Vec<&str> = labels.iter().map(String::as_str).collect();
            vec.with_label_values(&labels).set(value);
        }
        self.registry.register(Box::new(vec))
    }

    fn counters(&self, name: &str, rows: impl Iterator<Item = (Vec<String>, u64)>) -> prometheus::Result<()> {
        let vec = IntCounterVec::new(Self::opts(name), Self::labels(name))?;
        for (labels, value) in rows {
            let labels: Vec<&str> = labels.iter().map(String::as_str).collect();
            vec.with_label_values(&labels).inc_by(value);
        }
        self.registry.register(Box::new(vec))
    }

    fn gauge(&self, name: &str, value: f64) -> prometheus::Result<()> {
        let gauge = Gauge::with_opts(Self::opts(name))?;
        gauge.set(value);
        self.registry.register(Box::new(gauge))
    }
}

/// The exposition of `board` (text format 0.0.4).
///
/// # Errors
/// Never in practice: names and labels are fixed and tested.
pub fn exposition(board: &Board) -> prometheus::Result<String> {
    let w = Writer { registry: Registry::new() };
    w.gauges("mixwarden_build_info", std::iter::once((vec![env!("CARGO_PKG_VERSION").to_string()], 1.0)))?;
    let each = |get: &dyn Fn(&FeedBoard) -> f64| -> Vec<(Vec<String>, f64)> {
        board.feeds.iter().map(|f| (vec![f.name.clone()], get(f))).collect()
    };
    let level = |f: &FeedBoard, get: fn(&Reading) -> Option<f64>| f.reading.as_ref().and_then(get).unwrap_or(f64::NAN);
    let up = |f: &FeedBoard| if signal(f) == "no_data" { 0.0 } else { 1.0 };
    w.gauges("mixwarden_feed_up", each(&up).into_iter())?;
    w.gauges("mixwarden_momentary_lufs", each(&|f| level(f, |r| r.momentary_lufs)).into_iter())?;
    w.gauges("mixwarden_short_term_lufs", each(&|f| level(f, |r| r.short_term_lufs)).into_iter())?;
    w.gauges("mixwarden_recent_lufs", each(&|f| f.recent_lufs.unwrap_or(f64::NAN)).into_iter())?;
    w.gauges("mixwarden_integrated_lufs", each(&|f| level(f, |r| r.integrated_lufs)).into_iter())?;
    w.gauges("mixwarden_range_lu", each(&|f| level(f, |r| r.range_lu)).into_iter())?;
    let peak = |f: &FeedBoard| {
        if f.reading.is_none() { f64::NAN } else { f.max_true_peak_dbtp().unwrap_or(f64::NEG_INFINITY) }
    };
    w.gauges("mixwarden_max_true_peak_dbtp", each(&peak).into_iter())?;
    w.gauges("mixwarden_floor_lufs", each(&|f| f.floor_lufs.unwrap_or(f64::NAN)).into_iter())?;
    let states = board.feeds.iter().flat_map(|f| {
        f.lives.iter().map(move |(condition, life)| (vec![f.name.clone(), (*condition).to_string()], state(*life)))
    });
    w.gauges("mixwarden_condition_state", states)?;
    let raised = board.feeds.iter().flat_map(|f| {
        [Severity::Note, Severity::Advice, Severity::Warning]
            .map(|s| (vec![f.name.clone(), s.name().to_string()], f.raised_total.get(&s).copied().unwrap_or(0)))
    });
    w.counters("mixwarden_alerts_raised_total", raised)?;
    let cleaned = board.feeds.iter().map(|f| (vec![f.name.clone()], f.reading.as_ref().map_or(0, |r| r.cleaned_total)));
    w.counters("mixwarden_samples_cleaned_total", cleaned)?;
    let lost = prometheus::CounterVec::new(Writer::opts("mixwarden_lost_seconds_total"), &["feed"])?;
    for f in &board.feeds {
        lost.with_label_values(&[f.name.as_str()]).inc_by(f.lost_seconds);
    }
    w.registry.register(Box::new(lost))?;
    w.gauge("mixwarden_target_lufs", board.target.lufs)?;
    w.gauge("mixwarden_service_on", f64::from(u8::from(board.service.began.is_some())))?;
    w.gauge("mixwarden_service_overdue", f64::from(u8::from(board.service.overdue)))?;
    let ended = IntCounter::with_opts(Writer::opts("mixwarden_services_ended_total"))?;
    ended.inc_by(board.service.ended_total);
    w.registry.register(Box::new(ended))?;
    let faults = FAULT_KINDS
        .iter()
        .map(|k| (vec![(*k).to_string()], f64::from(u8::from(board.faults.iter().any(|f| f.kind == *k)))));
    w.gauges("mixwarden_box_fault", faults)?;
    w.gauge("mixwarden_last_reading_timestamp_seconds", board.now_unix_ms as f64 / 1000.0)?;
    let mut text = Vec::new();
    TextEncoder::new().encode(&w.registry.gather(), &mut text)?;
    String::from_utf8(text).map_err(|e| prometheus::Error::Msg(e.to_string()))
}

fn state(life: AlertLife) -> f64 {
    match life {
        AlertLife::Watching => 0.0,
        AlertLife::Pending => 1.0,
        AlertLife::Raised => 2.0,
        AlertLife::Acknowledged => 3.0,
        AlertLife::Shelved => 4.0,
    }
}
