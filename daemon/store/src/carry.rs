//! What earlier programs kept row by row is packed, once, at the first start of this one.
//!
//! In steps that each are a commit and take what they packed away, so that a power cut in between costs
//! the step it fell into, and memory is used for one step. Until all is over `old_reading` is there.

use ebbmark_core::ids::FeedId;
use rusqlite::{Connection, TransactionBehavior, params};

use crate::apply::{shelf, tidy};
use crate::pack::block::Single;
use crate::pack::bundle::Kept;
use crate::{rows, singles};

/// Rows in one step.
const STEP: usize = 20_000;

pub fn is_unfinished(conn: &Connection) -> rusqlite::Result<bool> {
    conn.query_row(
        "SELECT EXISTS (SELECT 1 FROM sqlite_schema WHERE name = 'old_reading')",
        [],
        |r| r.get(0),
    )
}

pub fn over(conn: &mut Connection) -> rusqlite::Result<()> {
    if !is_unfinished(conn)? {
        return Ok(());
    }
    let is_new: bool = conn.query_row(
        "SELECT NOT EXISTS (SELECT 1 FROM old_reading) AND NOT EXISTS (SELECT 1 FROM raw)",
        [],
        |r| r.get(0),
    )?;
    if !is_new {
        tracing::info!(
            "what is kept of every feed is packed; this happens once and may take minutes"
        );
    }
    while step(conn, payloads)? {}
    while step(conn, readings)? {}
    step(conn, |conn| {
        conn.execute_batch("DROP TABLE old_raw; DROP TABLE old_reading;")
    })?;
    if !is_new {
        tracing::info!("all is packed");
    }
    Ok(())
}

fn step<T>(
    conn: &mut Connection,
    what: impl FnOnce(&Connection) -> rusqlite::Result<T>,
) -> rusqlite::Result<T> {
    let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let done = what(&tx)?;
    tx.commit()?;
    Ok(done)
}

/// The first payloads: of topics that are read as feeds into bundles, others as they are. `false`: none is
/// left.
fn payloads(conn: &Connection) -> rusqlite::Result<bool> {
    let last: Option<i64> = conn
        .prepare_cached("SELECT max(id) FROM (SELECT id FROM old_raw ORDER BY id LIMIT ?1)")?
        .query_row([STEP as i64], |r| r.get(0))?;
    let Some(last) = last else { return Ok(false) };
    let read = "wall IS NOT NULL AND waits = 0 AND topic IN (SELECT topic FROM feed)";
    let mut found: Vec<(i64, Kept)> = conn
        .prepare_cached(&format!(
            "SELECT topic, id, wall, delivery, retained, payload FROM old_raw \
             WHERE id <= ?1 AND {read}"
        ))?
        .query_map([last], |r| {
            let kept = Kept {
                id: r.get(1)?,
                wall: r.get(2)?,
                delivery: r.get(3)?,
                retained: r.get(4)?,
                payload: r.get(5)?,
            };
            Ok((r.get(0)?, kept))
        })?
        .collect::<rusqlite::Result<_>>()?;
    found.sort_by_key(|(topic, kept)| (*topic, kept.id));
    for of_topic in found.chunk_by(|a, b| a.0 == b.0) {
        let Some((topic, _)) = of_topic.first() else {
            continue;
        };
        let kept: Vec<Kept> = of_topic.iter().map(|(_, kept)| kept.clone()).collect();
        for bundle in tidy::bundles(&kept) {
            tidy::write_bundle(conn, *topic, bundle)?;
        }
    }
    let columns = "id, topic, wall, run, monotonic, delivery, waits, retained, payload";
    conn.prepare_cached(&format!(
        "INSERT INTO raw ({columns}) SELECT {columns} FROM old_raw WHERE id <= ?1 AND NOT ({read})"
    ))?
    .execute([last])?;
    conn.prepare_cached("DELETE FROM old_raw WHERE id <= ?1")?
        .execute([last])?;
    Ok(true)
}

/// The next readings of one feed, whole hours. `false`: none is left.
fn readings(conn: &Connection) -> rusqlite::Result<bool> {
    let first: Option<i64> = conn
        .prepare_cached("SELECT min(feed) FROM old_reading")?
        .query_row([], |r| r.get(0))?;
    let Some(feed) = first else {
        return Ok(false);
    };
    let mut found: Vec<Single> = conn
        .prepare_cached(&format!(
            "SELECT {}, at, raw FROM old_reading WHERE feed = ?1 ORDER BY at LIMIT ?2",
            rows::READING
        ))?
        .query_map(params![feed, STEP as i64], singles::single)?
        .collect::<rusqlite::Result<_>>()?;
    if found.len() == STEP
        && let Some(last) = found.last().map(|r| singles::index(r.at))
        && found.first().is_some_and(|r| singles::index(r.at) < last)
    {
        // The rest of that hour is not among them.
        found.retain(|r| singles::index(r.at) < last);
    }
    for hour in found.chunk_by(|a, b| singles::index(a.at) == singles::index(b.at)) {
        let Some(index) = hour.first().map(|r| singles::index(r.at)) else {
            continue;
        };
        // Of an hour with more readings than one step takes a part is there already.
        let mut all = singles::packed(conn, FeedId(feed), index)?.unwrap_or_default();
        all.extend_from_slice(hour);
        shelf::pack(conn, FeedId(feed), index, &all)?;
        // What is rolled is right, or marked as stale.
        conn.prepare_cached("INSERT OR IGNORE INTO hour (feed, hour) VALUES (?1, ?2)")?
            .execute([feed, index])?;
    }
    if let Some(last) = found.last() {
        conn.prepare_cached("DELETE FROM old_reading WHERE feed = ?1 AND at <= ?2")?
            .execute([feed, last.at])?;
    }
    Ok(true)
}
