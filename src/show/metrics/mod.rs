//! Prometheus text. Silence is minus infinity, "no data" is not-a-number (`<` finds the first and not the second),
//! and `mixwarden_feed_up` says which; every series is there from the start.

mod names;

pub use names::{FAULT_KINDS, METRICS, Metric, table};

use super::snapshot::{SIGNALS, signal};
use crate::judge::{AlertLife, Severity};
use crate::ledger::{Board, FeedBoard, NoticeCounts};
use crate::likeness::{Kin, Likeness};
use crate::measure::Reading;
use crate::units::StreamTime;
use prometheus::{Encoder as _, Gauge, GaugeVec, IntCounter, IntCounterVec, Opts, Registry, TextEncoder};

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
    let channels = |get: &dyn Fn(&NoticeCounts) -> u64| -> Vec<(Vec<String>, u64)> {
        board.notices.iter().map(|(channel, counts)| (vec![(*channel).to_string()], get(counts))).collect()
    };
    let waiting = channels(&|c| c.waiting).into_iter().map(|(labels, n)| (labels, n as f64));
    w.gauges("mixwarden_notices_waiting", waiting)?;
    w.counters("mixwarden_notices_told_total", channels(&|c| c.told).into_iter())?;
    w.counters("mixwarden_notices_lost_total", channels(&|c| c.lost).into_iter())?;
    w.counters("mixwarden_notice_failures_total", channels(&|c| c.failed_tries).into_iter())?;
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

fn state(life: AlertLife) -> f64 {
    match life {
        AlertLife::Watching => 0.0,
        AlertLife::Pending => 1.0,
        AlertLife::Raised => 2.0,
        AlertLife::Acknowledged => 3.0,
        AlertLife::Shelved => 4.0,
    }
}
