//! Prometheus text. Silence is minus infinity, "no data" is not-a-number (`<` finds the first and not the second),
//! and `mixwarden_feed_up` says which; every series is there from the start.

use super::snapshot::{SIGNALS, signal};
use crate::judge::{AlertLife, ROSTER, Severity};
use crate::ledger::{Board, FeedBoard};
use crate::likeness::{Kin, Likeness};
use crate::measure::Reading;
use crate::units::StreamTime;
use prometheus::{Encoder as _, Gauge, GaugeVec, IntCounter, IntCounterVec, Opts, Registry, TextEncoder};
use std::fmt::Write as _;

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
pub const FAULT_KINDS: &[&str] =
    &["clock", "device", "log", "moments", "notice", "page", "patch", "settings", "source"];

/// All metrics, in the order of the documents. A name that was published stays, with its unit and its labels; what is
/// no longer wanted is kept for a year beside its successor.
pub const METRICS: &[Metric] = &[
    metric("mixwarden_build_info", "gauge", &["version"], "always 1; the label says which version runs"),
    metric("mixwarden_venue_info", "gauge", &["name"], "always 1; the label is the venue's name for people"),
    metric("mixwarden_rehearsal", "gauge", &[], "1 when the sound is made up"),
    metric("mixwarden_start_timestamp_seconds", "gauge", &[], "wall time of the program's start, since 1970"),
    metric(
        "mixwarden_last_reading_timestamp_seconds",
        "gauge",
        &[],
        "wall time of the newest look at the inputs, since 1970; stands still when the measuring does",
    ),
    metric("mixwarden_feed_up", "gauge", &["feed"], "1 when the feed delivers data, 0 when nothing comes"),
    metric(
        "mixwarden_feed_signal",
        "gauge",
        &["feed"],
        "what the feed delivers: 0 nothing, 1 exact zeros or one stuck value, 2 quiet, 3 sound",
    ),
    metric(
        "mixwarden_last_sound_timestamp_seconds",
        "gauge",
        &["feed"],
        "wall time at which the feed last played, since 1970; NaN: not since the start",
    ),
    metric("mixwarden_momentary_lufs", "gauge", &["feed"], "momentary loudness (400 ms); -Inf: silence, NaN: no data"),
    metric("mixwarden_short_term_lufs", "gauge", &["feed"], "short-term loudness (3 s); -Inf: silence, NaN: no data"),
    metric(
        "mixwarden_recent_lufs",
        "gauge",
        &["feed"],
        "gated loudness of the last 30 s of sound; NaN: too little sound",
    ),
    metric("mixwarden_integrated_lufs", "gauge", &["feed"], "integrated loudness of the service; NaN: nothing yet"),
    metric("mixwarden_range_lu", "gauge", &["feed"], "loudness range of the service; NaN: nothing yet"),
    metric(
        "mixwarden_max_true_peak_dbtp",
        "gauge",
        &["feed"],
        "largest true peak of the service; -Inf: silence, NaN: no data",
    ),
    metric("mixwarden_floor_lufs", "gauge", &["feed"], "learned level of pauses; NaN: not learned yet"),
    metric("mixwarden_target_lufs", "gauge", &[], "loudness target"),
    metric("mixwarden_target_true_peak_dbtp", "gauge", &[], "largest true peak that is allowed"),
    metric(
        "mixwarden_condition_state",
        "gauge",
        &["feed", "condition"],
        "0 watching, 1 pending, 2 raised, 3 acknowledged, 4 shelved; a condition that is switched off has no series",
    ),
    metric(
        "mixwarden_alert_raised_timestamp_seconds",
        "gauge",
        &["feed", "condition", "severity"],
        "wall time at which the alert was raised, since 1970; a series for each alert that stands, and only then",
    ),
    metric(
        "mixwarden_alerts_raised_total",
        "counter",
        &["feed", "severity"],
        "alerts raised since the start; severity is note, advice or warning",
    ),
    metric(
        "mixwarden_samples_cleaned_total",
        "counter",
        &["feed"],
        "samples that were no numbers and were read as zero",
    ),
    metric("mixwarden_lost_seconds_total", "counter", &["feed"], "audio that never came"),
    metric("mixwarden_service_on", "gauge", &[], "1 while a service is on"),
    metric("mixwarden_service_overdue", "gauge", &[], "1 when a set start has passed by its grace time without sound"),
    metric(
        "mixwarden_service_began_timestamp_seconds",
        "gauge",
        &[],
        "wall time at which the service began, since 1970; NaN: none is on",
    ),
    metric("mixwarden_services_ended_total", "counter", &[], "services that ended since the start"),
    metric(
        "mixwarden_own_mix_state",
        "gauge",
        &[],
        "stream beside the house: 0 cannot tell, 1 own mix, 2 copy of the house, 3 unrelated; NaN: there are not both",
    ),
    metric("mixwarden_stream_delay_seconds", "gauge", &[], "stream behind the house; NaN: not known"),
    metric("mixwarden_stream_over_house_db", "gauge", &[], "level of the stream over the house; NaN: not known"),
    metric("mixwarden_box_fault", "gauge", &["kind"], "1 while a fault of the box itself stands"),
];

impl Metric {
    /// The unit, as the name's ending says it.
    pub fn unit(&self) -> &'static str {
        const ENDINGS: &[(&str, &str)] = &[
            ("_timestamp_seconds", "seconds since 1970"),
            ("_seconds_total", "seconds"),
            ("_total", "count"),
            ("_seconds", "seconds"),
            ("_lufs", "LUFS"),
            ("_lu", "LU"),
            ("_db", "dB"),
            ("_dbtp", "dBTP"),
            ("_dbfs", "dBFS"),
            ("_state", "code"),
            ("_signal", "code"),
        ];
        ENDINGS.iter().find(|(end, _)| self.name.ends_with(end)).map_or("0 or 1", |(_, unit)| unit)
    }
}

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
    w.gauges("mixwarden_venue_info", std::iter::once((vec![board.venue.clone()], 1.0)))?;
    let yes = |yes: bool| f64::from(u8::from(yes));
    let at = |at: Option<StreamTime>| at.map_or(f64::NAN, |at| board.unix_ms(at) as f64 / 1000.0);
    w.gauge("mixwarden_rehearsal", yes(board.rehearsal))?;
    w.gauge("mixwarden_start_timestamp_seconds", board.started_unix_ms as f64 / 1000.0)?;
    let each = |get: &dyn Fn(&FeedBoard) -> f64| -> Vec<(Vec<String>, f64)> {
        board.feeds.iter().map(|f| (vec![f.name.clone()], get(f))).collect()
    };
    let level = |f: &FeedBoard, get: fn(&Reading) -> Option<f64>| f.reading.as_ref().and_then(get).unwrap_or(f64::NAN);
    w.gauges("mixwarden_feed_up", each(&|f| yes(signal(f) != "no_data")).into_iter())?;
    let code = |f: &FeedBoard| SIGNALS.iter().position(|s| *s == signal(f)).unwrap_or(0) as f64;
    w.gauges("mixwarden_feed_signal", each(&code).into_iter())?;
    w.gauges("mixwarden_last_sound_timestamp_seconds", each(&|f| at(f.last_sound)).into_iter())?;
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
    let standing = board.standing.iter().filter_map(|a| {
        let labels = vec![board.feeds.get(a.feed)?.name.clone(), a.condition.into(), a.evidence.severity.name().into()];
        Some((labels, at(Some(a.raised))))
    });
    w.gauges("mixwarden_alert_raised_timestamp_seconds", standing)?;
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
    w.gauge("mixwarden_target_true_peak_dbtp", board.target.true_peak_dbtp)?;
    w.gauge("mixwarden_service_on", yes(board.service.began.is_some()))?;
    w.gauge("mixwarden_service_overdue", yes(board.service.overdue))?;
    w.gauge("mixwarden_service_began_timestamp_seconds", at(board.service.began))?;
    let ended = IntCounter::with_opts(Writer::opts("mixwarden_services_ended_total"))?;
    ended.inc_by(board.service.ended_total);
    w.registry.register(Box::new(ended))?;
    let mut kinds = FAULT_KINDS.to_vec();
    kinds.extend(board.faults.iter().map(|f| f.kind).filter(|k| !FAULT_KINDS.contains(k)));
    let stands = |kind: &str| yes(board.faults.iter().any(|f| f.kind == kind));
    let faults = kinds.into_iter().map(|kind| (vec![kind.to_string()], stands(kind)));
    w.gauges("mixwarden_box_fault", faults)?;
    let likeness = board.pair.as_ref().map(|p| &p.likeness);
    let place = |l: &Likeness| Kin::ALL.iter().position(|k| *k == l.kin).map_or(f64::NAN, |p| p as f64);
    w.gauge("mixwarden_own_mix_state", likeness.map_or(f64::NAN, place))?;
    let delay = likeness.and_then(|l| l.delay_ms).map_or(f64::NAN, |ms| ms / 1000.0);
    w.gauge("mixwarden_stream_delay_seconds", delay)?;
    w.gauge("mixwarden_stream_over_house_db", likeness.and_then(|l| l.level_db).unwrap_or(f64::NAN))?;
    w.gauge("mixwarden_last_reading_timestamp_seconds", board.now_unix_ms as f64 / 1000.0)?;
    let mut text = Vec::new();
    TextEncoder::new().encode(&w.registry.gather(), &mut text)?;
    String::from_utf8(text).map_err(|e| prometheus::Error::Msg(e.to_string()))
}

/// The documents' table of all metrics, Markdown.
pub fn table() -> String {
    let mut text = String::from(
        "# Metrics\n\n\
         Made from the program: `BLESS=1 cargo test --release --test fleet` renews it.\n\n\
         `GET /metrics` of the booth page, Prometheus text format 0.0.4. From another machine it needs a key with the role \
         `look`, as a bearer token.\n\n\
         | name | type | unit | labels | meaning |\n|---|---|---|---|---|\n",
    );
    for m in METRICS {
        let labels: Vec<String> = m.labels.iter().map(|l| format!("`{l}`")).collect();
        let _ = writeln!(text, "| `{}` | {} | {} | {} | {} |", m.name, m.kind, m.unit(), labels.join(", "), m.help);
    }
    let kinds: Vec<String> = FAULT_KINDS.iter().map(|k| format!("`{k}`")).collect();
    let conditions: Vec<String> = ROSTER.iter().map(|l| format!("`{}`", l.name)).collect();
    let _ = write!(
        text,
        "\nLabel `feed` is the feed's name in the settings (`stream`, `house`, or another); `kind` is one of {};\n\
         `condition` is one of {}.\n\n\
         ## Silence and nothing\n\
         Silence is a reading: a level of minus infinity (`-Inf`), which `<` finds. No data is not a reading: `NaN`, which no \
         comparison finds, and for which `absent()` does not fire either, since the series is there. So ask\n\
         - for silence: `mixwarden_momentary_lufs < -60` (true for -Inf, never for NaN);\n\
         - for no data: `mixwarden_feed_up == 0`;\n\
         - for a venue that is gone: `up == 0`, or the rule `MixwardenVenueOffline`;\n\
         - for averages: a single -Inf makes an average of -Inf; the recording rules leave it out \
         (`mixwarden_short_term_lufs > -Inf`).\n",
        kinds.join(", "),
        conditions.join(", ")
    );
    text
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
