//! What grows old: first the ten values a second go, then seconds become minutes, then, when the file is too large,
//! the oldest minutes. Services, their figures, alerts and notes stay.

use super::insert::put_row;
use super::read::row_of;
use crate::ledger::Row;
use crate::ledger::row::fold;
use rusqlite::{Connection, params};

/// What is kept for how long.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    /// Ten values a second, days.
    pub fine_days: u32,
    /// One row a second, days.
    pub days: u32,
    /// The whole log, MB (10^6 bytes).
    pub megabytes: u32,
}

const DAY_MS: i64 = 86_400_000;
/// Seconds outside services become minutes after this: a service that is told late still finds its first seconds.
const OUTSIDE_MS: i64 = 2 * 3_600_000;
/// Rows of a fold, seconds.
const MINUTE: i64 = 60;
/// Feed-minutes folded in one transaction: some tenths of a second, so that the log's own second does not wait.
const AT_ONCE: usize = 240;
/// Rows deleted in one transaction.
const DELETE_AT_ONCE: i64 = 20_000;

/// Thins the log; `now_ms` is the wall time of its newest row (the clock of a booth computer may be wrong, its log's
/// own order is not).
///
/// # Errors
/// Those of SQLite; what was done until then is kept.
pub fn thin(c: &mut Connection, limits: &Limits, now_ms: i64) -> rusqlite::Result<()> {
    let fine_before = now_ms - i64::from(limits.fine_days) * DAY_MS;
    let seconds_before = now_ms - i64::from(limits.days) * DAY_MS;
    c.execute("UPDATE row SET fine = NULL WHERE unix_ms < ?1 AND fine IS NOT NULL", [fine_before])?;
    let outside = "NOT EXISTS (SELECT 1 FROM part p WHERE p.run = row.run AND row.second >= p.first_second
        AND row.second <= coalesce(p.last_second, 9e15))";
    fold_minutes(c, outside, now_ms - OUTSIDE_MS)?;
    fold_minutes(c, "1", seconds_before)?;
    let most = i64::from(limits.megabytes) * 1_000_000;
    while bytes(c)? > most {
        let oldest_fine: Option<i64> =
            c.query_row("SELECT min(unix_ms) FROM row WHERE fine IS NOT NULL", [], |r| r.get(0))?;
        let done = match oldest_fine {
            Some(oldest) => {
                c.execute("UPDATE row SET fine = NULL WHERE unix_ms < ?1 AND fine IS NOT NULL", [oldest + DAY_MS])?
            }
            None => c.execute(
                "DELETE FROM row WHERE (run, feed, second) IN
                 (SELECT run, feed, second FROM row ORDER BY unix_ms LIMIT ?1)",
                [DELETE_AT_ONCE],
            )?,
        };
        if done == 0 {
            break;
        }
    }
    c.execute_batch("PRAGMA incremental_vacuum;")
}

/// Bytes in use (free pages do not count: they are filled again).
fn bytes(c: &Connection) -> rusqlite::Result<i64> {
    let number = |what: &str| c.query_row(&format!("PRAGMA {what}"), [], |r| r.get::<_, i64>(0));
    Ok((number("page_count")? - number("freelist_count")?) * number("page_size")?)
}

/// Folds the seconds older than `before` that meet `condition`, minute by minute.
fn fold_minutes(c: &mut Connection, condition: &str, before: i64) -> rusqlite::Result<()> {
    let find = format!(
        "SELECT run, feed, second / {MINUTE} FROM row WHERE unix_ms < ?1 AND span = 1 AND {condition}
         GROUP BY 1, 2, 3 HAVING count(*) > 1 LIMIT {AT_ONCE}"
    );
    let rows_of = format!(
        "SELECT * FROM row WHERE run = ?1 AND feed = ?2 AND second >= ?3 AND second < ?4 AND span = 1
         AND unix_ms < ?5 AND {condition} ORDER BY second"
    );
    loop {
        let all = c.transaction()?;
        let minutes: Vec<(i64, i64, i64)> = all
            .prepare_cached(&find)?
            .query_map([before], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))?
            .collect::<Result<_, _>>()?;
        for (run, feed, minute) in &minutes {
            let (from, to) = (minute * MINUTE, (minute + 1) * MINUTE);
            let rows: Vec<Row> = all
                .prepare_cached(&rows_of)?
                .query_map(params![run, feed, from, to, before], row_of)?
                .collect::<Result<_, _>>()?;
            let Some(folded) = fold(&rows) else { continue };
            let mut delete = all.prepare_cached("DELETE FROM row WHERE run = ?1 AND feed = ?2 AND second = ?3")?;
            for row in &rows {
                delete.execute(params![run, feed, row.second as i64])?;
            }
            put_row(&all, *run, *feed, &folded)?;
        }
        all.commit()?;
        if minutes.len() < AT_ONCE {
            return Ok(());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::keep::schema::migrate;
    use crate::ledger::row::{FineTick, TICKS};

    const NOW_MS: i64 = 1_800_000_000_000;

    /// One run of two hours that ended `days` ago: the first hour before a service, the second in it.
    fn run(c: &Connection, id: i64, days: i64) {
        c.execute("INSERT INTO run VALUES (?1, 0, 'test')", [id]).unwrap();
        c.execute("INSERT INTO part VALUES (?1, ?1, 3600, 7200)", [id]).unwrap();
        for second in 1..=7_200i64 {
            let row = Row {
                second: second as u64,
                unix_ms: NOW_MS - days * DAY_MS - (7_200 - second) * 1_000,
                span_seconds: 1,
                measured_hops: 100,
                momentary_top_lufs: Some(-20.0 - (second % 60) as f64),
                rms_dbfs: [Some(-30.0), None],
                fine: Some([FineTick::default(); TICKS]),
                ..Row::default()
            };
            put_row(c, id, 1, &row).unwrap();
        }
    }

    fn count(c: &Connection, what: &str) -> i64 {
        c.query_row(&format!("SELECT count(*) FROM row WHERE {what}"), [], |r| r.get(0)).unwrap()
    }

    #[test]
    fn ticks_go_first_then_seconds_and_the_minutes_keep_the_peaks() {
        let mut c = Connection::open_in_memory().unwrap();
        migrate(&mut c).unwrap().unwrap();
        run(&c, 1, 0);
        run(&c, 2, 40);
        run(&c, 3, 500);
        thin(&mut c, &Limits { fine_days: 30, days: 400, megabytes: 2_000 }, NOW_MS).unwrap();
        // The newest: its hour before the service lies within two hours, and stays.
        assert_eq!(count(&c, "run = 1 AND span = 1 AND fine IS NOT NULL"), 7_200);
        // Forty days old: seconds of the service, minutes of what was before it, no ticks.
        assert_eq!(count(&c, "run = 2 AND fine IS NOT NULL"), 0);
        assert_eq!(count(&c, "run = 2 AND span = 1 AND second > 3600"), 3_600);
        assert_eq!(count(&c, "run = 2 AND second < 3600"), 60);
        // Five hundred days old: minutes alone, each with the loudest of its seconds.
        assert!(count(&c, "run = 3") <= 122, "{} rows", count(&c, "run = 3"));
        assert_eq!(count(&c, "run = 3 AND span = 60 AND momentary_top != -20.0"), 0);
        let seconds: i64 = c.query_row("SELECT sum(span) FROM row WHERE run = 3", [], |r| r.get(0)).unwrap();
        assert_eq!(seconds, 7_200, "no second is lost in the folding");
    }

    #[test]
    fn a_file_over_its_size_loses_the_oldest_first() {
        let mut c = Connection::open_in_memory().unwrap();
        migrate(&mut c).unwrap().unwrap();
        run(&c, 1, 3);
        run(&c, 2, 0);
        let before = bytes(&c).unwrap();
        assert!(before > 2_000_000, "{before} bytes");
        thin(&mut c, &Limits { fine_days: 3_650, days: 3_650, megabytes: 2 }, NOW_MS).unwrap();
        assert!(bytes(&c).unwrap() <= 2_000_000, "{} bytes", bytes(&c).unwrap());
        assert!(count(&c, "run = 2 AND fine IS NOT NULL") >= count(&c, "run = 1 AND fine IS NOT NULL"));
        assert!(count(&c, "run = 2") > 0);
    }
}
