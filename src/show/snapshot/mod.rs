//! The JSON of the present moment, version 1. Documented in the README; fields are only ever added.
//! JSON has no infinities: a level of "nothing there at all" is null, and `signal` says which kind of nothing.

mod own_mix;

use super::shape::wire;
use crate::judge::{Alert, AlertLife, Cause};
use crate::ledger::sentence::{Mood, sentence};
use crate::ledger::{Board, FeedBoard};
use crate::units::db_of_amplitude;
use crate::words::said_of;
pub use own_mix::OwnMixNow;

wire! {

/// The present moment.
pub struct Snapshot {
    /// Version of this shape.
    pub version: u32,
    /// Name of the venue.
    pub venue: String,
    /// Wall time of the newest reading, ms since 1970.
    pub unix_ms: i64,
    /// Time since the stream began, seconds.
    pub stream_seconds: f64,
    /// The sentence of the moment.
    pub sentence: String,
    /// `calm`, `advice` or `warning`.
    pub mood: &'static str,
    /// The sound is made up.
    pub rehearsal: bool,
    /// The sound around warnings is kept.
    pub moments_kept: bool,
    /// The service, if one is on.
    pub service: ServiceNow,
    /// The target.
    pub target: TargetNow,
    /// One a feed.
    pub feeds: Vec<FeedNow>,
    /// Alerts that stand, the worst first.
    pub alerts: Vec<AlertNow>,
    /// Alerts that ended lately, newest last.
    pub past: Vec<AlertNow>,
    /// Faults of the box itself.
    pub faults: Vec<FaultNow>,
    /// The stream beside the house; null without both.
    pub own_mix: Option<OwnMixNow>,
}

/// The service.
pub struct ServiceNow {
    /// One is on.
    pub on: bool,
    /// It has gone on for this, seconds.
    pub seconds: Option<f64>,
    /// `button`, `timetable` or `activity`.
    pub by: Option<&'static str>,
    /// A set start has passed by its grace time.
    pub overdue: bool,
}

/// The target.
pub struct TargetNow {
    /// Its profile.
    pub profile: String,
    /// Loudness, LUFS.
    pub lufs: f64,
    /// Largest true peak, dBTP.
    pub true_peak_dbtp: f64,
}

/// One feed.
pub struct FeedNow {
    /// Name.
    pub name: String,
    /// `stream`, `house` or `other`.
    pub role: &'static str,
    /// Where it comes from.
    pub source: String,
    /// `no_data`, `digital_silence`, `quiet` or `sound`.
    pub signal: &'static str,
    /// It has been heard in this service.
    pub heard: bool,
    /// Momentary loudness, LUFS.
    pub momentary_lufs: Option<f64>,
    /// Short-term loudness, LUFS.
    pub short_term_lufs: Option<f64>,
    /// Loudness of the last half minute, LUFS.
    pub recent_lufs: Option<f64>,
    /// Integrated loudness of the service, LUFS.
    pub integrated_lufs: Option<f64>,
    /// Loudness range of the service, LU.
    pub range_lu: Option<f64>,
    /// It has 60 s of sound behind it.
    pub range_stable: bool,
    /// Largest true peak of the service, dBTP.
    pub max_true_peak_dbtp: Option<f64>,
    /// RMS of each channel over the last 100 ms, dBFS.
    pub rms_dbfs: Vec<Option<f64>>,
    /// Correlation of left and right, -1 to 1.
    pub correlation: Option<f64>,
    /// Learned pause floor, LUFS.
    pub floor_lufs: Option<f64>,
    /// Every condition that is not merely watching.
    pub conditions: Vec<ConditionNow>,
}

/// Where a condition stands.
pub struct ConditionNow {
    /// Its name.
    pub condition: &'static str,
    /// `pending`, `raised`, `acknowledged` or `shelved`.
    pub state: &'static str,
}

/// One alert.
pub struct AlertNow {
    /// Number for acknowledging.
    pub id: u64,
    /// Feed.
    pub feed: String,
    /// Condition.
    pub condition: &'static str,
    /// `note`, `advice` or `warning`.
    pub severity: &'static str,
    /// What is wrong.
    pub headline: String,
    /// What to check, first to third.
    pub checks: Vec<String>,
    /// The numbers.
    pub evidence: String,
    /// Raised at, seconds of stream time.
    pub raised_seconds: f64,
    /// Acknowledged at.
    pub acknowledged_seconds: Option<f64>,
    /// Ended at.
    pub cleared_seconds: Option<f64>,
    /// It came and went before.
    pub comes_and_goes: bool,
}

/// A fault of the box.
pub struct FaultNow {
    /// Kind.
    pub kind: &'static str,
    /// One sentence.
    pub sentence: String,
}

}

/// Kinds of signal, from nothing to sound.
pub const SIGNALS: [&str; 4] = ["no_data", "digital_silence", "quiet", "sound"];

/// Kind of signal of a feed.
pub fn signal(feed: &FeedBoard) -> &'static str {
    match &feed.reading {
        None => "no_data",
        Some(r) if r.absent() => "no_data",
        Some(r) if r.stands_still() => "digital_silence",
        Some(_) if feed.plays => "sound",
        Some(_) => "quiet",
    }
}

/// Name of a life for JSON.
pub fn life_name(life: AlertLife) -> &'static str {
    match life {
        AlertLife::Watching => "watching",
        AlertLife::Pending => "pending",
        AlertLife::Raised => "raised",
        AlertLife::Acknowledged => "acknowledged",
        AlertLife::Shelved => "shelved",
    }
}

fn finite(x: Option<f64>) -> Option<f64> {
    x.filter(|x| x.is_finite())
}

impl Snapshot {
    /// The JSON of `board`.
    pub fn of(board: &Board) -> Self {
        let said = sentence(board);
        let name = |feed: usize| board.feeds.get(feed).map_or_else(String::new, |f| f.name.clone());
        let alert = |a: &Alert| AlertNow {
            id: a.id,
            feed: name(a.feed),
            condition: a.condition,
            severity: a.evidence.severity.name(),
            headline: said_of(&name(a.feed), a.evidence.words.headline),
            checks: a.evidence.words.checks.iter().map(|c| said_of(&name(a.feed), c)).collect(),
            evidence: a.evidence.sentence(),
            raised_seconds: a.raised.seconds(),
            acknowledged_seconds: a.acknowledged.map(|t| t.seconds()),
            cleared_seconds: a.cleared.map(|c| c.0.seconds()),
            comes_and_goes: a.comes_and_goes,
        };
        Self {
            version: 1,
            venue: board.venue.clone(),
            unix_ms: board.now_unix_ms,
            stream_seconds: board.now.seconds(),
            mood: match said.mood {
                Mood::Calm => "calm",
                Mood::Advice => "advice",
                Mood::Warning => "warning",
            },
            sentence: said.text,
            rehearsal: board.rehearsal,
            moments_kept: board.moments_kept,
            service: ServiceNow {
                on: board.service.began.is_some(),
                seconds: board.service.began.map(|b| board.now.since(b)),
                by: board.service.by.map(|by| match by {
                    Cause::Button => "button",
                    Cause::Timetable => "timetable",
                    Cause::Activity | Cause::TooLong => "activity",
                }),
                overdue: board.service.overdue,
            },
            target: TargetNow {
                profile: board.target.profile.clone(),
                lufs: board.target.lufs,
                true_peak_dbtp: board.target.true_peak_dbtp,
            },
            feeds: board.feeds.iter().map(feed_now).collect(),
            alerts: board.standing.iter().map(alert).collect(),
            past: board.past.iter().map(alert).collect(),
            own_mix: board.pair.as_ref().map(OwnMixNow::of),
            faults: board.faults.iter().map(|f| FaultNow { kind: f.kind, sentence: f.sentence.clone() }).collect(),
        }
    }
}

fn feed_now(feed: &FeedBoard) -> FeedNow {
    let r = feed.reading.as_ref();
    let rms = r.map_or_else(Vec::new, |r| {
        r.channel[..r.channels].iter().map(|c| finite(Some(db_of_amplitude(c.mean_square.sqrt())))).collect()
    });
    FeedNow {
        name: feed.name.clone(),
        role: feed.role.name(),
        source: feed.source.clone(),
        signal: signal(feed),
        heard: feed.heard,
        momentary_lufs: finite(r.and_then(|r| r.momentary_lufs)),
        short_term_lufs: finite(r.and_then(|r| r.short_term_lufs)),
        recent_lufs: finite(feed.recent_lufs),
        integrated_lufs: finite(r.and_then(|r| r.integrated_lufs)),
        range_lu: finite(r.and_then(|r| r.range_lu)),
        range_stable: r.is_some_and(|r| r.range_stable),
        max_true_peak_dbtp: feed.max_true_peak_dbtp(),
        rms_dbfs: rms,
        correlation: r.and_then(|r| r.correlation()),
        floor_lufs: finite(feed.floor_lufs),
        conditions: feed
            .lives
            .iter()
            .filter(|(_, life)| *life != AlertLife::Watching)
            .map(|(condition, life)| ConditionNow { condition, state: life_name(*life) })
            .collect(),
    }
}
