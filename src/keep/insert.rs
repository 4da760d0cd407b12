//! Entries to rows of the tables, within the writer's transaction.

use super::writer::Writing;
use crate::judge::Target;
use crate::ledger::row::pack;
use crate::ledger::{Entry, KeptAlert, Row};
use rusqlite::{Connection, OptionalExtension as _, params};

/// One run of the program, as the log knows it. Its rows are made when the first entry is written; after a failure
/// they are looked up again, for the transaction that made them may have been lost.
#[derive(Debug)]
pub(super) struct Run {
    id: Option<i64>,
    feeds: Vec<i64>,
    service: Option<i64>,
    /// Target in force.
    pub(super) target: Target,
    /// Wall time of the newest row, ms since 1970.
    pub(super) newest_ms: i64,
}

impl Run {
    pub(super) fn new(writing: &Writing) -> Self {
        Self { id: None, feeds: Vec::new(), service: None, target: writing.target.clone(), newest_ms: writing.began_ms }
    }

    /// A transaction was lost: nothing that it made is believed.
    pub(super) fn forget(&mut self) {
        (self.id, self.service) = (None, None);
    }

    fn id(&mut self, c: &Connection, writing: &Writing) -> rusqlite::Result<i64> {
        if let Some(id) = self.id {
            return Ok(id);
        }
        let version = env!("CARGO_PKG_VERSION");
        let known = c
            .query_row("SELECT id FROM run WHERE began_ms = ?1 ORDER BY id DESC", [writing.began_ms], |r| r.get(0))
            .optional()?;
        let id: i64 = match known {
            Some(id) => id,
            None => {
                c.execute("INSERT INTO run(began_ms, version) VALUES (?1, ?2)", params![writing.began_ms, version])?;
                let id = c.last_insert_rowid();
                c.execute("INSERT INTO settings VALUES (?1, ?2, ?3)", params![id, writing.began_ms, writing.settings])?;
                if let Some(service) = writing.resumed {
                    c.execute("INSERT INTO part VALUES (?1, ?2, 0, NULL)", params![service, id])?;
                }
                id
            }
        };
        self.feeds.clear();
        for (name, role) in &writing.feeds {
            c.execute(
                "INSERT INTO feed(name, role) VALUES (?1, ?2) ON CONFLICT(name) DO UPDATE SET role = ?2",
                params![name, role.name()],
            )?;
            self.feeds.push(c.query_row("SELECT id FROM feed WHERE name = ?1", [name], |r| r.get(0))?);
        }
        self.service = c
            .query_row("SELECT service FROM part WHERE run = ?1 AND last_second IS NULL", [id], |r| r.get(0))
            .optional()?;
        self.id = Some(id);
        Ok(id)
    }

    pub(super) fn insert(&mut self, c: &Connection, writing: &Writing, entry: &Entry) -> rusqlite::Result<()> {
        let run = self.id(c, writing)?;
        match entry {
            Entry::Row { feed, row, .. } => self.row(c, run, *feed, row),
            Entry::Began { second, unix_ms, by } => {
                c.prepare_cached(
                    "INSERT INTO service(began_ms, began_by, target_profile, target_lufs, target_peak)
                     VALUES (?1, ?2, ?3, ?4, ?5)",
                )?
                .execute(params![
                    unix_ms,
                    by,
                    self.target.profile,
                    self.target.lufs,
                    self.target.true_peak_dbtp
                ])?;
                let service = c.last_insert_rowid();
                self.service = Some(service);
                c.execute("INSERT INTO part VALUES (?1, ?2, ?3, NULL)", params![service, run, *second as i64])?;
                // What was told while nobody knew yet that it had begun belongs to it.
                c.execute(
                    "UPDATE alert SET service = ?1 WHERE run = ?2 AND service IS NULL AND raised_ms >= ?3",
                    params![service, run, unix_ms],
                )
                .map(drop)
            }
            Entry::Ended { second, unix_ms, by, programmes } => {
                let Some(service) = self.service.take() else { return Ok(()) };
                c.execute(
                    "UPDATE service SET ended_ms = ?2, ended_by = ?3 WHERE id = ?1",
                    params![service, unix_ms, by],
                )?;
                c.execute(
                    "UPDATE part SET last_second = ?3 WHERE service = ?1 AND run = ?2",
                    params![service, run, *second as i64],
                )?;
                // What was told in the quiet after it is not of it.
                c.execute(
                    "UPDATE alert SET service = NULL WHERE service = ?1 AND raised_ms > ?2",
                    params![service, unix_ms],
                )?;
                for p in programmes {
                    c.execute(
                        "INSERT OR REPLACE INTO programme VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
                        params![
                            service,
                            self.feeds.get(p.feed),
                            p.integrated_lufs,
                            p.range_lu,
                            p.max_momentary_lufs,
                            p.max_short_term_lufs,
                            p.true_peak_dbtp
                        ],
                    )?;
                }
                Ok(())
            }
            Entry::Alert(alert) => self.alert(c, run, alert),
            Entry::OwnMix(change) => c
                .execute(
                    "INSERT INTO own_mix VALUES (?1, ?2, ?3, ?4)",
                    params![run, change.unix_ms, change.verdict, change.detail],
                )
                .map(drop),
            Entry::Fault { kind, sentence: Some(sentence), unix_ms } => c
                .execute("INSERT INTO fault VALUES (?1, ?2, ?3, ?4, NULL)", params![run, kind, sentence, unix_ms])
                .map(drop),
            Entry::Fault { kind, sentence: None, unix_ms } => c
                .execute(
                    "UPDATE fault SET ended_ms = ?3 WHERE run = ?1 AND kind = ?2 AND ended_ms IS NULL",
                    params![run, kind, unix_ms],
                )
                .map(drop),
            Entry::Mark { second, unix_ms, what } => c
                .execute("INSERT INTO mark VALUES (?1, ?2, ?3, ?4)", params![run, *second as i64, unix_ms, what])
                .map(drop),
            Entry::Settings { unix_ms, text } => {
                c.execute("INSERT INTO settings VALUES (?1, ?2, ?3)", params![run, unix_ms, text]).map(drop)
            }
            Entry::Habits { feed, unix_ms, json } => {
                c.execute("INSERT OR REPLACE INTO habits VALUES (?1, ?2, ?3)", params![feed, unix_ms, json]).map(drop)
            }
        }
    }

    fn row(&mut self, c: &Connection, run: i64, feed: usize, row: &Row) -> rusqlite::Result<()> {
        self.newest_ms = self.newest_ms.max(row.unix_ms);
        put_row(c, run, self.feeds.get(feed).copied().unwrap_or_default(), row)
    }

    fn alert(&self, c: &Connection, run: i64, a: &KeptAlert) -> rusqlite::Result<()> {
        c.prepare_cached(
            "INSERT INTO alert VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, '')
             ON CONFLICT(run, number) DO UPDATE SET severity = ?6, headline = ?7, evidence = ?8, acknowledged_ms = ?11,
             cleared_ms = ?12, clearing = ?13, comes_and_goes = ?14",
        )?
        .execute(params![
            run,
            a.number as i64,
            self.service,
            a.feed,
            a.condition,
            a.severity.name(),
            a.headline,
            a.evidence,
            a.began_ms,
            a.raised_ms,
            a.acknowledged_ms,
            a.cleared_ms,
            a.clearing,
            a.comes_and_goes
        ])
        .map(drop)
    }
}

/// Writes one row of a feed.
pub(super) fn put_row(c: &Connection, run: i64, feed: i64, row: &Row) -> rusqlite::Result<()> {
    c.prepare_cached("INSERT OR REPLACE INTO row VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13,?14,?15,?16)")?
        .execute(params![
            run,
            feed,
            row.second as i64,
            row.span_seconds,
            row.unix_ms,
            row.measured_hops,
            row.momentary_top_lufs,
            row.short_term_lufs,
            row.integrated_lufs,
            row.range_lu,
            row.rms_dbfs[0],
            row.rms_dbfs[1],
            row.true_peak_dbtp[0],
            row.true_peak_dbtp[1],
            row.worst.map(|w| w.name()),
            row.fine.as_ref().map(pack),
        ])
        .map(drop)
}
