//! Hours: what is kept rolled, what has to be rolled again, and the two put together.
//!
//! An hour with readings that came since it was packed is stale. A reader that finds one rolls it from
//! its readings, so nobody ever sees an old one; a background task ([`roll_stale`]) rolls and packs it
//! for good, in the writer, between two commits of messages.

use std::collections::{BTreeMap, BTreeSet};

use ebbmark_core::hours::{HOUR_MS, Hour, hour_index};
use ebbmark_core::ids::{FeedId, RawId};
use ebbmark_core::time::{Moment, Span};
use rusqlite::Connection;

use crate::apply::shelf::{is_gone, rolled};
use crate::at_hand::{Grain, Snapshot};
use crate::error::StoreError;
use crate::model::Command;
use crate::pack::Unreadable;
use crate::pack::block::Single;
use crate::reader::Reader;
use crate::singles;

/// Most hours, or topics, in one command: the writer must not be held for long.
const AT_ONCE: usize = 100;
/// Readings of hours that are over which make it worth to pack them...
const WORTH_IT: i64 = 4096;
/// ... and how long fewer may wait: each packing writes a page for every feed.
const MAY_WAIT: Span = Span::hours(6);

/// Whether so much has come that it should be packed now.
///
/// # Errors
/// The database cannot be read.
pub fn worth_rolling(reader: &Reader, now: Moment) -> Result<bool, StoreError> {
    reader.with(|conn| {
        let this_hour = now.0 - now.0.rem_euclid(HOUR_MS);
        let over: i64 = conn
            .prepare_cached("SELECT count(*) FROM reading WHERE at < ?1")?
            .query_row([this_hour], |r| r.get(0))?;
        // By when it came: a float whose clock is hours behind sends nothing that has waited.
        let oldest: Option<i64> = conn
            .prepare_cached(
                "SELECT min(r.wall) FROM raw r JOIN feed f ON f.topic = r.topic WHERE r.waits = 0",
            )?
            .query_row([], |r| r.get(0))?;
        let marked: bool = conn
            .prepare_cached("SELECT EXISTS (SELECT 1 FROM stale_hour)")?
            .query_row([], |r| r.get(0))?;
        let is_old = oldest.is_some_and(|came| Moment(came) + MAY_WAIT <= now);
        Ok(marked || is_old || over >= WORTH_IT)
    })
}

/// The commands that roll and pack the stale hours that had ended by `until`, and bundle the payloads
/// that came in them. Blocks.
///
/// An hour still being filled would be written again for every reading; readers roll it on the fly,
/// which wears no card.
///
/// # Errors
/// The database cannot be read.
pub fn roll_stale(reader: &Reader, until: Moment) -> Result<Vec<Command>, StoreError> {
    let this_hour = hour_index(until);
    reader.with(|conn| {
        let mut commands = Vec::new();
        let mut ended = stale(conn)?;
        ended.retain(|(_, index)| *index < this_hour);
        commands.extend(
            ended
                .chunks(AT_ONCE)
                .map(|c| Command::PackHours(c.to_vec())),
        );
        let came = conn
            .prepare_cached(
                "SELECT r.topic, max(r.id) FROM raw r JOIN feed f ON f.topic = r.topic \
                 WHERE r.wall < ?1 AND r.waits = 0 GROUP BY r.topic",
            )?
            .query_map([singles::span(this_hour).0], |r| {
                Ok((r.get(0)?, RawId(r.get(1)?)))
            })?
            .collect::<rusqlite::Result<Vec<_>>>()?;
        commands.extend(
            came.chunks(AT_ONCE)
                .map(|c| Command::PackPayloads(c.to_vec())),
        );
        Ok(commands)
    })
}

pub fn stale(conn: &Connection) -> rusqlite::Result<Vec<(FeedId, i64)>> {
    let mut all: BTreeSet<(FeedId, i64)> = conn
        .prepare_cached("SELECT feed, hour FROM stale_hour")?
        .query_map([], |r| Ok((FeedId(r.get(0)?), r.get(1)?)))?
        .collect::<rusqlite::Result<_>>()?;
    let mut statement = conn.prepare_cached("SELECT feed, at FROM reading")?;
    let mut found = statement.query([])?;
    while let Some(row) = found.next()? {
        all.insert((FeedId(row.get(0)?), singles::index(row.get(1)?)));
    }
    Ok(all.into_iter().collect())
}

/// Hours of a feed, whole ones, from the first to the last index (both included).
pub fn whole(
    conn: &Snapshot<'_>,
    feed: FeedId,
    first: i64,
    last: i64,
    grain: Grain,
) -> rusqlite::Result<Vec<Hour>> {
    let mut hours = conn.hours(feed, first, last, grain)?;
    let mut stale: BTreeMap<i64, Vec<Single>> = conn
        .prepare_cached("SELECT hour FROM stale_hour WHERE feed = ?1 AND hour BETWEEN ?2 AND ?3")?
        .query_map([feed.0, first, last], |r| Ok((r.get(0)?, Vec::new())))?
        .collect::<rusqlite::Result<_>>()?;
    let (from, to) = (singles::span(first).0, singles::span(last).1);
    for reading in conn.fresh(feed, from, to)? {
        let hour = singles::index(reading.at);
        stale.entry(hour).or_default().push(reading);
    }
    if stale.is_empty() {
        return Ok(hours);
    }
    for (index, came) in stale {
        if is_gone(conn, feed, index)? {
            continue;
        }
        let Some(packed) = Unreadable::aside(singles::packed(conn, feed, index))? else {
            // What was reckoned of it stands.
            conn.unreadable(feed, index);
            continue;
        };
        let mut all = packed.unwrap_or_default();
        hours.retain(|h| h.index != index);
        all.extend(came);
        all.sort_by_key(|r| r.at);
        hours.extend(rolled(index, &all));
    }
    hours.sort_unstable_by_key(|h| h.index);
    Ok(hours)
}

/// Hours of a feed from what it measured in `[from, to)`: where an end lies within an hour, that
/// hour is rolled from its part.
pub fn cut(
    conn: &Snapshot<'_>,
    feed: FeedId,
    from: Moment,
    to: Moment,
    grain: Grain,
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
        hours.extend(whole(conn, feed, whole_from, whole_to, grain)?);
    }
    if ragged_end {
        hours.extend(roll_between(conn, feed, last, to.0 - into_last, to.0)?);
    }
    Ok(hours)
}

fn roll_between(
    conn: &Snapshot<'_>,
    feed: FeedId,
    index: i64,
    from: i64,
    to: i64,
) -> rusqlite::Result<Option<Hour>> {
    Ok(rolled(index, &singles::between(conn, feed, from, to)?))
}
