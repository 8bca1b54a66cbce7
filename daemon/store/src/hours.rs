//! Hours: what is kept rolled, what has to be rolled again, and the two put together.
//!
//! A commit that touches an hour marks it stale with that commit's number. A reader that finds
//! a stale hour rolls it from its readings, so nobody ever sees an old one; a background task
//! ([`roll_stale`]) does it for good. What that task saves is only taken for hours that no later
//! commit has touched and nobody else has saved meanwhile.

use ebbmark_core::hours::{HOUR_MS, Hour, hour_index, roll};
use ebbmark_core::ids::FeedId;
use ebbmark_core::time::Moment;
use rusqlite::{Connection, params};

use crate::apply::Tx;
use crate::error::StoreError;
use crate::model::{Command, Done};
use crate::reader::Reader;
use crate::rows;

/// Most hours in one command: the writer must not be held for long.
const AT_ONCE: usize = 500;

/// Rolls the stale hours that had ended by `until` and gives the commands that save them. Blocks.
///
/// An hour still being filled would be rolled and written again for every reading; readers roll
/// it on the fly, which wears no card.
///
/// # Errors
/// The database cannot be read.
pub fn roll_stale(reader: &Reader, until: Moment) -> Result<Vec<Command>, StoreError> {
    reader.with(|conn| {
        // One snapshot: the marks belong to the readings that are rolled.
        let seen: i64 =
            conn.query_row("SELECT coalesce(max(mark), 0) FROM stale_hour", [], |r| {
                r.get(0)
            })?;
        let mut commands = Vec::new();
        let mut ended = stale(conn)?;
        ended.retain(|(_, index)| *index < hour_index(until));
        for group in ended.chunk_by(|a, b| a.0 == b.0) {
            for piece in group.chunks(AT_ONCE) {
                let (mut hours, mut empty) = (Vec::new(), Vec::new());
                let Some((feed, _)) = piece.first() else {
                    continue;
                };
                for (_, index) in piece {
                    match roll_whole(conn, *feed, *index)? {
                        Some(hour) => hours.push(hour),
                        None => empty.push(*index),
                    }
                }
                commands.push(Command::SaveHours {
                    feed: *feed,
                    hours,
                    empty,
                    seen,
                });
            }
        }
        Ok(commands)
    })
}

pub fn stale(conn: &Connection) -> rusqlite::Result<Vec<(FeedId, i64)>> {
    conn.prepare_cached("SELECT feed, hour FROM stale_hour ORDER BY feed, hour")?
        .query_map([], |r| Ok((FeedId(r.get(0)?), r.get(1)?)))?
        .collect()
}

pub fn save(
    tx: &Tx<'_>,
    feed: FeedId,
    hours: &[Hour],
    empty: &[i64],
    seen: i64,
) -> Result<Done, StoreError> {
    for hour in hours {
        if !settle(tx, feed, hour.index, seen)? {
            continue;
        }
        let (g, t) = (hour.gravity, hour.temperature);
        tx.conn
            .prepare_cached(
                "INSERT OR REPLACE INTO hour (feed, hour, gravity_n, gravity_median, gravity_min, \
                 gravity_max, gravity_at, temperature_median, temperature_min, temperature_max) \
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
            )?
            .execute(params![
                feed.0,
                hour.index,
                g.map(|g| g.n),
                g.map(|g| g.median),
                g.map(|g| g.min),
                g.map(|g| g.max),
                g.map(|g| g.at.0),
                t.map(|t| t.median),
                t.map(|t| t.min),
                t.map(|t| t.max),
            ])?;
    }
    for index in empty {
        if settle(tx, feed, *index, seen)? {
            tx.conn
                .prepare_cached("DELETE FROM hour WHERE feed = ?1 AND hour = ?2")?
                .execute([feed.0, *index])?;
        }
    }
    Ok(Done::Nothing)
}

/// Whether what was rolled from the snapshot `seen` is what the hour is now.
fn settle(tx: &Tx<'_>, feed: FeedId, index: i64, seen: i64) -> rusqlite::Result<bool> {
    let settled = tx
        .conn
        .prepare_cached("DELETE FROM stale_hour WHERE feed = ?1 AND hour = ?2 AND mark <= ?3")?
        .execute([feed.0, index, seen])?;
    Ok(settled > 0)
}

/// Hours of a feed, whole ones, from the first to the last index (both included).
pub fn whole(
    conn: &Connection,
    feed: FeedId,
    first: i64,
    last: i64,
) -> rusqlite::Result<Vec<Hour>> {
    let mut hours = conn
        .prepare_cached(&format!(
            "SELECT {} FROM hour WHERE feed = ?1 AND hour BETWEEN ?2 AND ?3 ORDER BY hour",
            rows::HOUR
        ))?
        .query_map([feed.0, first, last], rows::hour)?
        .collect::<rusqlite::Result<Vec<_>>>()?;
    let stale = conn
        .prepare_cached(
            "SELECT hour FROM stale_hour WHERE feed = ?1 AND hour BETWEEN ?2 AND ?3 ORDER BY hour",
        )?
        .query_map([feed.0, first, last], |r| r.get(0))?
        .collect::<rusqlite::Result<Vec<i64>>>()?;
    if stale.is_empty() {
        return Ok(hours);
    }
    hours.retain(|h| stale.binary_search(&h.index).is_err());
    for index in stale {
        hours.extend(roll_whole(conn, feed, index)?);
    }
    hours.sort_unstable_by_key(|h| h.index);
    Ok(hours)
}

/// Hours of a feed from what it measured in `[from, to)`: where an end lies within an hour, that
/// hour is rolled from its part.
pub fn cut(
    conn: &Connection,
    feed: FeedId,
    from: Moment,
    to: Moment,
) -> rusqlite::Result<Vec<Hour>> {
    if from >= to {
        return Ok(Vec::new());
    }
    let (first, last) = (hour_index(from), hour_index(Moment(to.0 - 1)));
    let into_first = from.0.rem_euclid(HOUR_MS);
    let into_last = to.0.rem_euclid(HOUR_MS);
    let mut hours = Vec::new();
    let mut whole_from = first;
    let mut whole_to = last;
    if into_first != 0 || (first == last && into_last != 0) {
        let end = to.0.min(from.0.saturating_add(HOUR_MS - into_first));
        hours.extend(roll_between(conn, feed, first, from.0, end)?);
        whole_from += 1;
    }
    let ragged_end = into_last != 0 && last >= whole_from;
    if ragged_end {
        whole_to -= 1;
    }
    if whole_from <= whole_to {
        hours.extend(whole(conn, feed, whole_from, whole_to)?);
    }
    if ragged_end {
        hours.extend(roll_between(conn, feed, last, to.0 - into_last, to.0)?);
    }
    Ok(hours)
}

fn roll_whole(conn: &Connection, feed: FeedId, index: i64) -> rusqlite::Result<Option<Hour>> {
    let from = index.saturating_mul(HOUR_MS);
    roll_between(conn, feed, index, from, from.saturating_add(HOUR_MS))
}

fn roll_between(
    conn: &Connection,
    feed: FeedId,
    index: i64,
    from: i64,
    to: i64,
) -> rusqlite::Result<Option<Hour>> {
    let readings = conn
        .prepare_cached(
            "SELECT at, gravity, temperature FROM reading WHERE feed = ?1 AND at >= ?2 AND at < ?3",
        )?
        .query_map(params![feed.0, from, to], |r| {
            Ok((Moment(r.get(0)?), r.get(1)?, r.get(2)?))
        })?
        .collect::<rusqlite::Result<Vec<_>>>()?;
    Ok(roll(index, &readings))
}
