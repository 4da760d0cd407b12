//! Waiting notices in a file of their own (SQLite, WAL, `synchronous=FULL`): a log that is busy or full never
//! delays them, and they never delay the log.
//!
//! Tables, version 1: `waiting(number, channel, notice)`, `conversation(channel, thread, notice)`, notices as JSON;
//! `counter(next_number)`, one row.

use crate::ledger::{Loaded, Notice, NoticeStep, Outbox, OutboxError, Waiting};
use rusqlite::{Connection, OptionalExtension as _, params};
use std::path::{Path, PathBuf};
use std::time::Duration;

const SCHEMA: &str = "
    CREATE TABLE IF NOT EXISTS waiting(number INTEGER PRIMARY KEY, channel TEXT NOT NULL, notice TEXT NOT NULL);
    CREATE TABLE IF NOT EXISTS conversation(channel TEXT NOT NULL, thread TEXT NOT NULL, notice TEXT NOT NULL,
        PRIMARY KEY(channel, thread)) WITHOUT ROWID;
    CREATE TABLE IF NOT EXISTS counter(only INTEGER PRIMARY KEY CHECK(only = 1), next_number INTEGER NOT NULL);
    PRAGMA user_version = 1;";
/// How long another program that looks into the file may hold it.
const BUSY: Duration = Duration::from_secs(2);

/// The store. Opens its file when it is first needed, and tries again after a failure.
#[derive(Debug)]
pub struct SqliteOutbox {
    path: PathBuf,
    connection: Option<Connection>,
}

impl SqliteOutbox {
    /// A store in the file `path`; its directory must exist by the time it is used.
    pub fn new(path: &Path) -> Self {
        Self { path: path.into(), connection: None }
    }

    fn connection(&mut self) -> rusqlite::Result<&mut Connection> {
        if self.connection.is_none() {
            let connection = Connection::open(&self.path)?;
            connection.busy_timeout(BUSY)?;
            connection.pragma_update(None, "journal_mode", "wal")?;
            connection.pragma_update(None, "synchronous", "full")?;
            connection.execute_batch(SCHEMA)?;
            self.connection = Some(connection);
        }
        // The branch above filled it or returned.
        self.connection.as_mut().ok_or(rusqlite::Error::InvalidQuery)
    }

    fn with<T>(&mut self, work: impl FnOnce(&mut Connection) -> rusqlite::Result<T>) -> Result<T, OutboxError> {
        let result = self.connection().and_then(work);
        result.map_err(|e| {
            self.connection = None;
            OutboxError(format!("{}: {e}", self.path.display()))
        })
    }
}

fn json(notice: &Notice) -> String {
    serde_json::to_string(notice).unwrap_or_default()
}

impl Outbox for SqliteOutbox {
    fn load(&mut self) -> Result<Loaded, OutboxError> {
        self.with(|c| {
            let next = c.query_row("SELECT next_number FROM counter", [], |r| r.get::<_, i64>(0)).optional()?;
            let mut loaded = Loaded { next_number: next.unwrap_or(1) as u64, ..Loaded::default() };
            let mut rows = c.prepare("SELECT number, channel, notice FROM waiting ORDER BY number")?;
            let found = rows.query_map([], |r| Ok((r.get::<_, i64>(0)? as u64, r.get(1)?, r.get::<_, String>(2)?)))?;
            for (number, channel, text) in found.collect::<Result<Vec<_>, _>>()? {
                // A row of another version that cannot be read any more is no reason to lose the others.
                if let Ok(notice) = serde_json::from_str(&text) {
                    loaded.waiting.push(Waiting { number, channel, notice });
                }
            }
            let mut rows = c.prepare("SELECT channel, notice FROM conversation ORDER BY channel, thread")?;
            let found = rows.query_map([], |r| Ok((r.get(0)?, r.get::<_, String>(1)?)))?;
            for (channel, text) in found.collect::<Result<Vec<(String, String)>, _>>()? {
                loaded.open.extend(serde_json::from_str(&text).ok().map(|n| (channel, n)));
            }
            Ok(loaded)
        })
    }

    fn append(&mut self, entries: &[Waiting]) -> Result<(), OutboxError> {
        self.with(|c| {
            let all = c.transaction()?;
            for e in entries {
                all.execute(
                    "INSERT OR REPLACE INTO waiting VALUES (?1, ?2, ?3)",
                    params![e.number as i64, e.channel, json(&e.notice)],
                )?;
                if e.notice.step == NoticeStep::Cleared {
                    let key = params![e.channel, e.notice.thread];
                    all.execute("DELETE FROM conversation WHERE channel = ?1 AND thread = ?2", key)?;
                } else if e.notice.opens() {
                    all.execute(
                        "INSERT OR REPLACE INTO conversation VALUES (?1, ?2, ?3)",
                        params![e.channel, e.notice.thread, json(&e.notice)],
                    )?;
                }
            }
            let next = entries.iter().map(|e| e.number + 1).max().unwrap_or(1) as i64;
            all.execute(
                "INSERT INTO counter VALUES (1, ?1) ON CONFLICT(only) DO UPDATE SET next_number = max(next_number, ?1)",
                [next],
            )?;
            all.commit()
        })
    }

    fn done(&mut self, number: u64) -> Result<(), OutboxError> {
        self.with(|c| c.execute("DELETE FROM waiting WHERE number = ?1", [number as i64]).map(drop))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_file_keeps_the_contract() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("notices.sqlite");
        crate::ledger::outbox::store_contract::<SqliteOutbox>(|old| {
            drop(old);
            SqliteOutbox::new(&path)
        });
    }

    #[test]
    fn a_place_that_cannot_be_written_is_said_and_tried_again() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("later/notices.sqlite");
        let mut store = SqliteOutbox::new(&path);
        let entry = Waiting { number: 5, channel: "mail".into(), notice: Notice::default() };
        let told = store.append(std::slice::from_ref(&entry)).unwrap_err().to_string();
        assert!(told.contains("later/notices.sqlite"), "{told}");
        std::fs::create_dir(dir.path().join("later")).unwrap();
        store.append(std::slice::from_ref(&entry)).unwrap();
        assert_eq!(store.load().unwrap().waiting, [entry]);
    }
}
