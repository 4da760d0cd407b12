//! The log's tables, versioned in `user_version`. A file of an older version is brought up to date when it is opened
//! for writing; one of a newer version is left alone and said.
//!
//! Times named `_ms` are wall time, ms since 1970; `second` is stream time since the run began. Levels in dB; NULL: no
//! data; -Inf: nothing there at all. `row.fine` is ten ticks of momentary, short-term, left, right as little-endian
//! i16 in hundredths of a dB (-32768: no data, -32767: nothing there).

use rusqlite::Connection;

/// Each step makes the next version out of the one before.
const STEPS: &[&str] = &[
    // 1: the first.
    "CREATE TABLE run(id INTEGER PRIMARY KEY, began_ms INTEGER NOT NULL, version TEXT NOT NULL);
     CREATE TABLE settings(run INTEGER NOT NULL, unix_ms INTEGER NOT NULL, text TEXT NOT NULL);
     CREATE TABLE feed(id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, role TEXT NOT NULL);
     CREATE TABLE row(run INTEGER NOT NULL, feed INTEGER NOT NULL, second INTEGER NOT NULL, span INTEGER NOT NULL,
        unix_ms INTEGER NOT NULL, hops INTEGER NOT NULL, momentary_top REAL, short_term REAL, integrated REAL,
        range REAL, rms_left REAL, rms_right REAL, peak_left REAL, peak_right REAL, worst TEXT, fine BLOB,
        PRIMARY KEY(run, feed, second)) WITHOUT ROWID;
     CREATE INDEX row_time ON row(unix_ms);
     CREATE TABLE service(id INTEGER PRIMARY KEY AUTOINCREMENT, began_ms INTEGER NOT NULL, began_by TEXT NOT NULL,
        ended_ms INTEGER, ended_by TEXT, target_profile TEXT NOT NULL, target_lufs REAL NOT NULL,
        target_peak REAL NOT NULL, note TEXT NOT NULL DEFAULT '');
     CREATE TABLE part(service INTEGER NOT NULL, run INTEGER NOT NULL, first_second INTEGER NOT NULL,
        last_second INTEGER, PRIMARY KEY(service, run)) WITHOUT ROWID;
     CREATE TABLE programme(service INTEGER NOT NULL, feed INTEGER NOT NULL, integrated REAL, range REAL,
        max_momentary REAL, max_short_term REAL, true_peak REAL, PRIMARY KEY(service, feed)) WITHOUT ROWID;
     CREATE TABLE alert(run INTEGER NOT NULL, number INTEGER NOT NULL, service INTEGER, feed TEXT NOT NULL,
        condition TEXT NOT NULL, severity TEXT NOT NULL, headline TEXT NOT NULL, evidence TEXT NOT NULL,
        began_ms INTEGER NOT NULL, raised_ms INTEGER NOT NULL, acknowledged_ms INTEGER, cleared_ms INTEGER,
        clearing TEXT, comes_and_goes INTEGER NOT NULL, note TEXT NOT NULL DEFAULT '', PRIMARY KEY(run, number))
        WITHOUT ROWID;
     CREATE TABLE mark(run INTEGER NOT NULL, second INTEGER NOT NULL, unix_ms INTEGER NOT NULL, what TEXT NOT NULL);
     CREATE TABLE fault(run INTEGER NOT NULL, kind TEXT NOT NULL, sentence TEXT NOT NULL, began_ms INTEGER NOT NULL,
        ended_ms INTEGER);
     CREATE TABLE habits(feed TEXT PRIMARY KEY, unix_ms INTEGER NOT NULL, json TEXT NOT NULL) WITHOUT ROWID;",
    // 2: the own-mix verdict's changes.
    "CREATE TABLE own_mix(run INTEGER NOT NULL, unix_ms INTEGER NOT NULL, verdict TEXT NOT NULL, detail TEXT NOT NULL);",
];

/// The version that this program writes.
pub const VERSION: i64 = STEPS.len() as i64;

/// Brings the file up to `VERSION`, one step a transaction.
///
/// # Errors
/// Those of SQLite; a file of a later version (`Ok(Err(version))`).
pub(super) fn migrate(connection: &mut Connection) -> rusqlite::Result<Result<(), i64>> {
    let version: i64 = connection.query_row("PRAGMA user_version", [], |r| r.get(0))?;
    if version > VERSION {
        return Ok(Err(version));
    }
    for (step, sql) in STEPS.iter().enumerate().skip(version.max(0) as usize) {
        let all = connection.transaction()?;
        all.execute_batch(sql)?;
        all.pragma_update(None, "user_version", step as i64 + 1)?;
        all.commit()?;
    }
    Ok(Ok(()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_older_version_opens_and_keeps_what_it_held() {
        for old in 0..STEPS.len() {
            let mut c = Connection::open_in_memory().unwrap();
            for sql in &STEPS[..old] {
                c.execute_batch(sql).unwrap();
            }
            c.pragma_update(None, "user_version", old as i64).unwrap();
            if old > 0 {
                c.execute("INSERT INTO mark VALUES (1, 2, 3, 'service_begin')", []).unwrap();
            }
            migrate(&mut c).unwrap().unwrap();
            let version: i64 = c.query_row("PRAGMA user_version", [], |r| r.get(0)).unwrap();
            assert_eq!(version, VERSION);
            let marks: i64 = c.query_row("SELECT count(*) FROM mark", [], |r| r.get(0)).unwrap();
            assert_eq!(marks, i64::from(old > 0));
            let verdicts: i64 = c.query_row("SELECT count(*) FROM own_mix", [], |r| r.get(0)).unwrap();
            assert_eq!(verdicts, 0);
        }
    }

    #[test]
    fn a_later_version_is_left_alone() {
        let mut c = Connection::open_in_memory().unwrap();
        c.pragma_update(None, "user_version", VERSION + 3).unwrap();
        assert_eq!(migrate(&mut c).unwrap(), Err(VERSION + 3));
    }
}
