//! Single readings: those of hours that are packed, and those that came since, as one.

use std::collections::BTreeSet;

use ebbmark_core::hours::{HOUR_MS, hour_index};
use ebbmark_core::ids::FeedId;
use ebbmark_core::time::Moment;
use rusqlite::{Connection, OptionalExtension, Row, params};

use crate::at_hand::Snapshot;
use crate::pack::Unreadable;
use crate::pack::block::{self, Single};
use crate::rows::{self, Values};

/// Readings of a feed in `[from, to)`, in order of time; without those of an hour that cannot be read.
pub fn between(
    conn: &Snapshot<'_>,
    feed: FeedId,
    from: i64,
    to: i64,
) -> rusqlite::Result<Vec<Single>> {
    if from >= to {
        return Ok(Vec::new());
    }
    let mut all = Vec::new();
    let mut packed = conn.prepare_cached(
        "SELECT b.readings, h.hour FROM hour h CROSS JOIN block b ON b.hour = h.hour AND b.feed = h.feed \
         WHERE h.feed = ?1 AND h.hour BETWEEN ?2 AND ?3 ORDER BY h.hour",
    )?;
    let mut found = packed.query([feed.0, index(from), index(to - 1)])?;
    while let Some(row) = found.next()? {
        match Unreadable::aside(unpacked(row, 0))? {
            Some(readings) => all.extend(readings),
            None => conn.unreadable(feed, row.get(1)?),
        }
    }
    all.extend(conn.fresh(feed, from, to)?);
    all.retain(|r| from <= r.at && r.at < to);
    // Nearly in order as they are.
    all.sort_by_key(|r| r.at);
    Ok(all)
}

/// Of those, the ones that are not packed, in the order they came. Looks through all there are of every
/// feed: readers ask [`Snapshot::fresh`].
pub fn fresh(conn: &Connection, feed: FeedId, from: i64, to: i64) -> rusqlite::Result<Vec<Single>> {
    conn.prepare_cached(&format!(
        "SELECT {}, at, raw FROM reading WHERE feed = ?1 AND at >= ?2 AND at < ?3 ORDER BY id",
        rows::READING
    ))?
    .query_map(params![feed.0, from, to], single)?
    .collect()
}

/// A row of the columns [`rows::READING`], `at`, `raw`.
pub fn single(row: &Row<'_>) -> rusqlite::Result<Single> {
    Ok(Single {
        values: Values::read(row)?,
        at: row.get(6)?,
        raw: row.get(7)?,
    })
}

/// The packed readings of one hour, in order of time.
pub fn packed(conn: &Connection, feed: FeedId, hour: i64) -> rusqlite::Result<Option<Vec<Single>>> {
    conn.prepare_cached("SELECT readings FROM block WHERE hour = ?1 AND feed = ?2")?
        .query_row([hour, feed.0], |r| unpacked(r, 0))
        .optional()
}

/// The hours of a feed whose packed readings cannot be read, as far as that was met: each is told once.
#[derive(Default)]
pub struct Unread(BTreeSet<(FeedId, i64)>);

impl Unread {
    pub fn met(&mut self, feed: FeedId, hour: i64) {
        if self.0.insert((feed, hour)) {
            tracing::error!(
                feed = feed.0,
                hour = %Moment(span(hour).0).to_rfc3339(),
                "the packed readings of this hour cannot be read; they are left as they are, and what it \
                 came to as it was reckoned; a backup may have them"
            );
        }
    }
}

/// The hours of a feed that are packed, in order.
pub fn packed_hours(conn: &Connection, feed: FeedId) -> rusqlite::Result<Vec<i64>> {
    conn.prepare_cached(
        "SELECT h.hour FROM hour h CROSS JOIN block b ON b.hour = h.hour AND b.feed = h.feed \
         WHERE h.feed = ?1 ORDER BY h.hour",
    )?
    .query_map([feed.0], |r| r.get(0))?
    .collect()
}

fn unpacked(row: &Row<'_>, column: usize) -> rusqlite::Result<Vec<Single>> {
    let bytes = row
        .get_ref(column)?
        .as_blob()
        .map_err(rusqlite::Error::from)?;
    Ok(block::unpack(bytes)?)
}

pub fn index(at: i64) -> i64 {
    hour_index(Moment(at))
}

/// The instants of an hour, the second one not included.
pub fn span(hour: i64) -> (i64, i64) {
    let from = hour.saturating_mul(HOUR_MS);
    (from, from.saturating_add(HOUR_MS))
}
