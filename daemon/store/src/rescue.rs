//! What can still be read from a damaged database and is newer than the copy that takes its place.
//!
//! Each table is looked at by itself. One that SQLite finds sound holds the last word, changes of old
//! rows included, and is taken over whole. Of one that is not, the rows that the copy lacks are
//! added, as far as they can be read: in the order of their key from below up to the first bad page,
//! then from above down to the first bad page. Nothing that is in the copy is changed by rows from a
//! damaged table.
//!
//! What is derived from the rest is made anew. At the end rows that refer to what was lost are taken
//! away, so that the database holds together.

use std::path::Path;

use ebbmark_core::ids::FeedId;
use rusqlite::types::Value;
use rusqlite::{Connection, OpenFlags, params_from_iter};

use crate::error::StoreError;
use crate::table::Stats;
use crate::{migrate, pool};

/// All that is neither payload nor reading nor derived; what is referred to stands before what refers.
const BOOKS: [&str; 21] = [
    "vessel",
    "batch",
    "run",
    "topic",
    "feed",
    "assignment",
    "stay",
    "share",
    "entry",
    "phase_change",
    "notice",
    "delivery",
    "task_answer",
    "price",
    "curve_record",
    "setting",
    "session",
    "token",
    "problem",
    "tally",
    "verdict",
];
const PAYLOADS: &str = "raw";
const READINGS: &str = "reading";
/// Made from the rest, by the daemon.
const DERIVED: [&str; 3] = ["hour", "stale_hour", "summary"];

/// What came over.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Rescued {
    /// Payloads, readings and lines of the log that the copy did not have.
    pub payloads: u64,
    pub readings: u64,
    pub lines: u64,
    /// Payloads that could not be read, at most: of topics nobody claimed some may have been dropped.
    pub payloads_lost: u64,
    /// Tables of which not everything could be read.
    pub damaged: Vec<String>,
}

/// Brings the copy `into` up to this program's schema, and takes over from `damaged` what it can.
/// Afterwards `into` is one file, synced.
///
/// # Errors
/// `into` cannot be written. That nothing can be read of `damaged` is none: nothing comes over then.
pub fn rescue(damaged: &Path, into: &Path) -> Result<Rescued, StoreError> {
    let mut to = pool::open_writer(into)?;
    migrate::upgrade(&mut to)?;
    // It is made for this, and thrown away unless all went well.
    to.pragma_update_and_check(None, "journal_mode", "DELETE", |_| Ok(()))?;
    to.pragma_update(None, "synchronous", "OFF")?;
    to.pragma_update(None, "foreign_keys", false)?;
    let from = Connection::open_with_flags(
        damaged,
        OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX,
    );
    let rescued = match from {
        Ok(from) => {
            let tx = to.transaction()?;
            let rescued = take_over(&from, &tx)?;
            tx.commit()?;
            rescued
        }
        Err(cause) => {
            tracing::warn!(%cause, "nothing can be read of the damaged database");
            Rescued {
                damaged: vec!["all of it".into()],
                ..Rescued::default()
            }
        }
    };
    to.close().map_err(|(_, cause)| cause)?;
    std::fs::File::open(into)
        .and_then(|f| f.sync_all())
        .map_err(crate::backup::file(into, "synced"))?;
    Ok(rescued)
}

fn take_over(from: &Connection, to: &Connection) -> Result<Rescued, StoreError> {
    let mut rescued = Rescued::default();
    let count = |sql: &str| to.query_row(sql, [], |r| r.get::<_, i64>(0).map(i64::unsigned_abs));
    let last_payload: i64 =
        to.query_row("SELECT coalesce(max(id), 0) FROM raw", [], |r| r.get(0))?;
    let lines_before = count("SELECT count(*) FROM entry")?;
    let readings_before = count("SELECT count(*) FROM reading")?;
    let newer = is_newer(from, to)?;

    for table in BOOKS {
        let columns = Columns::shared(from, to, table)?;
        let whole = newer && columns.is_some() && is_sound(from, table);
        let read = match columns {
            Some(columns) if whole => columns.replace(from, to)?,
            Some(columns) => columns.add(from, to, "")? && newer,
            None => false,
        };
        if !read {
            rescued.damaged.push(table.to_owned());
        }
    }
    if let Some(lost) = payloads(from, to, last_payload)? {
        rescued.damaged.push(PAYLOADS.to_owned());
        rescued.payloads_lost = lost;
    }
    if !readings(from, to, newer)? {
        rescued.damaged.push(READINGS.to_owned());
    }
    mend(to)?;
    derive(to)?;

    let since = |sql: &str, before: u64| count(sql).map(|n| n.saturating_sub(before));
    rescued.payloads = count(&format!(
        "SELECT count(*) FROM raw WHERE id > {last_payload}"
    ))?;
    rescued.readings = since("SELECT count(*) FROM reading", readings_before)?;
    rescued.lines = since("SELECT count(*) FROM entry", lines_before)?;
    Ok(rescued)
}

/// Whether `from` went on where the copy stopped. One that lost its log of changes may be older than
/// the copy: then it has nothing to say about rows the copy has.
fn is_newer(from: &Connection, to: &Connection) -> rusqlite::Result<bool> {
    for table in ["run", "entry", "raw"] {
        let sql = format!("SELECT coalesce(max(id), 0) FROM {table}");
        let copied: i64 = to.query_row(&sql, [], |r| r.get(0))?;
        // What cannot be read cannot contradict; its table is not sound then either.
        match from.query_row(&sql, [], |r| r.get::<_, i64>(0)) {
            Ok(found) if found < copied => return Ok(false),
            _ => {}
        }
    }
    Ok(true)
}

fn is_sound(from: &Connection, table: &str) -> bool {
    let said = from.query_row(&format!("PRAGMA quick_check('{table}')"), [], |r| {
        r.get::<_, String>(0)
    });
    said.is_ok_and(|said| said == "ok")
}

/// Of a table, what both databases have.
struct Columns {
    table: &'static str,
    list: String,
    places: String,
    key: String,
    key_down: String,
}

impl Columns {
    /// `None` when the damaged one does not show the table.
    fn shared(
        from: &Connection,
        to: &Connection,
        table: &'static str,
    ) -> rusqlite::Result<Option<Columns>> {
        let ours = columns(to, table)?;
        let Ok(theirs) = columns(from, table) else {
            return Ok(None);
        };
        let shared: Vec<&(String, i64)> = ours
            .iter()
            .filter(|(name, _)| theirs.iter().any(|(n, _)| n == name))
            .collect();
        let mut key: Vec<&(String, i64)> = shared.iter().copied().filter(|c| c.1 > 0).collect();
        key.sort_by_key(|c| c.1);
        if key.is_empty() {
            return Ok(None);
        }
        let names = |columns: &[&(String, i64)], after: &str| {
            let names: Vec<String> = columns
                .iter()
                .map(|c| format!("\"{}\"{after}", c.0))
                .collect();
            names.join(", ")
        };
        Ok(Some(Columns {
            table,
            places: vec!["?"; shared.len()].join(", "),
            list: names(&shared, ""),
            key: names(&key, ""),
            key_down: names(&key, " DESC"),
        }))
    }

    fn select(&self, wanted: &str, order: &str) -> String {
        let Columns { table, list, .. } = self;
        format!("SELECT {list} FROM {table} {wanted} ORDER BY {order}")
    }

    fn insert(&self) -> String {
        let Columns {
            table,
            list,
            places,
            ..
        } = self;
        format!("INSERT OR IGNORE INTO {table} ({list}) VALUES ({places})")
    }

    /// As it is there, whatever the copy says. `true`: all was read.
    fn replace(&self, from: &Connection, to: &Connection) -> rusqlite::Result<bool> {
        to.execute_batch("SAVEPOINT whole")?;
        to.execute(&format!("DELETE FROM {}", self.table), [])?;
        let all = pour(from, to, &self.select("", &self.key), &self.insert())?;
        if !all {
            // Rather the copy's rows than half of the others.
            to.execute_batch("ROLLBACK TO whole")?;
        }
        to.execute_batch("RELEASE whole")?;
        if all {
            return Ok(true);
        }
        self.add(from, to, "").map(|_| false)
    }

    /// Rows the copy lacks, from below and, where that ends at a bad page, from above. `true`: there
    /// was none.
    fn add(&self, from: &Connection, to: &Connection, wanted: &str) -> rusqlite::Result<bool> {
        let insert = self.insert();
        if pour(from, to, &self.select(wanted, &self.key), &insert)? {
            return Ok(true);
        }
        pour(from, to, &self.select(wanted, &self.key_down), &insert)?;
        Ok(false)
    }
}

/// Names of the columns, and their places in the primary key, from 1.
fn columns(conn: &Connection, table: &str) -> rusqlite::Result<Vec<(String, i64)>> {
    conn.prepare(&format!(
        "SELECT name, pk FROM pragma_table_info('{table}')"
    ))?
    .query_map([], |r| Ok((r.get(0)?, r.get(1)?)))?
    .collect()
}

/// Rows from one to the other, up to the first that cannot be read. `true`: all could.
fn pour(from: &Connection, to: &Connection, select: &str, insert: &str) -> rusqlite::Result<bool> {
    let mut insert = to.prepare_cached(insert)?;
    let Ok(mut select) = from.prepare(select) else {
        return Ok(false);
    };
    let width = select.column_count();
    let Ok(mut rows) = select.query([]) else {
        return Ok(false);
    };
    loop {
        let row = match rows.next() {
            Ok(Some(row)) => row,
            Ok(None) => return Ok(true),
            Err(_) => return Ok(false),
        };
        let values: rusqlite::Result<Vec<Value>> = (0..width).map(|n| row.get(n)).collect();
        let Ok(values) = values else {
            return Ok(false);
        };
        // A row that no rule of the table allows was never one of ours.
        if let Err(cause) = insert.execute(params_from_iter(values))
            && cause.sqlite_error_code() != Some(rusqlite::ErrorCode::ConstraintViolation)
        {
            return Err(cause);
        }
    }
}

/// Those that came after `last`. `None`: all could be read; else how many numbers are missing between
/// those from below and those from above.
fn payloads(from: &Connection, to: &Connection, last: i64) -> rusqlite::Result<Option<u64>> {
    let number = |sql: &str| to.query_row(sql, [], |r| r.get::<_, Option<i64>>(0));
    let mut below = last;
    if let Some(columns) = Columns::shared(from, to, PAYLOADS)? {
        let (wanted, insert) = (format!("WHERE id > {last}"), columns.insert());
        if pour(from, to, &columns.select(&wanted, &columns.key), &insert)? {
            return Ok(None);
        }
        below = number("SELECT max(id) FROM raw")?.unwrap_or(last);
        pour(
            from,
            to,
            &columns.select(&wanted, &columns.key_down),
            &insert,
        )?;
    }
    let above = match number(&format!("SELECT min(id) FROM raw WHERE id > {below}"))? {
        Some(above) => above,
        None => number("SELECT max(last_raw) FROM topic")?.unwrap_or(0) + 1,
    };
    Ok(Some(u64::try_from(above - below - 1).unwrap_or(0)))
}

/// Feed by feed, so that a bad page costs no more than the feed it belongs to.
fn readings(from: &Connection, to: &Connection, newer: bool) -> rusqlite::Result<bool> {
    let Some(columns) = Columns::shared(from, to, READINGS)? else {
        return Ok(false);
    };
    // Hours are rolled from readings: which ones changed is found by laying both side by side.
    to.execute_batch(
        "CREATE TEMP TABLE before AS SELECT feed, at / 3600000 AS hour, count(*) AS n, \
         total(gravity) AS g, total(temperature) AS t FROM reading GROUP BY 1, 2",
    )?;
    let mut all = true;
    if newer && is_sound(from, READINGS) {
        all = columns.replace(from, to)?;
    } else {
        for feed in feeds(to)? {
            all &= columns.add(from, to, &format!("WHERE feed = {}", feed.0))?;
        }
    }
    to.execute_batch(
        "CREATE TEMP TABLE after AS SELECT feed, at / 3600000 AS hour, count(*) AS n, \
         total(gravity) AS g, total(temperature) AS t FROM reading GROUP BY 1, 2; \
         INSERT OR IGNORE INTO stale_hour (feed, hour, mark) \
         SELECT feed, hour, 1 FROM (SELECT * FROM after EXCEPT SELECT * FROM before) \
         UNION SELECT feed, hour, 1 FROM (SELECT * FROM before EXCEPT SELECT * FROM after); \
         DROP TABLE before; DROP TABLE after;",
    )?;
    Ok(all)
}

fn feeds(conn: &Connection) -> rusqlite::Result<Vec<FeedId>> {
    conn.prepare("SELECT id FROM feed")?
        .query_map([], |r| r.get(0).map(FeedId))?
        .collect()
}

/// Takes away what refers to something that is not there, until nothing does.
fn mend(to: &Connection) -> rusqlite::Result<()> {
    let tables = BOOKS
        .iter()
        .copied()
        .chain([PAYLOADS, READINGS])
        .chain(DERIVED);
    let tables: Vec<&str> = tables.collect();
    let mut changed = true;
    while changed {
        changed = false;
        for table in &tables {
            for reference in references(to, table)? {
                changed |= to.execute(&reference.mend(table), [])? > 0;
            }
        }
    }
    Ok(())
}

struct Reference {
    column: String,
    parent: String,
    key: String,
    needed: bool,
}

impl Reference {
    fn mend(&self, table: &str) -> String {
        let Reference {
            column,
            parent,
            key,
            needed,
        } = self;
        let wrong = format!(
            "WHERE {column} IS NOT NULL AND NOT EXISTS \
             (SELECT 1 FROM {parent} p WHERE p.{key} = {table}.{column})"
        );
        if *needed {
            format!("DELETE FROM {table} {wrong}")
        } else {
            format!("UPDATE {table} SET {column} = NULL {wrong}")
        }
    }
}

fn references(conn: &Connection, table: &str) -> rusqlite::Result<Vec<Reference>> {
    // In this schema every reference is to one column, the parent's key.
    conn.prepare(
        "SELECT f.\"from\", f.\"table\", coalesce(f.\"to\", 'id'), c.\"notnull\" OR c.pk \
         FROM pragma_foreign_key_list(?1) f JOIN pragma_table_info(?1) c ON c.name = f.\"from\"",
    )?
    .query_map([table], |r| {
        Ok(Reference {
            column: r.get(0)?,
            parent: r.get(1)?,
            key: r.get(2)?,
            needed: r.get(3)?,
        })
    })?
    .collect()
}

/// What the daemon makes from the rest is made anew.
fn derive(to: &Connection) -> rusqlite::Result<()> {
    to.execute_batch(
        "DELETE FROM summary; DELETE FROM mead_words; INSERT INTO summary (batch) SELECT id FROM batch;",
    )?;
    for feed in feeds(to)? {
        Stats::recount(to, feed)?.save(to, feed)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    /// A new table has to be put into one of the lists: it would be forgotten in a rescue.
    #[test]
    fn every_table_is_thought_of() {
        let mut conn = Connection::open_in_memory().unwrap();
        migrate::upgrade(&mut conn).unwrap();
        let there: BTreeSet<String> = conn
            .prepare(
                "SELECT name FROM pragma_table_list WHERE schema = 'main' AND type = 'table' \
                 AND name NOT LIKE 'sqlite\\_%' ESCAPE '\\'",
            )
            .unwrap()
            .query_map([], |r| r.get(0))
            .unwrap()
            .collect::<Result<_, _>>()
            .unwrap();
        let known = BOOKS
            .iter()
            .copied()
            .chain([PAYLOADS, READINGS])
            .chain(DERIVED);
        assert_eq!(there, known.map(str::to_owned).collect());
    }
}
