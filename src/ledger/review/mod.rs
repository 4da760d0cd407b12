//! What happened in a service, and the one thing to change before the next.

mod csv;
mod figures;
mod json;

pub use csv::{alerts_csv, rows_csv};
pub use figures::{BAND_LU, COLUMNS, Column, ReviewFeed, Spent, from_ticks};

use super::advice;
use super::shelf::{KeptAlert, KeptService, OwnMixChange, ServiceLine};
use crate::feed::Role;
use crate::judge::{Severity, Target};

/// Services before it that it is compared with.
pub const COMPARED: usize = 4;

/// A service, reviewed.
#[derive(Debug, Clone, PartialEq)]
pub struct Review {
    /// Name of the venue.
    pub venue: String,
    /// The service.
    pub line: ServiceLine,
    /// Its end, or its last row, ms since 1970.
    pub to_ms: i64,
    /// It is still on.
    pub going_on: bool,
    /// By what it ended; `cut off`: the program or the computer stopped.
    pub ended_by: String,
    /// Times that the program was started anew in it.
    pub restarts: u64,
    /// Target that was in force.
    pub target: Target,
    /// The feeds.
    pub feeds: Vec<ReviewFeed>,
    /// Alerts, by time.
    pub alerts: Vec<KeptAlert>,
    /// Own-mix verdicts, by time.
    pub own_mix: Vec<OwnMixChange>,
    /// Faults of the computer: kind, sentence, from, to.
    pub faults: Vec<(String, String, i64, Option<i64>)>,
    /// Stretches of more than `GAP_MS` of which nothing is kept: from, to.
    pub gaps: Vec<(i64, i64)>,
    /// The services before it, newest first.
    pub before: Vec<ServiceLine>,
}

/// Rows further apart than this leave a gap, ms.
const GAP_MS: i64 = 2_500;

impl Review {
    /// Reviews `kept`; `before` are the services before it, newest first.
    pub fn of(venue: &str, kept: KeptService, before: Vec<ServiceLine>) -> Self {
        let line = kept.line;
        let newest = kept.feeds.iter().filter_map(|f| f.rows.last()).map(|r| r.unix_ms).max();
        let to_ms = line.ended_ms.or(newest).unwrap_or(line.began_ms).max(line.began_ms);
        let whole = kept.parts == 1 && line.ended_ms.is_some() && kept.ended_by != "cut off";
        let (profile, lufs, true_peak_dbtp) = kept.target;
        let target = Target { profile, lufs, true_peak_dbtp };
        let mut feeds: Vec<ReviewFeed> = kept
            .feeds
            .iter()
            .enumerate()
            .map(|(i, f)| ReviewFeed::of(f, i, whole, (line.began_ms, to_ms), target.lufs))
            .collect();
        for feed in feeds.iter_mut().filter(|f| f.role != Role::House) {
            let integrated = feed.programme.integrated_lufs.filter(|i| i.is_finite());
            feed.gain = integrated.map(|i| advice::gain(i, feed.programme.true_peak_dbtp, &target));
        }
        let gaps = kept.feeds.first().map_or_else(Vec::new, |f| {
            let mut from = line.began_ms;
            let mut gaps = Vec::new();
            for row in &f.rows {
                let starts = row.unix_ms - i64::from(row.span_seconds) * 1000;
                if starts - from > GAP_MS {
                    gaps.push((from, starts));
                }
                from = from.max(row.unix_ms);
            }
            if to_ms - from > GAP_MS {
                gaps.push((from, to_ms));
            }
            gaps
        });
        Self {
            venue: venue.into(),
            to_ms,
            going_on: line.ended_ms.is_none(),
            ended_by: kept.ended_by,
            restarts: kept.parts.saturating_sub(1),
            target,
            feeds,
            alerts: kept.alerts,
            own_mix: kept.own_mix,
            faults: kept.faults,
            gaps,
            before: before.into_iter().take(COMPARED).collect(),
            line,
        }
    }

    /// The feed that the viewers heard.
    pub fn stream(&self) -> Option<&ReviewFeed> {
        self.feeds.iter().find(|f| f.role == Role::Stream).or_else(|| self.feeds.iter().find(|f| f.role == Role::Other))
    }

    /// The one thing to change before the next service.
    pub fn advice(&self) -> String {
        let longest = self
            .alerts
            .iter()
            .filter(|a| a.severity == Severity::Warning)
            .max_by_key(|a| a.cleared_ms.unwrap_or(self.to_ms) - a.began_ms);
        let level = self.stream().and_then(|s| s.gain.as_ref()).map(advice::Gain::sentence);
        match (level, longest) {
            (Some(level), _) => level,
            (None, Some(alert)) => format!("Find out why: {}.", alert.headline),
            (None, None) => "Nothing was heard: there is nothing to advise.".into(),
        }
    }

    /// Mean integrated loudness of the services before it, LUFS; `None` when there is none.
    pub fn usual_lufs(&self) -> Option<f64> {
        let all: Vec<f64> = self.before.iter().filter_map(|l| l.integrated_lufs).filter(|l| l.is_finite()).collect();
        (!all.is_empty()).then(|| all.iter().sum::<f64>() / all.len() as f64)
    }

    /// How it compares with the services before, one sentence; empty when there is nothing to compare.
    pub fn compared(&self) -> String {
        let now = self.stream().and_then(|s| s.programme.integrated_lufs);
        let (Some(now), Some(usual)) = (now.filter(|n| n.is_finite()), self.usual_lufs()) else { return String::new() };
        let count = self.before.len();
        let services = if count == 1 { "the service before".into() } else { format!("the {count} services before") };
        match now - usual {
            d if d.abs() < 1.0 => format!("As loud as {services}."),
            d if d > 0.0 => format!("{d:.1} LU louder than {services}."),
            d => format!("{:.1} LU quieter than {services}.", -d),
        }
    }
}
