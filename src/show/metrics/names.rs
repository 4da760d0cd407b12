//! All metrics by name, with what they mean: the one table behind the exposition and the documents.

use crate::judge::ROSTER;
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
    metric(
        "mixwarden_notices_waiting",
        "gauge",
        &["channel"],
        "notices that wait for their peer; a series for each channel that is on",
    ),
    metric("mixwarden_notices_told_total", "counter", &["channel"], "notices that the peer has"),
    metric("mixwarden_notices_lost_total", "counter", &["channel"], "notices given up: too many, too old or refused"),
    metric("mixwarden_notice_failures_total", "counter", &["channel"], "tries to tell a notice that failed"),
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
            ("_waiting", "count"),
        ];
        ENDINGS.iter().find(|(end, _)| self.name.ends_with(end)).map_or("0 or 1", |(_, unit)| unit)
    }
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
