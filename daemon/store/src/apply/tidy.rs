//! What came is packed: an hour's readings into one value, payloads into bundles.

use ebbmark_core::ids::{FeedId, RawId};
use rusqlite::{Connection, params};

use super::{Tx, shelf};
use crate::error::StoreError;
use crate::model::Done;
use crate::pack::Unreadable;
use crate::pack::block::Single;
use crate::pack::bundle::{self, Kept};
use crate::{rows, singles};

/// Most payloads of a bundle, and most bytes before it is closed: to look for one all are unfolded.
const BUNDLE_COUNT: usize = 512;
const BUNDLE_BYTES: usize = 128 << 10;

/// Hours are rolled and packed with what came since. One of which what is packed cannot be read is left
/// as it is, and what came since stays beside it: the others are packed all the same.
pub fn hours(tx: &mut Tx<'_>, hours: &[(FeedId, i64)]) -> Result<Done, StoreError> {
    let mut done = Vec::with_capacity(hours.len());
    for (feed, hour) in hours {
        let (feed, hour) = (*feed, *hour);
        let (from, to) = singles::span(hour);
        let came = came(tx, feed, from, to)?;
        tx.conn
            .prepare_cached("DELETE FROM stale_hour WHERE feed = ?1 AND hour = ?2")?
            .execute([feed.0, hour])?;
        if shelf::is_gone(tx.conn, feed, hour)? {
            // What is rolled stands; nothing is put into such an hour any more.
            done.push((feed, hour));
            continue;
        }
        let Some(packed) = Unreadable::aside(singles::packed(tx.conn, feed, hour))? else {
            tx.unread().met(feed, hour);
            continue;
        };
        let mut all = packed.unwrap_or_default();
        all.extend(came);
        all.sort_by_key(|r| r.at);
        shelf::keep(tx.conn, feed, hour, &all)?;
        tx.conn
            .prepare_cached(
                "INSERT INTO temp.packed (id) \
                 SELECT id FROM temp.fresh WHERE feed = ?1 AND at >= ?2 AND at < ?3",
            )?
            .execute([feed.0, from, to])?;
        tx.conn
            .prepare_cached("DELETE FROM temp.fresh WHERE feed = ?1 AND at >= ?2 AND at < ?3")?
            .execute([feed.0, from, to])?;
        done.push((feed, hour));
    }
    take_packed(tx.conn, "reading")?;
    for (feed, hour) in done {
        tx.table().packed(feed, hour);
    }
    Ok(Done::Nothing)
}

fn came(tx: &Tx<'_>, feed: FeedId, from: i64, to: i64) -> rusqlite::Result<Vec<Single>> {
    tx.conn
        .prepare_cached(&format!(
            "SELECT {}, r.at, raw FROM temp.fresh f JOIN reading r ON r.id = f.id \
             WHERE f.feed = ?1 AND f.at >= ?2 AND f.at < ?3 ORDER BY f.at",
            rows::READING
        ))?
        .query_map([feed.0, from, to], singles::single)?
        .collect()
}

/// Payloads of topics, of each up to this one; those that wait or have no date stay where they are.
pub fn payloads(tx: &mut Tx<'_>, topics: &[(i64, RawId)]) -> Result<Done, StoreError> {
    for (topic, last) in topics {
        of_topic(tx, *topic, last.0)?;
    }
    take_packed(tx.conn, "raw")?;
    Ok(Done::Nothing)
}

fn of_topic(tx: &Tx<'_>, topic: i64, last: i64) -> rusqlite::Result<()> {
    let conn = tx.conn;
    let mut statement = conn.prepare_cached(
        "SELECT r.id, wall, delivery, retained, payload FROM temp.fresh_raw f \
         JOIN raw r ON r.id = f.id \
         WHERE f.topic = ?1 AND f.id <= ?2 AND wall IS NOT NULL AND waits = 0 ORDER BY f.id",
    )?;
    let found = statement
        .query_map([topic, last], |r| {
            Ok(Kept {
                id: r.get(0)?,
                wall: r.get(1)?,
                delivery: r.get(2)?,
                retained: r.get(3)?,
                payload: r.get(4)?,
            })
        })?
        .collect::<rusqlite::Result<Vec<_>>>()?;
    for bundle in bundles(&found) {
        bundle_up(tx, topic, bundle)?;
    }
    Ok(())
}

/// Payloads of one topic, in order, cut into what makes a bundle.
pub fn bundles(payloads: &[Kept]) -> impl Iterator<Item = &[Kept]> {
    let mut left = payloads;
    std::iter::from_fn(move || {
        let mut bytes = 0;
        let full = left.iter().take(BUNDLE_COUNT).position(|kept| {
            bytes += kept.payload.len();
            bytes >= BUNDLE_BYTES
        });
        let most = full.map_or(BUNDLE_COUNT, |last| last + 1);
        let (bundle, rest) = left.split_at(most.min(left.len()));
        left = rest;
        (!bundle.is_empty()).then_some(bundle)
    })
}

fn bundle_up(tx: &Tx<'_>, topic: i64, payloads: &[Kept]) -> rusqlite::Result<()> {
    write_bundle(tx.conn, topic, payloads)?;
    for kept in payloads {
        tx.conn
            .prepare_cached("INSERT INTO temp.packed (id) VALUES (?1)")?
            .execute([kept.id])?;
        tx.conn
            .prepare_cached("DELETE FROM temp.fresh_raw WHERE topic = ?1 AND id = ?2")?
            .execute([topic, kept.id])?;
    }
    Ok(())
}

/// Most rows that are written anew so that the others can be taken away at once.
const FEW: i64 = 1024;

/// Takes those rows out of a table that were packed.
///
/// Row by row, every page of them would be written once more before it is free. A table is emptied
/// without that; so where few rows stay, they are put back into the empty one.
fn take_packed(conn: &Connection, table: &str) -> rusqlite::Result<()> {
    let (there, packed): (i64, i64) = conn
        .prepare_cached(&format!(
            "SELECT (SELECT count(*) FROM {table}), (SELECT count(*) FROM temp.packed)"
        ))?
        .query_row([], |r| Ok((r.get(0)?, r.get(1)?)))?;
    let left = there - packed;
    let steps = if left <= FEW && left < packed / 2 {
        [
            format!(
                "INSERT INTO temp.left_{table} SELECT * FROM {table} WHERE id NOT IN temp.packed"
            ),
            format!("DELETE FROM {table}"),
            format!("INSERT INTO {table} SELECT * FROM temp.left_{table}"),
            format!("DELETE FROM temp.left_{table}"),
        ]
        .to_vec()
    } else {
        vec![format!("DELETE FROM {table} WHERE id IN temp.packed")]
    };
    for step in steps {
        conn.prepare_cached(&step)?.execute([])?;
    }
    conn.prepare_cached("DELETE FROM temp.packed")?
        .execute([])?;
    Ok(())
}

pub fn write_bundle(conn: &Connection, topic: i64, payloads: &[Kept]) -> rusqlite::Result<()> {
    let (Some(first), Some(last)) = (payloads.first(), payloads.last()) else {
        return Ok(());
    };
    let wall = payloads.iter().map(|k| k.wall).max();
    conn.prepare_cached(
        "INSERT INTO bundle (id, topic, first, wall, payloads) VALUES (?1, ?2, ?3, ?4, ?5)",
    )?
    .execute(params![
        last.id,
        topic,
        first.id,
        wall,
        bundle::pack(payloads)
    ])?;
    Ok(())
}
