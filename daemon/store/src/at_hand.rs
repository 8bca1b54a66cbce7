//! What readers keep in memory of the readings: those that are not packed, by feed, and the hours of
//! meads that are followed.
//!
//! What came lies in the order it came, whatever feed it is of: without a list of its own each question
//! for one feed would look through all of them. And a mead that is followed is asked for its hours every
//! minute, of which one in sixty minutes is new. Both hold for one *turn* of the database: a number that
//! goes up with every commit that packs, changes or takes away what was there (`migrations/0010.sql`,
//! [`turned`]). Within a turn readings are only added, at the end.

use std::collections::HashMap;
use std::ops::Deref;
use std::sync::{Mutex, MutexGuard, PoisonError};

use ebbmark_core::hours::Hour;
use ebbmark_core::ids::FeedId;
use rusqlite::Connection;

use crate::pack::block::Single;
use crate::singles::Unread;
use crate::table::Stats;
use crate::{rows, singles};

/// Hours kept of all feeds together, 45 MB: fifty meads of a year. What is beyond that is read from the
/// database each time.
const HOURS: usize = 450_000;

/// What is asked for up to so many hours before the last one is of a mead that is followed.
const RECENT: i64 = 24;

/// One snapshot of what was committed.
pub struct Snapshot<'a> {
    conn: &'a Connection,
    at_hand: &'a AtHand,
}

impl<'a> Snapshot<'a> {
    pub fn new(conn: &'a Connection, at_hand: &'a AtHand) -> Snapshot<'a> {
        Snapshot { conn, at_hand }
    }
}

impl Deref for Snapshot<'_> {
    type Target = Connection;

    fn deref(&self) -> &Connection {
        self.conn
    }
}

/// Shared by the readers of one database.
#[derive(Default)]
pub struct AtHand {
    kept: Mutex<Kept>,
    unread: Mutex<Unread>,
}

#[derive(Default)]
struct Kept {
    /// What is kept is of this turn.
    turn: i64,
    /// Readings up to this one are in `fresh`.
    read_to: i64,
    /// Not packed, by number.
    fresh: HashMap<FeedId, Vec<(i64, Single)>>,
    hours: HashMap<FeedId, Followed>,
    hours_kept: usize,
}

/// The packed hours of one feed from some hour on.
struct Followed {
    from: i64,
    hours: Vec<Hour>,
}

impl AtHand {
    // A panic in between leaves what was read, or a turn that matches no more.
    fn lock(&self) -> MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Readings were taken away: what others keep of them holds no longer. Hours that are written, as they are
/// when readings are packed, say it by themselves.
pub fn turned(conn: &Connection) -> rusqlite::Result<()> {
    conn.prepare_cached("UPDATE tally SET n = n + 1 WHERE name = 'turn'")?
        .execute([])?;
    Ok(())
}

fn turn(conn: &Connection) -> rusqlite::Result<i64> {
    conn.prepare_cached("SELECT n FROM tally WHERE name = 'turn'")?
        .query_row([], |r| r.get(0))
}

impl Snapshot<'_> {
    /// Packed readings that cannot be read were met.
    pub fn unreadable(&self, feed: FeedId, hour: i64) {
        let unread = &self.at_hand.unread;
        unread
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .met(feed, hour);
    }

    /// What came of a feed after the payload its row was last written with, added up.
    pub fn unwritten(&self, feed: FeedId, written: i64) -> rusqlite::Result<Stats> {
        let mut stats = Stats::default();
        for single in self.fresh(feed, i64::MIN, i64::MAX)? {
            if single.raw > Some(written) {
                stats.take(single.at, &single.values);
            }
        }
        Ok(stats)
    }

    /// What is kept, of this snapshot's turn. `None`: this snapshot is older, others are further.
    fn kept(&self) -> rusqlite::Result<Option<MutexGuard<'_, Kept>>> {
        let turn = turn(self.conn)?;
        let mut kept = self.at_hand.lock();
        if kept.turn > turn {
            return Ok(None);
        }
        if kept.turn < turn {
            *kept = Kept {
                turn,
                ..Kept::default()
            };
        }
        Ok(Some(kept))
    }

    /// Readings of a feed in `[from, to)` that are not packed, in the order they came.
    pub fn fresh(&self, feed: FeedId, from: i64, to: i64) -> rusqlite::Result<Vec<Single>> {
        let Some(mut kept) = self.kept()? else {
            return singles::fresh(self.conn, feed, from, to);
        };
        let last = self
            .conn
            .prepare_cached("SELECT coalesce(max(id), 0) FROM reading")?
            .query_row([], |r| r.get(0))?;
        kept.read_on(self.conn, last)?;
        let of_feed = kept.fresh.get(&feed).map_or(&[][..], Vec::as_slice);
        // Another snapshot may have read further.
        let seen = of_feed.partition_point(|(id, _)| *id <= last);
        Ok(of_feed[..seen]
            .iter()
            .map(|(_, single)| *single)
            .filter(|r| from <= r.at && r.at < to)
            .collect())
    }

    /// Packed hours of a feed from the first to the last index (both included), those with nothing in
    /// them left out.
    pub fn hours(&self, feed: FeedId, first: i64, last: i64) -> rusqlite::Result<Vec<Hour>> {
        let newest: Option<i64> = self
            .conn
            .prepare_cached("SELECT max(hour) FROM hour WHERE feed = ?1")?
            .query_row([feed.0], |r| r.get(0))?;
        // What is over is looked at now and then; it would only take the room of what is followed.
        if newest.is_none_or(|newest| last + RECENT < newest) {
            return stored(self.conn, feed, first, last);
        }
        let Some(mut kept) = self.kept()? else {
            return stored(self.conn, feed, first, last);
        };
        if let Some(followed) = kept.hours.get(&feed).filter(|f| f.from <= first) {
            return Ok(within(&followed.hours, first, last).to_vec());
        }
        let hours = stored(self.conn, feed, first, i64::MAX)?;
        let before = kept.hours.remove(&feed).map_or(0, |f| f.hours.len());
        kept.hours_kept -= before;
        if kept.hours_kept + hours.len() <= HOURS {
            kept.hours_kept += hours.len();
            let followed = Followed {
                from: first,
                hours: hours.clone(),
            };
            kept.hours.insert(feed, followed);
        }
        Ok(within(&hours, first, last).to_vec())
    }
}

fn within(hours: &[Hour], first: i64, last: i64) -> &[Hour] {
    let begin = hours.partition_point(|h| h.index < first);
    let end = hours.partition_point(|h| h.index <= last);
    hours.get(begin..end).unwrap_or_default()
}

impl Kept {
    fn read_on(&mut self, conn: &Connection, last: i64) -> rusqlite::Result<()> {
        if last <= self.read_to {
            return Ok(());
        }
        let mut statement = conn.prepare_cached(&format!(
            "SELECT {}, at, raw, feed, id FROM reading WHERE id > ?1 ORDER BY id",
            rows::READING
        ))?;
        let mut found = statement.query([self.read_to])?;
        while let Some(row) = found.next()? {
            let (feed, id) = (FeedId(row.get(8)?), row.get(9)?);
            let single = singles::single(row)?;
            self.fresh.entry(feed).or_default().push((id, single));
            self.read_to = id;
        }
        Ok(())
    }
}

fn stored(conn: &Connection, feed: FeedId, first: i64, last: i64) -> rusqlite::Result<Vec<Hour>> {
    conn.prepare_cached(&format!(
        "SELECT {} FROM hour WHERE feed = ?1 AND hour BETWEEN ?2 AND ?3 \
         AND (gravity_n IS NOT NULL OR temperature_median IS NOT NULL) ORDER BY hour",
        rows::HOUR
    ))?
    .query_map([feed.0, first, last], rows::hour)?
    .collect()
}
