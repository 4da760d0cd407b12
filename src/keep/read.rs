//! Reading the log, while it is being written too.

use super::file::{self, OpenError};
use crate::chain::Programme;
use crate::feed::Role;
use crate::judge::Severity;
use crate::ledger::row::unpack;
use crate::ledger::trend::TrendPoint;
use crate::ledger::{KeptAlert, KeptFeed, KeptService, OwnMixChange, Row, ServiceLine, Shelf, ShelfError, Which};
use rusqlite::{Connection, OptionalExtension as _, params};
use std::path::{Path, PathBuf};

/// The log in a state directory, for reading. Opens the file anew for each question.
#[derive(Debug, Clone)]
pub struct Reader {
    state: PathBuf,
}

/// What a daemon that starts takes over from the runs before.
#[derive(Debug, Clone, Default)]
pub struct Legacy {
    /// The first free number for alerts.
    pub next_alert: u64,
    /// What the venue has taught: feed, JSON.
    pub habits: Vec<(String, String)>,
    /// A service that nobody ended.
    pub open: Option<OpenService>,
}

/// A service that was on when the log's last row was written.
#[derive(Debug, Clone, PartialEq)]
pub struct OpenService {
    /// Its number.
    pub id: i64,
    /// By what it began.
    pub by: String,
    /// Wall time of its last row, ms since 1970.
    pub last_ms: i64,
    /// Feeds that were heard in it.
    pub heard: Vec<String>,
}

impl Reader {
    /// The log in the directory `state`.
    pub fn new(state: &Path) -> Self {
        Self { state: state.into() }
    }

    /// What the runs before left; sounds count as heard above `sound_lufs`.
    ///
    /// # Errors
    /// When the log cannot be read. A log that does not exist yet leaves nothing.
    pub fn legacy(&self, sound_lufs: f64) -> Result<Legacy, ShelfError> {
        if !file::path(&self.state).exists() {
            return Ok(Legacy { next_alert: 1, ..Legacy::default() });
        }
        self.with(|c| {
            let next: i64 = c.query_row("SELECT coalesce(max(number), 0) + 1 FROM alert", [], |r| r.get(0))?;
            let mut habits = c.prepare("SELECT feed, json FROM habits")?;
            let habits = habits.query_map([], |r| Ok((r.get(0)?, r.get(1)?)))?.collect::<Result<_, _>>()?;
            let open = c
                .query_row(
                    "SELECT id, began_by, coalesce((SELECT max(unix_ms) FROM row JOIN part ON part.run = row.run
                        WHERE part.service = service.id AND row.second >= part.first_second), began_ms)
                     FROM service WHERE ended_ms IS NULL ORDER BY id DESC LIMIT 1",
                    [],
                    |r| Ok(OpenService { id: r.get(0)?, by: r.get(1)?, last_ms: r.get(2)?, heard: Vec::new() }),
                )
                .optional()?;
            let open = match open {
                Some(mut open) => {
                    let mut heard = c.prepare(
                        "SELECT feed.name FROM row JOIN part ON part.run = row.run JOIN feed ON feed.id = row.feed
                         WHERE part.service = ?1 AND row.second >= part.first_second AND row.momentary_top > ?2
                         GROUP BY 1 HAVING count(*) >= 5",
                    )?;
                    open.heard =
                        heard.query_map(params![open.id, sound_lufs], |r| r.get(0))?.collect::<Result<_, _>>()?;
                    Some(open)
                }
                None => None,
            };
            Ok(Legacy { next_alert: next as u64, habits, open })
        })
    }

    /// Ends the services that nobody ended, but `go_on`, at their last row.
    ///
    /// # Errors
    /// When the log cannot be written.
    pub fn close_services(&self, go_on: Option<i64>) -> Result<(), ShelfError> {
        if !file::path(&self.state).exists() {
            return Ok(());
        }
        let c = file::open_to_write(&self.state).map_err(said)?;
        let sql = "UPDATE service SET ended_by = 'cut off', ended_ms = coalesce((SELECT max(row.unix_ms) FROM row
             JOIN part ON part.run = row.run WHERE part.service = service.id AND row.second >= part.first_second),
             began_ms) WHERE ended_ms IS NULL AND id IS NOT ?1";
        let end_parts = "UPDATE part SET last_second = coalesce((SELECT max(second) FROM row WHERE row.run = part.run),
             first_second) WHERE last_second IS NULL";
        let alerts = "UPDATE alert SET clearing = 'cut off', cleared_ms = max(raised_ms, coalesce((SELECT max(unix_ms)
             FROM row WHERE row.run = alert.run), raised_ms)) WHERE cleared_ms IS NULL";
        let faults = "UPDATE fault SET ended_ms = max(began_ms, coalesce((SELECT max(unix_ms) FROM row
             WHERE row.run = fault.run), began_ms)) WHERE ended_ms IS NULL";
        c.execute(sql, [go_on])
            .and_then(|_| c.execute_batch(&format!("{end_parts};{alerts};{faults};")))
            .map_err(|e| ShelfError(format!("{}: {e}", file::path(&self.state).display())))
    }

    fn with<T>(&self, work: impl FnOnce(&Connection) -> rusqlite::Result<T>) -> Result<T, ShelfError> {
        let c = file::open_to_read(&self.state).map_err(said)?;
        work(&c).map_err(|e| ShelfError(format!("{}: {e}", file::path(&self.state).display())))
    }
}

fn said(e: OpenError) -> ShelfError {
    ShelfError(e.to_string())
}

const LINE: &str = "SELECT id, began_ms, ended_ms, began_by,
    (SELECT integrated FROM programme p JOIN feed f ON f.id = p.feed WHERE p.service = service.id AND f.role = 'stream'),
    (SELECT count(*) FROM alert WHERE alert.service = service.id AND severity = 'warning'),
    (SELECT count(*) FROM alert WHERE alert.service = service.id AND severity = 'advice'), note FROM service";

fn line_of(r: &rusqlite::Row<'_>) -> rusqlite::Result<ServiceLine> {
    Ok(ServiceLine {
        id: r.get(0)?,
        began_ms: r.get(1)?,
        ended_ms: r.get(2)?,
        by: r.get(3)?,
        integrated_lufs: r.get(4)?,
        warnings: r.get::<_, i64>(5)? as u64,
        advices: r.get::<_, i64>(6)? as u64,
        note: r.get(7)?,
    })
}

/// A row of the table `row`, columns in the table's order.
pub(super) fn row_of(r: &rusqlite::Row<'_>) -> rusqlite::Result<Row> {
    Ok(Row {
        second: r.get::<_, i64>(2)? as u64,
        span_seconds: r.get(3)?,
        unix_ms: r.get(4)?,
        measured_hops: r.get(5)?,
        momentary_top_lufs: r.get(6)?,
        short_term_lufs: r.get(7)?,
        integrated_lufs: r.get(8)?,
        range_lu: r.get(9)?,
        rms_dbfs: [r.get(10)?, r.get(11)?],
        true_peak_dbtp: [r.get(12)?, r.get(13)?],
        worst: r.get::<_, Option<String>>(14)?.and_then(|w| Severity::named(&w)),
        fine: r.get::<_, Option<Vec<u8>>>(15)?.and_then(|b| unpack(&b)),
    })
}

fn alert_of(r: &rusqlite::Row<'_>) -> rusqlite::Result<KeptAlert> {
    Ok(KeptAlert {
        run: r.get("run")?,
        number: r.get::<_, i64>("number")? as u64,
        feed: r.get("feed")?,
        condition: r.get("condition")?,
        severity: Severity::named(&r.get::<_, String>("severity")?).unwrap_or(Severity::Note),
        headline: r.get("headline")?,
        evidence: r.get("evidence")?,
        began_ms: r.get("began_ms")?,
        raised_ms: r.get("raised_ms")?,
        acknowledged_ms: r.get("acknowledged_ms")?,
        cleared_ms: r.get("cleared_ms")?,
        clearing: r.get("clearing")?,
        comes_and_goes: r.get("comes_and_goes")?,
        note: r.get("note")?,
    })
}

fn feeds_of(c: &Connection, service: i64) -> rusqlite::Result<Vec<KeptFeed>> {
    let mut feeds = c.prepare(
        "SELECT DISTINCT feed.id, name, role FROM feed JOIN row ON row.feed = feed.id
         JOIN part ON part.run = row.run WHERE part.service = ?1 ORDER BY role = 'house', feed.id",
    )?;
    let found: Vec<(i64, String, String)> =
        feeds.query_map([service], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))?.collect::<Result<_, _>>()?;
    let mut rows = c.prepare(
        "SELECT row.* FROM part JOIN row ON row.run = part.run AND row.second > part.first_second
            AND row.second <= coalesce(part.last_second, 9e15)
         WHERE part.service = ?1 AND row.feed = ?2 ORDER BY part.run, row.second",
    )?;
    let mut programme = c.prepare("SELECT * FROM programme WHERE service = ?1 AND feed = ?2")?;
    let mut kept = Vec::new();
    for (index, (id, name, role)) in found.into_iter().enumerate() {
        let programme = programme
            .query_row(params![service, id], |r| {
                Ok(Programme {
                    feed: index,
                    integrated_lufs: r.get(2)?,
                    range_lu: r.get(3)?,
                    max_momentary_lufs: r.get(4)?,
                    max_short_term_lufs: r.get(5)?,
                    true_peak_dbtp: r.get(6)?,
                })
            })
            .optional()?;
        let rows = rows.query_map(params![service, id], row_of)?.collect::<Result<_, _>>()?;
        kept.push(KeptFeed { name, role: Role::named(&role).unwrap_or(Role::Other), programme, rows });
    }
    Ok(kept)
}

fn service_of(c: &Connection, line: ServiceLine) -> rusqlite::Result<KeptService> {
    let id = line.id;
    let (ended_by, target) = c.query_row(
        "SELECT coalesce(ended_by, ''), target_profile, target_lufs, target_peak FROM service WHERE id = ?1",
        [id],
        |r| Ok((r.get(0)?, (r.get(1)?, r.get(2)?, r.get(3)?))),
    )?;
    let mut alerts = c.prepare("SELECT * FROM alert WHERE service = ?1 ORDER BY raised_ms, run, number")?;
    let mut own_mix = c.prepare(
        "SELECT unix_ms, verdict, detail FROM own_mix WHERE run IN (SELECT run FROM part WHERE service = ?1)
         AND unix_ms >= ?2 AND unix_ms <= ?3 ORDER BY unix_ms",
    )?;
    let to = line.ended_ms.unwrap_or(i64::MAX);
    let mut faults = c.prepare(
        "SELECT kind, sentence, began_ms, ended_ms FROM fault WHERE run IN (SELECT run FROM part WHERE service = ?1)
         AND began_ms <= ?3 AND coalesce(ended_ms, ?3) >= ?2 ORDER BY began_ms",
    )?;
    Ok(KeptService {
        ended_by,
        target,
        parts: c.query_row("SELECT count(*) FROM part WHERE service = ?1", [id], |r| r.get::<_, i64>(0))? as u64,
        feeds: feeds_of(c, id)?,
        alerts: alerts.query_map([id], alert_of)?.collect::<Result<_, _>>()?,
        own_mix: own_mix
            .query_map(params![id, line.began_ms, to], |r| {
                Ok(OwnMixChange { unix_ms: r.get(0)?, verdict: r.get(1)?, detail: r.get(2)? })
            })?
            .collect::<Result<_, _>>()?,
        faults: faults
            .query_map(params![id, line.began_ms, to], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?)))?
            .collect::<Result<_, _>>()?,
        line,
    })
}

impl Shelf for Reader {
    fn services(&self, since_ms: i64, limit: usize) -> Result<Vec<ServiceLine>, ShelfError> {
        self.with(|c| {
            let mut lines = c.prepare(&format!("{LINE} WHERE began_ms >= ?1 ORDER BY id DESC LIMIT ?2"))?;
            lines.query_map(params![since_ms, limit as i64], line_of)?.collect()
        })
    }

    fn service(&self, which: Which) -> Result<Option<KeptService>, ShelfError> {
        self.with(|c| {
            let line = match which {
                Which::Number(id) => c.query_row(&format!("{LINE} WHERE id = ?1"), [id], line_of).optional()?,
                Which::Last => c.query_row(&format!("{LINE} ORDER BY id DESC LIMIT 1"), [], line_of).optional()?,
            };
            line.map(|line| service_of(c, line)).transpose()
        })
    }

    fn trend(&self, limit: usize) -> Result<Vec<TrendPoint>, ShelfError> {
        self.with(|c| {
            let mut points = c.prepare(
                "SELECT service.id, began_ms, p.integrated, p.range,
                    (SELECT min(row.momentary_top) FROM part JOIN row ON row.run = part.run AND row.feed = f.id
                        AND row.second > part.first_second AND row.second <= part.last_second
                     WHERE part.service = service.id AND row.span = 1 AND row.hops = 100 AND row.momentary_top > -200),
                    (SELECT count(*) FROM alert WHERE alert.service = service.id AND severity = 'warning'),
                    (SELECT avg(acknowledged_ms - raised_ms) / 1000.0 FROM alert
                     WHERE alert.service = service.id AND severity = 'warning')
                 FROM service JOIN programme p ON p.service = service.id JOIN feed f ON f.id = p.feed
                 WHERE f.role = 'stream' ORDER BY service.id DESC LIMIT ?1",
            )?;
            let mut found: Vec<TrendPoint> = points
                .query_map([limit as i64], |r| {
                    Ok(TrendPoint {
                        service: r.get(0)?,
                        began_ms: r.get(1)?,
                        integrated_lufs: r.get(2)?,
                        range_lu: r.get(3)?,
                        quietest_lufs: r.get(4)?,
                        warnings: r.get::<_, i64>(5)? as u64,
                        seconds_to_acknowledge: r.get(6)?,
                    })
                })?
                .collect::<Result<_, _>>()?;
            found.reverse();
            Ok(found)
        })
    }

    fn newest_ms(&self) -> Result<Option<i64>, ShelfError> {
        self.with(|c| c.query_row("SELECT max(unix_ms) FROM row", [], |r| r.get(0)))
    }

    fn note(&self, service: i64, alert: Option<(i64, u64)>, text: &str) -> Result<bool, ShelfError> {
        let c = file::open_to_write(&self.state).map_err(said)?;
        let done = match alert {
            None => c.execute("UPDATE service SET note = ?2 WHERE id = ?1", params![service, text]),
            Some((run, number)) => c.execute(
                "UPDATE alert SET note = ?4 WHERE service = ?1 AND run = ?2 AND number = ?3",
                params![service, run, number as i64, text],
            ),
        };
        done.map(|n| n > 0).map_err(|e| ShelfError(format!("{}: {e}", file::path(&self.state).display())))
    }
}
