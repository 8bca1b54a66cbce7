//! What may be let go after a time: payloads as they came, then single readings. Hours stay for ever.
//!
//! Nothing goes that a mead that is not over may still be judged from, by itself or by those it was poured
//! from. Of payloads that are not bundled (what waits for its time, what nobody has claimed) and of feeds
//! that are retired none goes: they may not have been read yet. Imported readings stay.
//!
//! The hours in which a mead or a feed came to a vessel or left it keep their readings: what belongs to one
//! and what to the other is cut from them.

use ebbmark_core::hours::HOUR_MS;
use ebbmark_core::ids::{FeedId, RawId};
use ebbmark_core::time::{Moment, Span};
use rusqlite::{Connection, params};

use crate::apply::{Tx, shelf};
use crate::error::StoreError;
use crate::meads::BEFORE_PITCH;
use crate::model::{Command, Done, IMPORT};
use crate::pack::Unreadable;
use crate::reader::Reader;
use crate::singles;

/// How long what is kept; `None` for ever.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ShelfLife {
    /// Payloads, after they came.
    pub payloads: Option<Span>,
    /// Single readings, after they were measured.
    pub readings: Option<Span>,
}

/// Most of one feed that goes at one look: the rest goes at the next ones.
const BUNDLES: u32 = 50;
const HOURS: u32 = 200;

/// The commands that let go what is past its time at `now`; one for each feed. Blocks.
///
/// # Errors
/// The database cannot be read.
pub fn past(reader: &Reader, life: ShelfLife, now: Moment) -> Result<Vec<Command>, StoreError> {
    reader.with(|conn| {
        let mut commands = Vec::new();
        for feed in feeds(conn)? {
            let needed = needed_from(conn, feed.id)?;
            if let Some(span) = life.payloads {
                let before = (now - span).0.min(needed);
                let bundles = bundles(conn, feed.topic, before)?;
                if !bundles.is_empty() {
                    commands.push(Command::LetPayloadsGo {
                        topic: feed.topic,
                        bundles,
                    });
                }
            }
            if let Some(span) = life.readings {
                let before = singles::index((now - span).0.min(needed));
                let hours = hours(conn, feed.id, before)?;
                if !hours.is_empty() {
                    commands.push(Command::LetReadingsGo {
                        feed: feed.id,
                        hours,
                    });
                }
            }
        }
        Ok(commands)
    })
}

struct OfFeed {
    id: FeedId,
    topic: i64,
}

fn feeds(conn: &Connection) -> rusqlite::Result<Vec<OfFeed>> {
    conn.prepare_cached(
        "SELECT f.id, f.topic FROM feed f JOIN topic t ON t.id = f.topic \
         WHERE f.retired = 0 AND t.source != ?1 ORDER BY f.id",
    )?
    .query_map([IMPORT], |r| {
        Ok(OfFeed {
            id: FeedId(r.get(0)?),
            topic: r.get(1)?,
        })
    })?
    .collect()
}

/// From when on a mead that is not over has to do with this feed.
fn needed_from(conn: &Connection, feed: FeedId) -> rusqlite::Result<i64> {
    let since: Option<i64> = conn
        .prepare_cached(
            "WITH RECURSIVE going (id) AS (SELECT id FROM batch WHERE ended IS NULL \
             UNION SELECT parent FROM share JOIN going ON child = going.id) \
             SELECT min(max(s.since - ?2, a.since)) FROM going \
             JOIN stay s ON s.batch = going.id \
             JOIN assignment a ON a.vessel = s.vessel \
             AND (s.until IS NULL OR a.since < s.until) AND a.until > s.since - ?2 \
             WHERE a.feed = ?1",
        )?
        .query_row([feed.0, BEFORE_PITCH.0], |r| r.get(0))?;
    Ok(since.unwrap_or(i64::MAX))
}

fn bundles(conn: &Connection, topic: i64, before: i64) -> rusqlite::Result<Vec<RawId>> {
    let first: Vec<(i64, i64)> = conn
        .prepare_cached("SELECT id, wall FROM bundle WHERE topic = ?1 ORDER BY id LIMIT ?2")?
        .query_map(params![topic, BUNDLES], |r| Ok((r.get(0)?, r.get(1)?)))?
        .collect::<rusqlite::Result<_>>()?;
    let over = first.into_iter().take_while(|(_, wall)| *wall < before);
    Ok(over.map(|(id, _)| RawId(id)).collect())
}

fn hours(conn: &Connection, feed: FeedId, before: i64) -> rusqlite::Result<Vec<i64>> {
    conn.prepare_cached(
        "WITH bound (at) AS (SELECT since FROM assignment WHERE feed = ?1 \
         UNION SELECT until FROM assignment WHERE feed = ?1 \
         UNION SELECT since FROM stay UNION SELECT since - ?4 FROM stay \
         UNION SELECT until FROM stay WHERE until IS NOT NULL) \
         SELECT h.hour FROM hour h CROSS JOIN block b ON b.hour = h.hour AND b.feed = h.feed \
         WHERE h.feed = ?1 AND h.hour < ?2 \
         AND h.hour NOT IN (SELECT at / ?5 FROM bound) ORDER BY h.hour LIMIT ?3",
    )?
    .query_map(
        params![feed.0, before, HOURS, BEFORE_PITCH.0, HOUR_MS],
        |r| r.get(0),
    )?
    .collect()
}

pub fn let_payloads_go(tx: &Tx<'_>, topic: i64, bundles: &[RawId]) -> Result<Done, StoreError> {
    for bundle in bundles {
        tx.conn
            .prepare_cached("DELETE FROM bundle WHERE id = ?1 AND topic = ?2")?
            .execute([bundle.0, topic])?;
    }
    if let Some(last) = bundles.iter().map(|bundle| bundle.0).max() {
        tx.conn
            .prepare_cached("UPDATE topic SET gone_to = max(gone_to, ?2) WHERE id = ?1")?
            .execute([topic, last])?;
    }
    Ok(Done::Nothing)
}

pub fn let_readings_go(tx: &Tx<'_>, feed: FeedId, hours: &[i64]) -> Result<Done, StoreError> {
    for hour in hours {
        let (from, to) = singles::span(*hour);
        let waits: bool = tx
            .conn
            .prepare_cached(
                "SELECT EXISTS (SELECT 1 FROM temp.fresh WHERE feed = ?1 AND at >= ?2 AND at < ?3) \
                 OR EXISTS (SELECT 1 FROM stale_hour WHERE feed = ?1 AND hour = ?4)",
            )?
            .query_row([feed.0, from, to, *hour], |r| r.get(0))?;
        let n = match Unreadable::aside(singles::packed(tx.conn, feed, *hour))? {
            Some(None) => continue,
            // What is rolled has to be all there ever was in it.
            Some(Some(_)) if waits => continue,
            Some(Some(packed)) => packed.len() as i64,
            // It will never be more than it is, and nobody else could let it go.
            None => rolled_of(tx.conn, feed, *hour)? + take_all_fresh(tx.conn, feed, from, to)?,
        };
        tx.conn
            .prepare_cached("UPDATE hour SET gone = ?3 WHERE feed = ?1 AND hour = ?2")?
            .execute([feed.0, *hour, n])?;
        tx.conn
            .prepare_cached("DELETE FROM block WHERE feed = ?1 AND hour = ?2")?
            .execute([feed.0, *hour])?;
    }
    Ok(Done::Nothing)
}

/// How many readings an hour was rolled from, as far as its row says.
fn rolled_of(conn: &Connection, feed: FeedId, hour: i64) -> rusqlite::Result<i64> {
    conn.prepare_cached(
        "SELECT coalesce(max(gravity_n), 0) FROM hour WHERE feed = ?1 AND hour = ?2",
    )?
    .query_row([feed.0, hour], |r| r.get(0))
}

fn take_all_fresh(conn: &Connection, feed: FeedId, from: i64, to: i64) -> rusqlite::Result<i64> {
    let all = conn
        .prepare_cached("SELECT at FROM temp.fresh WHERE feed = ?1 AND at >= ?2 AND at < ?3")?
        .query_map([feed.0, from, to], |r| r.get(0))?
        .collect::<rusqlite::Result<Vec<i64>>>()?;
    for at in &all {
        shelf::take_fresh(conn, feed, *at)?;
    }
    Ok(all.len() as i64)
}

/// Whether of some hour in `[from, to)` only what was rolled is kept.
pub fn is_only_hours(
    conn: &Connection,
    feed: FeedId,
    from: Moment,
    to: Moment,
) -> rusqlite::Result<bool> {
    conn.prepare_cached(
        "SELECT EXISTS (SELECT 1 FROM hour WHERE feed = ?1 AND hour BETWEEN ?2 AND ?3 \
         AND gone IS NOT NULL)",
    )?
    .query_row(
        [feed.0, singles::index(from.0), singles::index(to.0 - 1)],
        |r| r.get(0),
    )
}
