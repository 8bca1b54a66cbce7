//! Where readings are put: at the end of those that are not packed, or straight into their packed hours.

use std::collections::BTreeMap;

use ebbmark_core::hours::{Hour, roll};
use ebbmark_core::ids::{FeedId, RawId};
use ebbmark_core::time::Moment;
use rusqlite::{Connection, OptionalExtension, params};

use crate::pack::Unreadable;
use crate::pack::block::{self, Single};
use crate::rows::Values;
use crate::{rows, singles};

/// The writer's own list of the readings that are not packed, by feed and instant, and of the payloads,
/// by topic. It is in memory, and follows each transaction, also back.
pub fn make_lists(conn: &Connection) -> rusqlite::Result<()> {
    conn.execute_batch(
        "CREATE TEMP TABLE fresh (feed INTEGER NOT NULL, at INTEGER NOT NULL, id INTEGER NOT NULL, \
         PRIMARY KEY (feed, at)) WITHOUT ROWID; \
         CREATE TEMP TABLE fresh_raw (topic INTEGER NOT NULL, id INTEGER NOT NULL, \
         PRIMARY KEY (topic, id)) WITHOUT ROWID; \
         CREATE TEMP TABLE packed (id INTEGER PRIMARY KEY); \
         CREATE TEMP TABLE left_reading AS SELECT * FROM reading WHERE 0; \
         CREATE TEMP TABLE left_raw AS SELECT * FROM raw WHERE 0; \
         INSERT OR IGNORE INTO fresh SELECT feed, at, id FROM reading; \
         INSERT INTO fresh_raw SELECT topic, id FROM raw;",
    )
}

/// What is known of an instant of a feed.
pub enum Place {
    Free,
    Taken(Single),
    /// Only what was rolled is kept of that hour.
    Gone,
}

/// Where readings go.
pub enum Destination {
    /// With what came since hours were last packed: that is one write at the end of a table.
    Fresh {
        /// The latest packed hour: what is measured later need not be looked for there.
        packed_to: Option<i64>,
    },
    /// For many at once, of whatever time.
    Shelf(Shelf),
}

impl Destination {
    /// Puts a reading where nothing was yet ([`Place::Free`]); else it says what is there.
    pub fn put(
        &mut self,
        conn: &Connection,
        feed: FeedId,
        reading: Single,
    ) -> rusqlite::Result<Place> {
        let hour = singles::index(reading.at);
        match self {
            Destination::Fresh { packed_to } => {
                if packed_to.is_some_and(|last| hour <= last) {
                    if is_gone(conn, feed, hour)? {
                        return Ok(Place::Gone);
                    }
                    // Where it cannot be read nobody knows; a float must not send it for ever.
                    let packed = Unreadable::aside(singles::packed(conn, feed, hour))?.flatten();
                    if let Some(known) = packed.into_iter().flatten().find(|r| r.at == reading.at) {
                        return Ok(Place::Taken(known));
                    }
                }
                insert(conn, feed, &reading)
            }
            Destination::Shelf(shelf) => {
                if let Some(known) = fresh(conn, feed, reading.at)? {
                    return Ok(Place::Taken(known));
                }
                let drawer = shelf.hour(conn, feed, hour)?;
                if drawer.gone {
                    return Ok(Place::Gone);
                }
                if let Some(known) = drawer.readings.get(&reading.at) {
                    return Ok(Place::Taken(*known));
                }
                drawer.readings.insert(reading.at, reading);
                drawer.changed = true;
                Ok(Place::Free)
            }
        }
    }

    /// What is still only in memory is written.
    pub fn close(self, conn: &Connection, feed: FeedId) -> rusqlite::Result<()> {
        match self {
            Destination::Fresh { .. } => Ok(()),
            Destination::Shelf(shelf) => shelf.close(conn, feed),
        }
    }
}

/// One that is not packed.
fn fresh(conn: &Connection, feed: FeedId, at: i64) -> rusqlite::Result<Option<Single>> {
    conn.prepare_cached(&format!(
        "SELECT {}, r.at, raw FROM temp.fresh f JOIN reading r ON r.id = f.id \
         WHERE f.feed = ?1 AND f.at = ?2",
        rows::READING
    ))?
    .query_row([feed.0, at], singles::single)
    .optional()
}

fn insert(conn: &Connection, feed: FeedId, reading: &Single) -> rusqlite::Result<Place> {
    let values = &reading.values;
    let id = conn
        .prepare_cached(
            "INSERT INTO reading \
             (feed, at, raw, gravity, temperature, tilt, battery, signal, kinds) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
        )?
        .insert(params![
            feed.0,
            reading.at,
            reading.raw,
            values.gravity,
            values.temperature,
            values.tilt,
            values.battery,
            values.signal,
            values.kinds
        ])?;
    // That the instant is free is seen by taking it: a message is not worth two looks.
    let free = conn
        .prepare_cached(
            "INSERT INTO temp.fresh (feed, at, id) VALUES (?1, ?2, ?3) ON CONFLICT DO NOTHING",
        )?
        .execute([feed.0, reading.at, id])?;
    if free > 0 {
        return Ok(Place::Free);
    }
    conn.prepare_cached("DELETE FROM reading WHERE id = ?1")?
        .execute([id])?;
    let known = fresh(conn, feed, reading.at)?;
    Ok(Place::Taken(
        known.ok_or(rusqlite::Error::QueryReturnedNoRows)?,
    ))
}

/// Takes one away that is not packed.
pub fn take_fresh(conn: &Connection, feed: FeedId, at: i64) -> rusqlite::Result<()> {
    conn.prepare_cached(
        "DELETE FROM reading WHERE id IN \
         (SELECT id FROM temp.fresh WHERE feed = ?1 AND at = ?2)",
    )?
    .execute([feed.0, at])?;
    conn.prepare_cached("DELETE FROM temp.fresh WHERE feed = ?1 AND at = ?2")?
        .execute([feed.0, at])?;
    Ok(())
}

pub fn is_gone(conn: &Connection, feed: FeedId, hour: i64) -> rusqlite::Result<bool> {
    let gone: Option<bool> = conn
        .prepare_cached("SELECT gone IS NOT NULL FROM hour WHERE feed = ?1 AND hour = ?2")?
        .query_row([feed.0, hour], |r| r.get(0))
        .optional()?;
    Ok(gone == Some(true))
}

/// Hours of one feed that are being filled. They are written when there are many of them, those that were
/// begun first before the others.
#[derive(Default)]
pub struct Shelf {
    hours: BTreeMap<i64, Drawer>,
}

#[derive(Default)]
struct Drawer {
    readings: BTreeMap<i64, Single>,
    gone: bool,
    changed: bool,
}

/// A week: readings that come in order of time never need one of them twice.
const AT_ONCE: usize = 168;

impl Shelf {
    fn hour(
        &mut self,
        conn: &Connection,
        feed: FeedId,
        hour: i64,
    ) -> rusqlite::Result<&mut Drawer> {
        if !self.hours.contains_key(&hour) {
            if self.hours.len() >= AT_ONCE
                && let Some((first, full)) = self.hours.pop_first()
            {
                full.write(conn, feed, first)?;
            }
            let packed = singles::packed(conn, feed, hour)?.unwrap_or_default();
            self.hours.insert(
                hour,
                Drawer {
                    readings: packed.into_iter().map(|r| (r.at, r)).collect(),
                    gone: is_gone(conn, feed, hour)?,
                    changed: false,
                },
            );
        }
        Ok(self.hours.entry(hour).or_default())
    }

    fn close(self, conn: &Connection, feed: FeedId) -> rusqlite::Result<()> {
        for (hour, drawer) in self.hours {
            drawer.write(conn, feed, hour)?;
        }
        Ok(())
    }
}

impl Drawer {
    fn write(self, conn: &Connection, feed: FeedId, hour: i64) -> rusqlite::Result<()> {
        if !self.changed {
            return Ok(());
        }
        let readings: Vec<Single> = self.readings.into_values().collect();
        keep(conn, feed, hour, &readings)
    }
}

/// Packs an hour, in order of time, and keeps what it comes to; without readings neither is left.
pub fn keep(
    conn: &Connection,
    feed: FeedId,
    hour: i64,
    readings: &[Single],
) -> rusqlite::Result<()> {
    if readings.is_empty() {
        for table in ["block", "hour"] {
            conn.prepare_cached(&format!(
                "DELETE FROM {table} WHERE feed = ?1 AND hour = ?2"
            ))?
            .execute([feed.0, hour])?;
        }
        return Ok(());
    }
    pack(conn, feed, hour, readings)?;
    let rolled = rolled(hour, readings);
    let (g, t) = match &rolled {
        Some(hour) => (hour.gravity, hour.temperature),
        // It has a row all the same: by that its readings are found.
        None => (None, None),
    };
    conn.prepare_cached(
        "INSERT OR REPLACE INTO hour (feed, hour, gravity_n, gravity_median, gravity_min, \
         gravity_max, gravity_at, temperature_median, temperature_min, temperature_max) \
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
    )?
    .execute(params![
        feed.0,
        hour,
        g.map(|g| g.n),
        g.map(|g| g.median),
        g.map(|g| g.min),
        g.map(|g| g.max),
        g.map(|g| g.at.0),
        t.map(|t| t.median),
        t.map(|t| t.min),
        t.map(|t| t.max),
    ])?;
    Ok(())
}

pub fn pack(
    conn: &Connection,
    feed: FeedId,
    hour: i64,
    readings: &[Single],
) -> rusqlite::Result<()> {
    conn.prepare_cached(
        "INSERT INTO block (feed, hour, readings) VALUES (?1, ?2, ?3) \
         ON CONFLICT (hour, feed) DO UPDATE SET readings = excluded.readings",
    )?
    .execute(params![feed.0, hour, block::pack(readings)])?;
    Ok(())
}

pub fn rolled(hour: i64, readings: &[Single]) -> Option<Hour> {
    let measured: Vec<_> = readings
        .iter()
        .map(|r| (Moment(r.at), r.values.gravity, r.values.temperature))
        .collect();
    roll(hour, &measured)
}

/// A reading as it goes in.
pub fn of(raw: Option<RawId>, at: i64, values: &Values) -> Single {
    Single {
        at,
        raw: raw.map(|r| r.0),
        values: *values,
    }
}
