//! The writer's picture of every topic, so that a message needs no query to find its feed.
//!
//! It is changed only after every statement of a job has succeeded, is written back (what pages
//! show of a feed) once per commit, and is read anew from the file after anything that went wrong.

use std::collections::HashMap;
use std::sync::Arc;

use ebbmark_core::feed::FeedMap;
use ebbmark_core::ids::{FeedId, VesselId};
use ebbmark_core::time::Moment;
use ebbmark_core::units::{Battery, Signal};
use rusqlite::{Connection, params};

use crate::rows::{self, Values};

/// The open end of an assignment.
pub const FOREVER: i64 = i64::MAX;

#[derive(Default)]
pub struct Table {
    topics: HashMap<i64, Topic>,
    /// By source, then topic: looked up with borrowed strings.
    names: HashMap<String, HashMap<String, i64>>,
    dirty: Vec<i64>,
    unclaimed: usize,
}

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
}

/// A time a feed spent in a vessel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    pub since: i64,
    pub until: i64,
    pub vessel: VesselId,
}

impl FeedState {
    pub fn vessel_at(&self, at: i64) -> Option<VesselId> {
        // Newest last, and nearly every question is about now.
        self.spans
            .iter()
            .rev()
            .find(|s| s.since <= at && at < s.until)
            .map(|s| s.vessel)
    }

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
        fn newer<T>(slot: &mut Option<(i64, T)>, at: i64, value: Option<T>) {
            if let Some(value) = value
                && slot.as_ref().is_none_or(|(known, _)| at >= *known)
            {
                *slot = Some((at, value));
            }
        }
        self.readings += 1;
        self.last_at = self.last_at.max(Some(at));
        newer(&mut self.gravity, at, values.gravity);
        newer(&mut self.temperature, at, values.temperature);
        newer(&mut self.battery, at, values.battery());
        newer(&mut self.signal, at, values.signal());
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

    /// Counts a feed's readings anew, after some were taken away.
    pub fn recount(conn: &Connection, feed: FeedId) -> rusqlite::Result<Stats> {
        let mut stats = Stats::default();
        let mut statement = conn.prepare_cached(&format!(
            "SELECT {}, at FROM reading WHERE feed = ?1",
            rows::READING
        ))?;
        let mut found = statement.query([feed.0])?;
        while let Some(row) = found.next()? {
            stats.take(row.get(6)?, &Values::read(row)?);
        }
        Ok(stats)
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
        let mut statement = conn.prepare(
            "SELECT t.id, t.source, t.topic, t.heard, t.last_wall, t.last_raw, \
             f.id, f.map, f.retired, f.went_away, f.readings, f.last_at, f.gravity, f.gravity_at, \
             f.temperature, f.temperature_at, f.battery, f.battery_percent, f.battery_at, \
             f.signal, f.signal_percent, f.signal_at, \
             EXISTS (SELECT 1 FROM raw r WHERE r.topic = t.id AND r.waits = 1) \
             FROM topic t LEFT JOIN feed f ON f.topic = t.id",
        )?;
        let mut found = statement.query([])?;
        while let Some(row) = found.next()? {
            let feed = match row.get::<_, Option<i64>>(6)? {
                None => None,
                Some(id) => Some(FeedState {
                    id: FeedId(id),
                    map: Arc::new(rows::map(row, 7)?),
                    retired: row.get(8)?,
                    went_away: row.get(9)?,
                    spans: spans.remove(&id).unwrap_or_default(),
                    stats: Stats {
                        readings: row.get(10)?,
                        last_at: row.get(11)?,
                        gravity: pair(row.get(13)?, row.get(12)?),
                        temperature: pair(row.get(15)?, row.get(14)?),
                        battery: pair(
                            row.get(18)?,
                            rows::battery(
                                row.get(16)?,
                                row.get::<_, Option<bool>>(17)? == Some(true),
                            ),
                        ),
                        signal: pair(
                            row.get(21)?,
                            rows::signal(
                                row.get(19)?,
                                row.get::<_, Option<bool>>(20)? == Some(true),
                            ),
                        ),
                    },
                    taken: Taken::default(),
                }),
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
                    waits: row.get(22)?,
                    feed,
                    dirty: false,
                },
            );
        }
        Ok(table)
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

    /// Changes a topic; it is written back by the next [`Table::flush`].
    pub fn change(&mut self, id: i64, with: impl FnOnce(&mut Topic)) {
        if let Some(topic) = self.topics.get_mut(&id) {
            with(topic);
            if !topic.dirty {
                topic.dirty = true;
                self.dirty.push(id);
            }
        }
    }

    pub fn flush(&mut self, conn: &Connection) -> rusqlite::Result<()> {
        for id in self.dirty.drain(..) {
            let Some(topic) = self.topics.get_mut(&id) else {
                continue;
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

fn pair<T>(at: Option<i64>, value: Option<T>) -> Option<(i64, T)> {
    at.zip(value)
}
