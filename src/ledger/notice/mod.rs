//! A notice: what is told to people who are not at the page, in whole sentences, complete in itself.
//!
//! It is made once, when something happens, and kept as it is until every channel's peer has it. It holds no
//! secret. Local times come from the shell, which alone knows the time zone.

use super::Board;
use crate::chain::Programme;
use crate::judge::{Alert, AlertChange, Clearing, Severity};
use crate::words::said_of;
use serde::{Deserialize, Serialize};

/// Where a conversation stands. Names in the JSON: small letters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NoticeStep {
    /// Something is wrong.
    #[default]
    Raised,
    /// Its severity or words changed.
    Changed,
    /// Somebody is on it.
    Acknowledged,
    /// It is over.
    Cleared,
    /// A service is over: its figures.
    Review,
    /// Somebody tries the channel.
    Test,
}

impl NoticeStep {
    /// Name in the JSON, topics and headers.
    pub fn name(self) -> &'static str {
        match self {
            Self::Raised => "raised",
            Self::Changed => "changed",
            Self::Acknowledged => "acknowledged",
            Self::Cleared => "cleared",
            Self::Review => "review",
            Self::Test => "test",
        }
    }
}

/// What is told, complete.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Notice {
    /// Unique: the same for every try of the same notice, so that a peer can tell a second copy.
    pub id: String,
    /// One conversation: the same for all steps of one alert.
    pub thread: String,
    /// Where the conversation stands.
    pub step: NoticeStep,
    /// Name of the venue, for people.
    pub venue: String,
    /// Name of the feed in settings and metrics; empty for a review.
    pub feed: String,
    /// Name of the condition; empty for a review.
    pub condition: String,
    /// `note`, `advice` or `warning`.
    pub severity: String,
    /// When this happened: milliseconds since 1970, by the clock of the booth computer.
    pub at_unix_ms: i64,
    /// The same, RFC 3339 with offset.
    pub at: String,
    /// When the trouble began, RFC 3339 with offset.
    pub since: String,
    /// How long it has lasted, seconds (stream time).
    pub lasted_seconds: f64,
    /// A service was on.
    pub in_service: bool,
    /// The sound is made up: nobody need act.
    pub rehearsal: bool,
    /// What is wrong, one sentence without a full stop.
    pub headline: String,
    /// What to check, first to last.
    pub checks: Vec<String>,
    /// What the viewers hear meanwhile.
    pub viewers: String,
    /// The numbers, one sentence.
    pub evidence: String,
    /// Where the work can hurt somebody.
    pub caution: String,
    /// How it ended; empty until it has.
    pub ending: String,
    /// Notices of this channel that were held back before this one, by its rate limit.
    pub held_back: u32,
}

/// Wall time to RFC 3339 with offset; the shell's.
pub type LocalTime<'a> = &'a dyn Fn(i64) -> String;

/// Names of the severities, as the settings' quiet list takes them.
pub const SEVERITIES: [Severity; 3] = [Severity::Note, Severity::Advice, Severity::Warning];

/// The conversation of an alert: its number goes on over restarts; the time guards against a lost log.
fn thread_of(alert: &Alert) -> String {
    format!("a{}-{}", alert.id, alert.raised.0)
}

impl Notice {
    /// What happened to `alert` at `at_unix_ms`.
    pub fn of_alert(change: AlertChange, alert: &Alert, board: &Board, at_unix_ms: i64, local: LocalTime<'_>) -> Self {
        let step = match change {
            AlertChange::Raised => NoticeStep::Raised,
            AlertChange::Changed => NoticeStep::Changed,
            AlertChange::Acknowledged => NoticeStep::Acknowledged,
            AlertChange::Cleared => NoticeStep::Cleared,
        };
        let now = match (change, alert.cleared, alert.acknowledged) {
            (AlertChange::Raised, ..) => alert.raised,
            (AlertChange::Cleared, Some((at, _)), _) => at,
            (AlertChange::Acknowledged, _, Some(at)) => at,
            _ => board.now.max(alert.raised),
        };
        let lasted_seconds = now.since(alert.began);
        let thread = thread_of(alert);
        let feed = board.feeds.get(alert.feed).map_or("", |f| f.name.as_str());
        let words = alert.evidence.words;
        let said = |sentence: &str| said_of(feed, sentence);
        Self {
            id: format!("{thread}-{}-{}", step.name(), now.0),
            thread,
            step,
            venue: board.venue.clone(),
            feed: feed.into(),
            condition: alert.condition.into(),
            severity: alert.evidence.severity.name().into(),
            at_unix_ms,
            at: local(at_unix_ms),
            since: local(at_unix_ms - (lasted_seconds * 1000.0) as i64),
            lasted_seconds,
            in_service: board.service.began.is_some(),
            rehearsal: board.rehearsal,
            headline: said(words.headline),
            checks: words.checks.iter().filter(|c| !c.is_empty()).map(|c| said(c)).collect(),
            viewers: said(words.viewers),
            evidence: said(&alert.evidence.sentence()),
            caution: said(words.caution),
            ending: alert.cleared.map_or(String::new(), |(_, how)| ending(how).into()),
            held_back: 0,
        }
    }

    /// A service ended: its figures, and what went wrong in it.
    pub fn of_review(
        programmes: &[Programme],
        warnings: usize,
        board: &Board,
        at_unix_ms: i64,
        local: LocalTime<'_>,
    ) -> Self {
        let mut lines = Vec::new();
        for p in programmes {
            let name = board.feeds.get(p.feed).map_or("", |f| crate::words::feed_name(&f.name));
            lines.push(match (p.integrated_lufs, p.true_peak_dbtp) {
                (Some(l), Some(t)) => format!(
                    "Loudness of the {name}: {l:.1} LUFS (target {:.0}), highest peak {t:.1} dBTP.",
                    board.target.lufs
                ),
                (Some(l), None) => format!("Loudness of the {name}: {l:.1} LUFS (target {:.0}).", board.target.lufs),
                _ => format!("Nothing was heard of the {name}."),
            });
        }
        if let Some(p) = programmes.iter().find(|p| board.feeds.get(p.feed).is_some_and(|f| f.name == "stream"))
            && let Some(lufs) = p.integrated_lufs
        {
            lines.push(super::advice::gain(lufs, p.true_peak_dbtp, &board.target).sentence());
        }
        let headline = match warnings {
            0 => "The service is over; there were no warnings".to_string(),
            1 => "The service is over; there was one warning".to_string(),
            n => format!("The service is over; there were {n} warnings"),
        };
        let thread = format!("s{at_unix_ms}");
        Self {
            id: format!("{thread}-review"),
            thread,
            step: NoticeStep::Review,
            venue: board.venue.clone(),
            severity: Severity::Note.name().into(),
            at_unix_ms,
            at: local(at_unix_ms),
            since: local(at_unix_ms),
            rehearsal: board.rehearsal,
            headline,
            evidence: lines.join(" "),
            ..Self::default()
        }
    }

    /// Somebody tries a channel.
    pub fn of_test(venue: &str, at_unix_ms: i64, local: LocalTime<'_>) -> Self {
        let thread = format!("t{at_unix_ms}");
        Self {
            id: format!("{thread}-test"),
            thread,
            step: NoticeStep::Test,
            venue: venue.into(),
            severity: Severity::Note.name().into(),
            at_unix_ms,
            at: local(at_unix_ms),
            since: local(at_unix_ms),
            headline: "This is a test; nothing is wrong".into(),
            evidence: "If you read this, notices arrive here.".into(),
            ..Self::default()
        }
    }

    /// A conversation that an earlier run left open ends with it.
    pub fn ended_by_restart(&self, at_unix_ms: i64, local: LocalTime<'_>) -> Self {
        Self {
            id: format!("{}-cleared-restart", self.thread),
            step: NoticeStep::Cleared,
            at_unix_ms,
            at: local(at_unix_ms),
            lasted_seconds: self.lasted_seconds + (at_unix_ms - self.at_unix_ms).max(0) as f64 / 1000.0,
            ending: "The listening program was started again; if this still goes on, it is told anew.".into(),
            held_back: 0,
            ..self.clone()
        }
    }

    /// It begins a conversation, or goes on with one.
    pub fn opens(&self) -> bool {
        matches!(self.step, NoticeStep::Raised | NoticeStep::Changed | NoticeStep::Acknowledged)
    }

    /// One line: the venue and what it is about.
    pub fn subject(&self) -> String {
        let what = match self.step {
            NoticeStep::Acknowledged => format!("Somebody is on it: {}", self.headline),
            NoticeStep::Cleared => format!("Over: {}", self.headline),
            _ => self.headline.clone(),
        };
        let made_up = if self.rehearsal { "Rehearsal, nothing is wrong: " } else { "" };
        match self.venue.as_str() {
            "" => format!("{made_up}{what}"),
            venue => format!("{made_up}{venue}: {what}"),
        }
    }

    /// All of it for people, plain lines; `link` to the page when it is known.
    pub fn text(&self, link: &str) -> String {
        let mut lines = vec![format!("{}.", self.subject())];
        match self.step {
            NoticeStep::Raised | NoticeStep::Changed => {
                lines.push(format!(
                    "It began at {}, {} before it was told.",
                    clock_of(&self.since),
                    lasting(self.lasted_seconds)
                ));
                lines.push(self.viewers.clone());
                lines.extend(self.checks.iter().enumerate().map(|(i, c)| format!("{}. {c}", i + 1)));
                lines.push(self.caution.clone());
            }
            NoticeStep::Acknowledged => lines.push(format!("They said so at {}.", clock_of(&self.at))),
            NoticeStep::Cleared => {
                lines.push(format!("It lasted {} and ended at {}.", lasting(self.lasted_seconds), clock_of(&self.at)));
                lines.push(self.ending.clone());
            }
            NoticeStep::Review | NoticeStep::Test => lines.push(format!("Time: {}.", self.at)),
        }
        lines.push(self.evidence.clone());
        if self.held_back > 0 {
            lines.push(format!(
                "{} more were held back before this one, because there were too many; the page has them all.",
                self.held_back
            ));
        }
        if !link.is_empty() {
            lines.push(format!("The page: {link}"));
        }
        lines.retain(|l| !l.is_empty());
        lines.join("\n")
    }
}

/// "10:12" of an RFC 3339 time; anything else as it is.
fn clock_of(time: &str) -> &str {
    if time.as_bytes().get(10) == Some(&b'T') { time.get(11..16).unwrap_or(time) } else { time }
}

/// How an alert ended, one sentence.
fn ending(how: Clearing) -> &'static str {
    match how {
        Clearing::Gone => "It is over.",
        Clearing::Replaced(_) => "A worse trouble took its place and is told by itself.",
        Clearing::Shelved => "Somebody put it aside for a time.",
        Clearing::SwitchedOff => "It was switched off in the settings.",
    }
}

/// A length of time for people: "7 seconds", "2 min 05 s", "1 h 12 min".
pub fn lasting(seconds: f64) -> String {
    let s = seconds.max(0.0).round() as u64;
    match s {
        1 => "1 second".into(),
        0..60 => format!("{s} seconds"),
        60..3600 => format!("{} min {:02} s", s / 60, s % 60),
        _ => format!("{} h {:02} min", s / 3600, s / 60 % 60),
    }
}

#[cfg(test)]
pub(crate) mod tests;
