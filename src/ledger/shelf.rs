//! What the log takes and what can be read back: the contract between `keep` (SQLite) and whoever asks for reviews.

use super::row::Row;
use super::trend::TrendPoint;
use crate::chain::Programme;
use crate::feed::Role;
use crate::judge::Severity;

/// One thing for the log. Times are ms since 1970 as stamped by the shell; seconds are of stream time.
#[derive(Debug, Clone, PartialEq)]
pub enum Entry {
    /// A feed's second.
    Row {
        /// Index of the feed.
        feed: usize,
        /// The row.
        row: Box<Row>,
        /// A service is on, or there was sound a moment ago: the row is kept as it is, at once.
        lively: bool,
    },
    /// A service began.
    Began {
        /// Its first second.
        second: u64,
        /// When.
        unix_ms: i64,
        /// By what.
        by: &'static str,
    },
    /// The service ended.
    Ended {
        /// Its last second.
        second: u64,
        /// When.
        unix_ms: i64,
        /// By what.
        by: &'static str,
        /// Figures of the feeds, by index.
        programmes: Vec<Programme>,
    },
    /// An alert was raised, or changed in some way.
    Alert(KeptAlert),
    /// The own-mix verdict changed.
    OwnMix(OwnMixChange),
    /// A fault of the box came (a sentence) or went.
    Fault {
        /// Its kind.
        kind: &'static str,
        /// The sentence; nothing: it is over.
        sentence: Option<String>,
        /// When.
        unix_ms: i64,
    },
    /// Something that people or the timetable did.
    Mark {
        /// At this second.
        second: u64,
        /// When.
        unix_ms: i64,
        /// What, as text that can be read again.
        what: String,
    },
    /// Settings in force from now on.
    Settings {
        /// When.
        unix_ms: i64,
        /// The text of the file; empty: the defaults.
        text: String,
    },
    /// What the venue has taught of a feed.
    Habits {
        /// Name of the feed.
        feed: String,
        /// When.
        unix_ms: i64,
        /// As JSON.
        json: String,
    },
}

/// An alert as kept: whole sentences, so that any later version can print it.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptAlert {
    /// Run of the program that told it; 0: the present one.
    pub run: i64,
    /// Number within the run.
    pub number: u64,
    /// Name of the feed.
    pub feed: String,
    /// Condition.
    pub condition: String,
    /// How much it asks.
    pub severity: Severity,
    /// What was wrong.
    pub headline: String,
    /// The numbers.
    pub evidence: String,
    /// When it began to hold.
    pub began_ms: i64,
    /// When it was told.
    pub raised_ms: i64,
    /// When somebody said that they were on it.
    pub acknowledged_ms: Option<i64>,
    /// When it ended.
    pub cleared_ms: Option<i64>,
    /// How it ended: `gone`, `replaced`, `shelved`, `switched off`.
    pub clearing: Option<String>,
    /// It came and went.
    pub comes_and_goes: bool,
    /// What it turned out to be, said by a person.
    pub note: String,
}

/// The own-mix verdict from one moment on.
#[derive(Debug, Clone, PartialEq)]
pub struct OwnMixChange {
    /// When, ms since 1970.
    pub unix_ms: i64,
    /// `own`, `copy`, `unrelated` or `unsure`.
    pub verdict: String,
    /// The proof, or what is missing, one sentence.
    pub detail: String,
}

/// A service in a list.
#[derive(Debug, Clone, PartialEq)]
pub struct ServiceLine {
    /// Number in this log.
    pub id: i64,
    /// When it began.
    pub began_ms: i64,
    /// When it ended; nothing: it is still on, or was cut off.
    pub ended_ms: Option<i64>,
    /// By what it began.
    pub by: String,
    /// Integrated loudness of the stream, LUFS.
    pub integrated_lufs: Option<f64>,
    /// Alerts of each severity.
    pub warnings: u64,
    /// Advices.
    pub advices: u64,
    /// What a person noted.
    pub note: String,
}

/// One feed of a kept service.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptFeed {
    /// Name.
    pub name: String,
    /// Role.
    pub role: Role,
    /// Figures at the end, as the meter read them; nothing while it is on, or when it was cut.
    pub programme: Option<Programme>,
    /// Its rows, in order of time.
    pub rows: Vec<Row>,
}

/// A service with all that is kept of it.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptService {
    /// The line.
    pub line: ServiceLine,
    /// By what it ended.
    pub ended_by: String,
    /// Runs of the program that it spans; more than one: the program was started anew meanwhile.
    pub parts: u64,
    /// Target that was in force: profile, LUFS, dBTP.
    pub target: (String, f64, f64),
    /// The feeds.
    pub feeds: Vec<KeptFeed>,
    /// Alerts, by time.
    pub alerts: Vec<KeptAlert>,
    /// Verdicts, by time.
    pub own_mix: Vec<OwnMixChange>,
    /// Box faults in it: kind, sentence, from, to.
    pub faults: Vec<(String, String, i64, Option<i64>)>,
}

/// The log could not be read or written.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct ShelfError(
    /// What went wrong, one sentence that names the file.
    pub String,
);

/// Which service is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Which {
    /// That of this number.
    Number(i64),
    /// The newest.
    Last,
}

/// What can be read of the log, while it is being written too.
pub trait Shelf: Send + Sync {
    /// The services that began at `since_ms` or later, newest first, at most `limit`.
    ///
    /// # Errors
    /// When the log cannot be read.
    fn services(&self, since_ms: i64, limit: usize) -> Result<Vec<ServiceLine>, ShelfError>;

    /// One service; nothing when there is none such.
    ///
    /// # Errors
    /// When the log cannot be read.
    fn service(&self, which: Which) -> Result<Option<KeptService>, ShelfError>;

    /// The last `limit` services that have ended, oldest first, for the trend.
    ///
    /// # Errors
    /// When the log cannot be read.
    fn trend(&self, limit: usize) -> Result<Vec<TrendPoint>, ShelfError>;

    /// Wall time of the newest row, ms since 1970.
    ///
    /// # Errors
    /// When the log cannot be read.
    fn newest_ms(&self) -> Result<Option<i64>, ShelfError>;

    /// Notes what an alert (`Some((run, number))`) or a whole service turned out to be; gives whether there was one.
    ///
    /// # Errors
    /// When the log cannot be written.
    fn note(&self, service: i64, alert: Option<(i64, u64)>, text: &str) -> Result<bool, ShelfError>;
}
