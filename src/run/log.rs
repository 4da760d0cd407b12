//! The log as a listener of the measuring thread: outcomes to entries, with the wall times that only the shell knows.

use super::engine::Listener;
use crate::chain::Outcome;
use crate::feed::{AlertRef, Mark};
use crate::judge::{Alert, Habits};
use crate::keep::{Hold, Legacy, Limits, OpenService, Reader, Writer, Writing};
use crate::ledger::row::second_of;
use crate::ledger::{Board, Entry, KeptAlert, OwnMixChange, RowMaker, own_mix};
use crate::likeness::Kin;
use crate::settings::Settings;
use crate::units::StreamTime;
use crate::words::said_of;
use std::path::Path;

/// Rows are kept singly for this long after the last sound, seconds.
const LIVELY_SECONDS: f64 = 60.0;

/// The log, opened: what the runs before left, and the hold on it.
pub(super) struct Opened {
    pub(super) legacy: Legacy,
    pub(super) hold: Option<Hold>,
    /// Why it could not be opened, if not: said, and tried again by the writer.
    pub(super) fault: Option<String>,
}

/// Opens the log in `state`. `quiet_after_minutes` is how old an open service may be to go on; `now_ms` is wall time.
///
/// # Errors
/// Only when another daemon writes to it: its sentence.
pub(super) fn open(state: &Path, settings: &Settings, now_ms: i64) -> Result<Opened, String> {
    let failed = |fault: String| Opened {
        legacy: Legacy { next_alert: 1, ..Legacy::default() },
        hold: None,
        fault: Some(fault),
    };
    let hold = match Hold::take(state) {
        Ok(hold) => hold,
        Err(held @ crate::keep::OpenError::Held(_)) => return Err(held.to_string()),
        Err(e) => return Ok(failed(e.to_string())),
    };
    let reader = Reader::new(state);
    let found = reader.legacy(crate::judge::SOUND_LUFS).and_then(|mut legacy| {
        let longest_ms = (settings.chain.service.quiet_after_minutes * 60_000.0) as i64;
        // A clock that runs backwards says nothing of how long ago that was: then it is over.
        legacy.open = legacy.open.filter(|o: &OpenService| (0..longest_ms).contains(&(now_ms - o.last_ms)));
        reader.close_services(legacy.open.as_ref().map(|o| o.id))?;
        Ok(legacy)
    });
    Ok(match found {
        Ok(legacy) => Opened { legacy, hold: Some(hold), fault: None },
        Err(e) => Opened { hold: Some(hold), ..failed(e.to_string()) },
    })
}

/// The log at work.
pub(super) struct Log {
    writer: Writer,
    makers: Vec<RowMaker>,
    last_sound: Option<StreamTime>,
    faults: Vec<(&'static str, String)>,
    /// The last verdict that was written.
    own_mix: Kin,
}

impl Log {
    /// Starts the writer.
    ///
    /// # Errors
    /// One sentence, when no thread can be had.
    pub(super) fn start(
        state: &Path,
        settings: &Settings,
        text: String,
        board: &Board,
        opened: Opened,
        now_ms: i64,
    ) -> Result<Self, String> {
        let writing = Writing {
            state: state.into(),
            feeds: board.feeds.iter().map(|f| (f.name.clone(), f.role)).collect(),
            target: board.target.clone(),
            settings: text,
            limits: Limits {
                fine_days: settings.keep.fine_days,
                days: settings.keep.days,
                megabytes: settings.keep.megabytes,
            },
            began_ms: now_ms,
            resumed: opened.legacy.open.map(|o| o.id),
        };
        let makers = vec![RowMaker::default(); board.feeds.len()];
        let writer = Writer::start(writing, opened.hold).map_err(|e| format!("no thread for the log: {e}"))?;
        Ok(Self { writer, makers, last_sound: None, faults: Vec::new(), own_mix: Kin::default() })
    }

    /// Faults of the box that came or went since the last look.
    fn faults(&mut self, board: &Board, unix_ms: i64) {
        let now: Vec<(&'static str, String)> = board.faults.iter().map(|f| (f.kind, f.sentence.clone())).collect();
        if now == self.faults {
            return;
        }
        for (kind, _) in self.faults.iter().filter(|f| !now.contains(f)) {
            self.writer.take(Entry::Fault { kind, sentence: None, unix_ms });
        }
        for (kind, sentence) in now.iter().filter(|f| !self.faults.contains(f)) {
            self.writer.take(Entry::Fault { kind, sentence: Some(sentence.clone()), unix_ms });
        }
        self.faults = now;
    }
}

/// The alert as kept; `unix_ms` is the wall time of the board's now.
fn kept(alert: &Alert, board: &Board, unix_ms: i64) -> KeptAlert {
    let cleared = alert.cleared.map(|c| c.0);
    let at = |t: StreamTime| unix_ms - (board.now.0 as i64 - t.0 as i64) * 10;
    let feed = board.feeds.get(alert.feed).map_or("", |f| f.name.as_str());
    KeptAlert {
        run: 0,
        number: alert.id,
        feed: feed.into(),
        condition: alert.condition.into(),
        severity: alert.evidence.severity,
        headline: said_of(feed, alert.evidence.words.headline),
        evidence: alert.evidence.sentence(),
        began_ms: at(alert.began),
        raised_ms: at(alert.raised),
        acknowledged_ms: alert.acknowledged.map(at),
        cleared_ms: cleared.map(at),
        clearing: alert.cleared.map(|c| c.1.name().into()),
        comes_and_goes: alert.comes_and_goes,
        note: String::new(),
    }
}

/// A mark as text for the log.
fn mark_text(mark: Mark) -> String {
    let which = |w: AlertRef| match w {
        AlertRef::One(id) => id.to_string(),
        AlertRef::All => "all".into(),
    };
    match mark {
        Mark::Acknowledge(w) => format!("acknowledge {}", which(w)),
        Mark::Shelve { alert, seconds } => format!("shelve {} {seconds}", which(alert)),
        Mark::ServiceBegin => "service begin".into(),
        Mark::ServiceEnd => "service end".into(),
        Mark::Due { grace_seconds } => format!("due {grace_seconds}"),
        Mark::DueEnd => "due end".into(),
        Mark::ForgetHabits => "forget habits".into(),
    }
}

impl Listener for Log {
    fn take(&mut self, outcome: &Outcome, board: &Board, unix_ms: i64) {
        match outcome {
            Outcome::Reading { feed, reading } => {
                if reading.momentary_lufs.is_some_and(|m| m > crate::judge::SOUND_LUFS) {
                    self.last_sound = Some(reading.at);
                }
                let worst = board.worst(*feed);
                let Some(maker) = self.makers.get_mut(*feed) else { return };
                if let Some(row) = maker.take(reading, worst, unix_ms) {
                    let sound = self.last_sound.is_some_and(|t| reading.at.since(t) < LIVELY_SECONDS);
                    let lively = sound || board.service.began.is_some();
                    self.writer.take(Entry::Row { feed: *feed, row: Box::new(row), lively });
                }
                self.faults(board, unix_ms);
            }
            Outcome::Likeness(likeness) if self.own_mix != likeness.kin => {
                self.own_mix = likeness.kin;
                let detail = [vec![own_mix::headline(likeness)], own_mix::particulars(likeness)].concat().join(" ");
                let verdict = likeness.kin.name().into();
                self.writer.take(Entry::OwnMix(OwnMixChange { unix_ms, verdict, detail }));
            }
            Outcome::Likeness(_) => {}
            Outcome::Alert { alert, .. } => self.writer.take(Entry::Alert(kept(alert, board, unix_ms))),
            Outcome::Began { at, by } => {
                let began_ms = unix_ms - (board.now.0 as i64 - at.0 as i64).max(0) * 10;
                self.writer.take(Entry::Began { second: at.0 / 100, unix_ms: began_ms, by: by.name() });
            }
            Outcome::Ended { at, by, programmes } => self.writer.take(Entry::Ended {
                second: second_of(*at),
                unix_ms: unix_ms - (board.now.0 as i64 - at.0 as i64).max(0) * 10,
                by: by.name(),
                programmes: programmes.clone(),
            }),
        }
    }

    fn mark(&mut self, mark: Mark, at: StreamTime, unix_ms: i64) {
        self.writer.take(Entry::Mark { second: at.0 / 100, unix_ms, what: mark_text(mark) });
    }

    fn learned(&mut self, feed: &str, habits: &Habits, unix_ms: i64) {
        if let Ok(json) = serde_json::to_string(habits) {
            self.writer.take(Entry::Habits { feed: feed.into(), unix_ms, json });
        }
    }

    fn settings(&mut self, settings: &Settings, text: &str, unix_ms: i64) {
        self.writer.target(settings.chain.target.clone());
        self.writer.take(Entry::Settings { unix_ms, text: text.into() });
    }

    fn fault(&mut self) -> (&'static str, Option<String>) {
        ("log", self.writer.fault())
    }

    fn close(&mut self) {
        self.writer.close();
    }
}
