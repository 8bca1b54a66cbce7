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

use std::collections::{BTreeSet, HashMap};
use std::path::Path;

use ebbmark_core::ids::FeedId;
use rusqlite::types::Value;
use rusqlite::{Connection, OpenFlags, Row, params_from_iter};

use crate::apply::shelf::{self, Destination, Shelf};
use crate::apply::tidy;
use crate::error::StoreError;
use crate::pack::Unreadable;
use crate::pack::block::{self, Single};
use crate::pack::bundle;
use crate::table::Stats;
use crate::{migrate, pool, rows, singles};

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
const PAYLOADS: [&str; 2] = ["raw", "bundle"];
const READINGS: [&str; 2] = ["reading", "block"];
/// As earlier programs kept them, where not all was packed yet.
const OLD_READINGS: &str = "old_reading";
const OLD_PAYLOADS: &str = "old_raw";
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
    let last_payload = last_payload(to)?;
    let lines_before = count("SELECT count(*) FROM entry")?;
    shelf::make_lists(to)?;
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
    payloads(from, to, last_payload, &mut rescued)?;
    readings(from, to, newer, &mut rescued)?;
    // No rule of these tables says so.
    to.execute_batch(
        "DELETE FROM raw WHERE topic NOT IN (SELECT id FROM topic); \
         DELETE FROM reading WHERE feed NOT IN (SELECT id FROM feed);",
    )?;
    mend(to)?;
    derive(to)?;

    let since = |sql: &str, before: u64| count(sql).map(|n| n.saturating_sub(before));
    rescued.lines = since("SELECT count(*) FROM entry", lines_before)?;
    Ok(rescued)
}

/// Whether `from` went on where the copy stopped. One that lost its log of changes may be older than
/// the copy: then it has nothing to say about rows the copy has.
fn is_newer(from: &Connection, to: &Connection) -> rusqlite::Result<bool> {
    for last in [
        "(SELECT max(id) FROM run)",
        "(SELECT max(id) FROM entry)",
        LAST_PAYLOAD,
    ] {
        let sql = format!("SELECT coalesce({last}, 0)");
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
    let width = from.prepare(select).map_or(0, |s| s.column_count());
    each(
        from,
        select,
        |row| (0..width).map(|n| row.get(n)).collect(),
        |values: Vec<Value>| {
            // A row that no rule of the table allows was never one of ours.
            match insert.execute(params_from_iter(values)) {
                Err(cause)
                    if cause.sqlite_error_code()
                        != Some(rusqlite::ErrorCode::ConstraintViolation) =>
                {
                    Err(cause)
                }
                _ => Ok(()),
            }
        },
    )
}

/// What is read of each row, up to the first that cannot be read. `true`: all could.
fn each<T>(
    from: &Connection,
    select: &str,
    read: impl Fn(&Row<'_>) -> rusqlite::Result<T>,
    mut take: impl FnMut(T) -> rusqlite::Result<()>,
) -> rusqlite::Result<bool> {
    let Ok(mut select) = from.prepare(select) else {
        return Ok(false);
    };
    let Ok(mut rows) = select.query([]) else {
        return Ok(false);
    };
    let mut all = true;
    loop {
        let row = match rows.next() {
            Ok(Some(row)) => row,
            Ok(None) => return Ok(all),
            Err(_) => return Ok(false),
        };
        match Unreadable::aside(read(row)) {
            Ok(Some(found)) => take(found)?,
            // The page is sound, and so may be what comes after it.
            Ok(None) => all = false,
            Err(_) => return Ok(false),
        }
    }
}

/// Payloads move from one table into the other, with their numbers.
const LAST_PAYLOAD: &str =
    "max((SELECT coalesce(max(id), 0) FROM raw), (SELECT coalesce(max(id), 0) FROM bundle))";

fn last_payload(conn: &Connection) -> rusqlite::Result<i64> {
    conn.query_row(&format!("SELECT {LAST_PAYLOAD}"), [], |r| r.get(0))
}

/// Those that came after `last`.
fn payloads(
    from: &Connection,
    to: &Connection,
    last: i64,
    rescued: &mut Rescued,
) -> rusqlite::Result<()> {
    let mut found = BTreeSet::new();
    let mut holes = Vec::new();
    for table in PAYLOADS.iter().copied().chain([OLD_PAYLOADS]) {
        let mut here = BTreeSet::new();
        let mut all = false;
        let mut below = last;
        // Earlier programs made no bundles.
        if table != "raw" && columns(from, table).is_ok_and(|c| c.is_empty()) {
            continue;
        }
        for way in ["ASC", "DESC"] {
            all = match table {
                "bundle" => bundled(from, to, last, way, &mut here)?,
                _ => loose(from, to, table, (last, way), &mut here)?,
            };
            if all {
                break;
            }
            if way == "ASC" {
                below = here.last().copied().unwrap_or(last);
            }
        }
        if !all {
            rescued.damaged.push(table.to_owned());
            holes.push((below, here.range(below + 1..).next().copied()));
        }
        found.extend(here);
    }
    rescued.payloads = found.len() as u64;
    let told: i64 = to.query_row("SELECT coalesce(max(last_raw), 0) FROM topic", [], |r| {
        r.get(0)
    })?;
    let top = found.last().copied().unwrap_or(last).max(told) + 1;
    let mut lost = BTreeSet::new();
    for (below, above) in holes {
        lost.extend((below + 1..above.unwrap_or(top)).filter(|id| !found.contains(id)));
    }
    rescued.payloads_lost = lost.len() as u64;
    Ok(())
}

/// Payloads that are not bundled, up to the first that cannot be read; their numbers.
fn loose(
    from: &Connection,
    to: &Connection,
    table: &str,
    (last, way): (i64, &str),
    found: &mut BTreeSet<i64>,
) -> rusqlite::Result<bool> {
    let columns = "id, topic, wall, run, monotonic, delivery, waits, retained, payload";
    let select = format!("SELECT {columns} FROM {table} WHERE id > {last} ORDER BY id {way}");
    let insert =
        format!("INSERT OR IGNORE INTO raw ({columns}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)");
    let all = pour(from, to, &select, &insert)?;
    to.prepare("SELECT id FROM raw WHERE id > ?1")?
        .query_map([last], |r| r.get(0))?
        .try_for_each(|id| {
            found.insert(id?);
            Ok::<(), rusqlite::Error>(())
        })?;
    Ok(all)
}

/// What in bundles came after `last`: what lies before is in the copy, bundled or not.
fn bundled(
    from: &Connection,
    to: &Connection,
    last: i64,
    way: &str,
    found: &mut BTreeSet<i64>,
) -> rusqlite::Result<bool> {
    let select = format!("SELECT topic, payloads FROM bundle WHERE id > {last} ORDER BY id {way}");
    let read = |row: &Row<'_>| {
        let packed = row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?;
        Ok((row.get(0)?, bundle::unpack(packed)?))
    };
    each(
        from,
        &select,
        read,
        |(topic, mut kept): (i64, Vec<bundle::Kept>)| {
            kept.retain(|k| k.id > last && !found.contains(&k.id));
            found.extend(kept.iter().map(|k| k.id));
            tidy::write_bundle(to, topic, &kept)
        },
    )
}

fn has_table(conn: &Connection, table: &str) -> bool {
    columns(conn, table).is_ok_and(|columns| !columns.is_empty())
}

/// Readings, with the hours that are rolled from them.
fn readings(
    from: &Connection,
    to: &Connection,
    newer: bool,
    rescued: &mut Rescued,
) -> rusqlite::Result<()> {
    let before = count_readings(to)?;
    let tables = ["hour", "block", "reading"];
    let shared = tables
        .iter()
        .map(|t| Columns::shared(from, to, t))
        .collect::<rusqlite::Result<Vec<_>>>()?;
    let whole = newer
        && !has_table(from, OLD_READINGS)
        && shared.iter().all(Option::is_some)
        && tables.iter().all(|t| is_sound(from, t));
    if whole {
        for columns in shared.iter().flatten() {
            if !columns.replace(from, to)? {
                rescued.damaged.push(columns.table.to_owned());
            }
        }
    } else {
        lacking(from, to, rescued)?;
    }
    // What was marked there, and what the copy had rolled of readings that are no longer there.
    pour(
        from,
        to,
        "SELECT feed, hour FROM stale_hour",
        "INSERT OR IGNORE INTO stale_hour (feed, hour) VALUES (?, ?)",
    )?;
    to.execute_batch(
        "DELETE FROM hour WHERE gone IS NULL AND NOT EXISTS \
         (SELECT 1 FROM block b WHERE b.hour = hour.hour AND b.feed = hour.feed); \
         INSERT OR IGNORE INTO stale_hour (feed, hour) SELECT feed, hour FROM block b \
         WHERE NOT EXISTS (SELECT 1 FROM hour h WHERE h.feed = b.feed AND h.hour = b.hour); \
         INSERT OR IGNORE INTO hour (feed, hour) SELECT feed, hour FROM stale_hour \
         WHERE EXISTS (SELECT 1 FROM block b \
         WHERE b.hour = stale_hour.hour AND b.feed = stale_hour.feed);",
    )?;
    rescued.readings = count_readings(to)?.saturating_sub(before);
    Ok(())
}

/// Readings the copy lacks, and hours of which it has nothing.
fn lacking(from: &Connection, to: &Connection, rescued: &mut Rescued) -> rusqlite::Result<()> {
    let mut shelves: HashMap<FeedId, Destination> = HashMap::new();
    let mut put = |feed: FeedId, reading: Single| {
        let shelf = shelves
            .entry(feed)
            .or_insert_with(|| Destination::Shelf(Shelf::default()));
        // Where it cannot, the copy has that hour, and cannot read it either.
        Unreadable::aside(shelf.put(to, feed, reading)).map(drop)
    };
    for table in READINGS.iter().copied().chain([OLD_READINGS]) {
        let key = match columns(from, table) {
            Ok(columns) if !columns.is_empty() => columns,
            // What earlier programs had, or have not had, is not missed.
            Ok(_) if table != "reading" => continue,
            _ => {
                rescued.damaged.push(table.to_owned());
                continue;
            }
        };
        let key = match key.iter().any(|(name, _)| name == "id") {
            true => vec!["id"],
            false => vec!["feed", "at"],
        };
        let mut all = true;
        for way in ["ASC", "DESC"] {
            let order: Vec<String> = key.iter().map(|k| format!("{k} {way}")).collect();
            let order = order.join(", ");
            all = if table == "block" {
                let select = format!("SELECT feed, readings FROM block ORDER BY {order}");
                let read = |row: &Row<'_>| {
                    let packed = row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?;
                    Ok((FeedId(row.get(0)?), block::unpack(packed)?))
                };
                each(from, &select, read, |(feed, readings)| {
                    readings.into_iter().try_for_each(|r| put(feed, r))
                })?
            } else {
                let select = format!(
                    "SELECT {}, at, raw, feed FROM {table} ORDER BY {order}",
                    rows::READING
                );
                let read = |row: &Row<'_>| Ok((FeedId(row.get(8)?), singles::single(row)?));
                each(from, &select, read, |(feed, reading)| put(feed, reading))?
            };
            if all {
                break;
            }
        }
        if !all {
            rescued.damaged.push(table.to_owned());
        }
    }
    for (feed, shelf) in shelves {
        shelf.close(to, feed)?;
    }
    if let Some(hours) = Columns::shared(from, to, "hour")? {
        hours.add(from, to, "WHERE gone IS NOT NULL")?;
    }
    Ok(())
}

fn count_readings(conn: &Connection) -> rusqlite::Result<u64> {
    let fresh: i64 = conn.query_row("SELECT count(*) FROM reading", [], |r| r.get(0))?;
    let mut n = fresh.unsigned_abs();
    let mut blocks = conn.prepare("SELECT readings FROM block")?;
    let mut found = blocks.query([])?;
    while let Some(row) = found.next()? {
        let packed = row.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?;
        // What cannot be read is there and is nothing.
        n += block::unpack(packed).map_or(0, |readings| readings.len() as u64);
    }
    Ok(n)
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
        .chain(PAYLOADS)
        .chain(READINGS)
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
    // Books of before schema 10 have none.
    to.execute_batch("INSERT OR IGNORE INTO tally (name, n) VALUES ('turn', 0)")?;
    to.execute_batch(
        "DELETE FROM summary; DELETE FROM mead_words; INSERT INTO summary (batch) SELECT id FROM batch;",
    )?;
    // All that came is counted below: none of it is added up again.
    to.execute_batch(
        "UPDATE topic SET \
         heard = heard + (SELECT count(*) FROM raw r WHERE r.topic = topic.id AND r.id > last_raw), \
         last_raw = max(last_raw, \
         (SELECT coalesce(max(id), 0) FROM raw r WHERE r.topic = topic.id), \
         (SELECT coalesce(max(id), 0) FROM bundle b WHERE b.topic = topic.id))",
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
            .chain(PAYLOADS)
            .chain(READINGS)
            .chain(DERIVED);
        assert_eq!(there, known.map(str::to_owned).collect());
    }
}
