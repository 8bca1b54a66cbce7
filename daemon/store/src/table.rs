//! The writer's picture of every topic, so that a message needs no query to find its feed.
//!
//! It is changed only after every statement of a job has succeeded, is written back (what pages
//! show of a feed) now and then, since what came later can be added up, and is read anew from the file
//! after anything that went wrong.

use std::collections::HashMap;
use std::sync::Arc;

use ebbmark_core::feed::FeedMap;
use ebbmark_core::ids::{FeedId, VesselId};
use ebbmark_core::time::Moment;
use ebbmark_core::units::{Battery, Signal};
use rusqlite::{Connection, params};

use crate::pack::Unreadable;
use crate::rows::{self, Values};
use crate::singles;

/// The open end of an assignment.
pub const FOREVER: i64 = i64::MAX;

#[derive(Default)]
pub struct Table {
    topics: HashMap<i64, Topic>,
    /// By source, then topic: looked up with borrowed strings.
    names: HashMap<String, HashMap<String, i64>>,
    /// Changed since it was last written, and what of it must not wait.
    dirty: Vec<i64>,
    pressing: Vec<i64>,
    /// Number of the next payload. Those of payloads that are bundled are not given twice.
    next_raw: i64,
    /// Messages since all was written.
    unwritten: u32,
    unclaimed: usize,
}

/// Messages after which what pages show of feeds is written all the same. Whoever reads before adds up
/// what came meanwhile.
const WRITTEN_AFTER: u32 = 4096;

pub struct Topic {
    pub id: i64,
    pub heard: i64,
    pub last_wall: Option<i64>,
    pub last_raw: i64,
    /// Hand readings are kept here that wait for their time: it may not make room for others.
    pub waits: bool,
    pub feed: Option<FeedState>,
    dirty: bool,
}

pub struct FeedState {
    pub id: FeedId,
    pub map: Arc<FeedMap>,
    pub retired: bool,
    pub went_away: Option<i64>,
    pub spans: Vec<Span>,
    pub stats: Stats,
    pub taken: Taken,
    /// The latest hour of it that is packed.
    pub packed_to: Option<i64>,
}

/// A time a feed spent in a vessel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    pub since: i64,
    pub until: i64,
    pub vessel: VesselId,
}

impl FeedState {
    pub fn vessel(&self) -> Option<VesselId> {
        self.spans
            .last()
            .filter(|s| s.until == FOREVER)
            .map(|s| s.vessel)
    }
}

/// A run of instants known to be taken, `[low, next)`: readings timed by arrival that come
/// within one millisecond find their place without trying every instant in between.
#[derive(Clone, Copy, Default)]
pub struct Taken {
    low: i64,
    next: i64,
}

impl Taken {
    pub fn first_free(self, at: i64) -> i64 {
        if self.low <= at && at < self.next {
            self.next
        } else {
            at
        }
    }

    pub fn take(&mut self, at: i64) {
        if at == self.next {
            self.next += 1;
        } else {
            *self = Taken {
                low: at,
                next: at.saturating_add(1),
            };
        }
    }
}

/// What is shown of a feed without looking at its readings. Each value with its own instant,
/// so that messages arriving out of order end in the same picture.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Stats {
    pub readings: i64,
    pub last_at: Option<i64>,
    pub gravity: Option<(i64, f64)>,
    pub temperature: Option<(i64, f64)>,
    pub battery: Option<(i64, Battery)>,
    pub signal: Option<(i64, Signal)>,
}

impl Stats {
    pub fn take(&mut self, at: i64, values: &Values) {
        *self = self.and(&Stats {
            readings: 1,
            last_at: Some(at),
            gravity: values.gravity.map(|v| (at, v)),
            temperature: values.temperature.map(|v| (at, v)),
            battery: values.battery().map(|v| (at, v)),
            signal: values.signal().map(|v| (at, v)),
        });
    }

    pub fn save(&self, conn: &Connection, feed: FeedId) -> rusqlite::Result<()> {
        let (battery, battery_percent) = rows::battery_parts(self.battery.map(|(_, v)| v));
        let (signal, signal_percent) = rows::signal_parts(self.signal.map(|(_, v)| v));
        conn.prepare_cached(
            "UPDATE feed SET readings = ?2, last_at = ?3, gravity = ?4, gravity_at = ?5, \
             temperature = ?6, temperature_at = ?7, battery = ?8, battery_percent = ?9, \
             battery_at = ?10, signal = ?11, signal_percent = ?12, signal_at = ?13 WHERE id = ?1",
        )?
        .execute(params![
            feed.0,
            self.readings,
            self.last_at,
            self.gravity.map(|(_, v)| v),
            self.gravity.map(|(at, _)| at),
            self.temperature.map(|(_, v)| v),
            self.temperature.map(|(at, _)| at),
            battery,
            battery_percent,
            self.battery.map(|(at, _)| at),
            signal,
            signal_percent,
            self.signal.map(|(at, _)| at),
        ])?;
        Ok(())
    }

    /// Counts a feed's readings anew, after some were taken away; as far as they can be read.
    pub fn recount(conn: &Connection, feed: FeedId) -> rusqlite::Result<Stats> {
        let mut stats = Stats::default();
        for hour in singles::packed_hours(conn, feed)? {
            let packed = Unreadable::aside(singles::packed(conn, feed, hour))?.flatten();
            for r in packed.into_iter().flatten() {
                stats.take(r.at, &r.values);
            }
        }
        for r in singles::fresh(conn, feed, i64::MIN, i64::MAX)? {
            stats.take(r.at, &r.values);
        }
        let gone: Option<i64> = conn
            .prepare_cached("SELECT sum(gone) FROM hour WHERE feed = ?1")?
            .query_row([feed.0], |r| r.get(0))?;
        if let Some(gone) = gone {
            stats.readings += gone;
            // What was last measured long ago is in no reading that is left.
            stats.or(&Stats::saved(conn, feed)?);
        }
        Ok(stats)
    }

    fn or(&mut self, before: &Stats) {
        self.last_at = self.last_at.or(before.last_at);
        self.gravity = self.gravity.or(before.gravity);
        self.temperature = self.temperature.or(before.temperature);
        self.battery = self.battery.or(before.battery);
        self.signal = self.signal.or(before.signal);
    }

    /// As it was last written.
    pub fn saved(conn: &Connection, feed: FeedId) -> rusqlite::Result<Stats> {
        conn.prepare_cached(&format!(
            "SELECT {} FROM feed f WHERE f.id = ?1",
            rows::FEED_STATS
        ))?
        .query_row([feed.0], |r| rows::stats(r, 0))
    }

    /// What came of each feed since its row was written, added up. Looks through all that is not packed:
    /// readers ask [`Snapshot::unwritten`](crate::at_hand::Snapshot::unwritten).
    fn unwritten(conn: &Connection) -> rusqlite::Result<HashMap<FeedId, Stats>> {
        let mut all: HashMap<FeedId, Stats> = HashMap::new();
        let mut statement = conn.prepare_cached(
            "SELECT r.gravity, r.temperature, r.tilt, r.battery, r.signal, r.kinds, r.at, r.feed \
             FROM reading r JOIN feed f ON f.id = r.feed JOIN topic t ON t.id = f.topic \
             WHERE r.raw > t.last_raw ORDER BY r.id",
        )?;
        let mut found = statement.query([])?;
        while let Some(row) = found.next()? {
            all.entry(FeedId(row.get(7)?))
                .or_default()
                .take(row.get(6)?, &Values::read(row)?);
        }
        Ok(all)
    }

    /// With what came later than all that is in here.
    pub fn and(&self, later: &Stats) -> Stats {
        fn newer<T: Copy>(known: Option<(i64, T)>, later: Option<(i64, T)>) -> Option<(i64, T)> {
            match (known, later) {
                (Some(known), Some(later)) if known.0 > later.0 => Some(known),
                (known, later) => later.or(known),
            }
        }
        Stats {
            readings: self.readings + later.readings,
            last_at: self.last_at.max(later.last_at),
            gravity: newer(self.gravity, later.gravity),
            temperature: newer(self.temperature, later.temperature),
            battery: newer(self.battery, later.battery),
            signal: newer(self.signal, later.signal),
        }
    }
}

impl Table {
    pub fn load(conn: &Connection) -> rusqlite::Result<Table> {
        let mut table = Table::default();
        let mut spans: HashMap<i64, Vec<Span>> = HashMap::new();
        let mut statement =
            conn.prepare("SELECT feed, since, until, vessel FROM assignment ORDER BY feed, since")?;
        let mut found = statement.query([])?;
        while let Some(row) = found.next()? {
            spans.entry(row.get(0)?).or_default().push(Span {
                since: row.get(1)?,
                until: row.get(2)?,
                vessel: VesselId(row.get(3)?),
            });
        }
        let came = Stats::unwritten(conn)?;
        let mut statement = conn.prepare(&format!(
            "SELECT t.id, t.source, t.topic, t.heard, t.last_wall, t.last_raw, \
             EXISTS (SELECT 1 FROM raw r WHERE r.topic = t.id AND r.waits = 1), \
             f.id, f.map, f.retired, f.went_away, \
             (SELECT max(h.hour) FROM hour h WHERE h.feed = f.id), {} \
             FROM topic t LEFT JOIN feed f ON f.topic = t.id",
            rows::FEED_STATS
        ))?;
        let mut found = statement.query([])?;
        while let Some(row) = found.next()? {
            let feed = match row.get::<_, Option<i64>>(7)? {
                None => None,
                Some(id) => {
                    let id = FeedId(id);
                    let saved = rows::stats(row, 12)?;
                    Some(FeedState {
                        id,
                        map: Arc::new(rows::map(row, 8)?),
                        retired: row.get(9)?,
                        went_away: row.get(10)?,
                        spans: spans.remove(&id.0).unwrap_or_default(),
                        stats: came.get(&id).map_or(saved, |later| saved.and(later)),
                        taken: Taken::default(),
                        packed_to: row.get(11)?,
                    })
                }
            };
            let (source, topic): (String, String) = (row.get(1)?, row.get(2)?);
            table.add(
                &source,
                &topic,
                Topic {
                    id: row.get(0)?,
                    heard: row.get(3)?,
                    last_wall: row.get(4)?,
                    last_raw: row.get(5)?,
                    waits: row.get(6)?,
                    feed,
                    dirty: false,
                },
            );
        }
        table.heard_since(conn)?;
        Ok(table)
    }

    /// Payloads that came after the rows of their topics were written.
    fn heard_since(&mut self, conn: &Connection) -> rusqlite::Result<()> {
        let mut statement = conn.prepare_cached(
            "SELECT r.topic, count(*), max(r.id), max(r.wall) FROM raw r \
             JOIN topic t ON t.id = r.topic WHERE r.id > t.last_raw GROUP BY r.topic",
        )?;
        let mut found = statement.query([])?;
        while let Some(row) = found.next()? {
            let (heard, last, wall): (i64, i64, Option<i64>) =
                (row.get(1)?, row.get(2)?, row.get(3)?);
            self.change(row.get(0)?, |topic| {
                topic.heard += heard;
                topic.last_raw = last;
                topic.last_wall = topic.last_wall.max(wall);
            });
        }
        let last: Option<i64> = conn.query_row(
            "SELECT max(last) FROM (SELECT max(id) AS last FROM raw \
             UNION ALL SELECT max(id) FROM bundle UNION ALL SELECT max(last_raw) FROM topic)",
            [],
            |r| r.get(0),
        )?;
        self.next_raw = last.unwrap_or(0) + 1;
        Ok(())
    }

    fn add(&mut self, source: &str, topic: &str, entry: Topic) {
        if entry.feed.is_none() {
            self.unclaimed += 1;
        }
        if !self.names.contains_key(source) {
            self.names.insert(source.to_owned(), HashMap::new());
        }
        if let Some(topics) = self.names.get_mut(source) {
            topics.insert(topic.to_owned(), entry.id);
        }
        self.topics.insert(entry.id, entry);
    }

    /// A topic heard for the first time, already in the file under this id.
    pub fn add_unclaimed(&mut self, source: &str, topic: &str, id: i64) {
        self.add(
            source,
            topic,
            Topic {
                id,
                heard: 0,
                last_wall: None,
                last_raw: 0,
                waits: false,
                feed: None,
                dirty: false,
            },
        );
    }

    pub fn find(&self, source: &str, topic: &str) -> Option<&Topic> {
        self.topics.get(self.names.get(source)?.get(topic)?)
    }

    pub fn unclaimed(&self) -> usize {
        self.unclaimed
    }

    /// The unclaimed topic heard longest ago.
    pub fn quietest_unclaimed(&self) -> Option<i64> {
        self.topics
            .values()
            .filter(|t| t.feed.is_none() && !t.waits)
            .min_by_key(|t| (t.last_raw, t.id))
            .map(|t| t.id)
    }

    pub fn remove(&mut self, id: i64) {
        if self.topics.remove(&id).is_some_and(|t| t.feed.is_none()) {
            self.unclaimed -= 1;
        }
        for topics in self.names.values_mut() {
            topics.retain(|_, known| *known != id);
        }
        self.names.retain(|_, topics| !topics.is_empty());
    }

    pub fn next_raw(&self) -> i64 {
        self.next_raw
    }

    /// A payload is stored under this number. Of a topic nobody has claimed the rest of this is written
    /// with the commit: its payloads make room for later ones, so nobody could add them up.
    pub fn came(&mut self, topic: i64, raw: i64, with: impl FnOnce(&mut Topic)) {
        self.next_raw = raw + 1;
        self.unwritten += 1;
        let unclaimed = self.topics.get(&topic).is_some_and(|t| t.feed.is_none());
        self.change(topic, |t| {
            t.last_raw = raw;
            with(t);
        });
        if unclaimed {
            self.pressing.push(topic);
        }
    }

    /// Changes a topic; it is written back in time. What cannot be told from what came is written with
    /// the commit.
    pub fn change(&mut self, id: i64, with: impl FnOnce(&mut Topic)) {
        let Some(topic) = self.topics.get_mut(&id) else {
            return;
        };
        let away = topic.feed.as_ref().and_then(|f| f.went_away);
        with(topic);
        if topic.feed.as_ref().and_then(|f| f.went_away) != away {
            self.pressing.push(id);
        }
        if !topic.dirty {
            topic.dirty = true;
            self.dirty.push(id);
        }
    }

    /// An hour of this feed is packed.
    pub fn packed(&mut self, feed: FeedId, hour: i64) {
        let feeds = self.topics.values_mut().filter_map(|t| t.feed.as_mut());
        for known in feeds.filter(|f| f.id == feed) {
            known.packed_to = known.packed_to.max(Some(hour));
        }
    }

    /// Before a commit: writes what must not wait, and everything once in a while.
    pub fn flush(&mut self, conn: &Connection) -> rusqlite::Result<()> {
        if self.unwritten >= WRITTEN_AFTER {
            return self.flush_all(conn);
        }
        for id in std::mem::take(&mut self.pressing) {
            self.write(conn, id)?;
        }
        Ok(())
    }

    pub fn flush_all(&mut self, conn: &Connection) -> rusqlite::Result<()> {
        self.pressing.clear();
        for id in std::mem::take(&mut self.dirty) {
            self.write(conn, id)?;
        }
        self.unwritten = 0;
        Ok(())
    }

    fn write(&mut self, conn: &Connection, id: i64) -> rusqlite::Result<()> {
        let Some(topic) = self.topics.get_mut(&id).filter(|t| t.dirty) else {
            return Ok(());
        };
        topic.dirty = false;
        conn.prepare_cached(
            "UPDATE topic SET heard = ?2, last_wall = ?3, last_raw = ?4 WHERE id = ?1",
        )?
        .execute(params![id, topic.heard, topic.last_wall, topic.last_raw])?;
        if let Some(feed) = &topic.feed {
            feed.stats.save(conn, feed.id)?;
            conn.prepare_cached("UPDATE feed SET went_away = ?2 WHERE id = ?1")?
                .execute(params![feed.id.0, feed.went_away])?;
        }
        Ok(())
    }

    /// Newest wall time any message came in at.
    pub fn latest_wall(&self) -> Option<Moment> {
        self.topics
            .values()
            .filter_map(|t| t.last_wall)
            .max()
            .map(Moment)
    }
}
