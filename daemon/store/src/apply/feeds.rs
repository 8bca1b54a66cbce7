//! Topics become feeds, feeds are read differently, move between vessels, and go.

use ebbmark_core::feed::FeedMap;
use ebbmark_core::ids::{FeedId, VesselId};
use ebbmark_core::time::Moment;
use rusqlite::{OptionalExtension, params};

use super::{Tx, named, refuse, reread};
use crate::error::StoreError;
use crate::model::{Change, Done, IMPORT};
use crate::rows;
use crate::table::FOREVER;

pub fn claim(
    tx: &mut Tx<'_>,
    source: &str,
    topic: &str,
    name: &str,
    map: &FeedMap,
    vessel: Option<VesselId>,
) -> Result<Done, StoreError> {
    let name = named("feed", name)?;
    if topic.is_empty() {
        return refuse("a feed needs a topic");
    }
    if source == IMPORT {
        return refuse("imported readings need no claim");
    }
    if let Some(vessel) = vessel {
        tx.vessel_in_use(vessel)?;
    }
    let known = find(tx, source, topic)?;
    let feed = match known {
        Some(Known {
            held: Some(held), ..
        }) if !held.retired => {
            return refuse(format!(
                "\"{topic}\" from {source} is already read as the feed \"{}\"",
                held.name
            ));
        }
        // A retired feed comes back with all it had; what it was sent meanwhile is read now.
        Some(Known {
            held: Some(held), ..
        }) => {
            tx.conn
                .prepare_cached("UPDATE feed SET name = ?2, map = ?3, retired = 0 WHERE id = ?1")?
                .execute(params![held.feed.0, name, rows::to_json(map)?])?;
            // What it measured before it was retired belongs where it belonged.
            let since = held.last_at.map_or(i64::MIN, |at| at.saturating_add(1));
            hold(tx, held.feed, vessel, since)?;
            held.feed
        }
        Some(Known {
            topic_id,
            held: None,
        }) => make(tx, topic_id, &name, map, vessel)?,
        // Never heard yet: the maker may set the feed up before the float is switched on.
        None => {
            tx.conn
                .prepare_cached("INSERT INTO topic (source, topic) VALUES (?1, ?2)")?
                .execute([source, topic])?;
            make(tx, tx.conn.last_insert_rowid(), &name, map, vessel)?
        }
    };
    reread::feed(tx, feed)?;
    tx.changed(Change::Feeds);
    if let Some(vessel) = vessel {
        tx.changed(Change::Vessel(vessel));
    }
    tx.reload();
    Ok(Done::Feed(feed))
}

/// A topic on file, and the feed that holds it.
struct Known {
    topic_id: i64,
    held: Option<Held>,
}

struct Held {
    feed: FeedId,
    name: String,
    retired: bool,
    last_at: Option<i64>,
}

fn find(tx: &Tx<'_>, source: &str, topic: &str) -> rusqlite::Result<Option<Known>> {
    tx.conn
        .prepare_cached(
            "SELECT t.id, f.id, f.name, f.retired, f.last_at \
             FROM topic t LEFT JOIN feed f ON f.topic = t.id \
             WHERE t.source = ?1 AND t.topic = ?2",
        )?
        .query_row([source, topic], |r| {
            let held = match r.get::<_, Option<i64>>(1)? {
                None => None,
                Some(id) => Some(Held {
                    feed: FeedId(id),
                    name: r.get(2)?,
                    retired: r.get(3)?,
                    last_at: r.get(4)?,
                }),
            };
            Ok(Known {
                topic_id: r.get(0)?,
                held,
            })
        })
        .optional()
}

/// A feed on a topic that has none, held by the vessel for all that was kept of it.
pub fn make(
    tx: &Tx<'_>,
    topic_id: i64,
    name: &str,
    map: &FeedMap,
    vessel: Option<VesselId>,
) -> rusqlite::Result<FeedId> {
    tx.conn
        .prepare_cached("INSERT INTO feed (topic, name, map) VALUES (?1, ?2, ?3)")?
        .execute(params![topic_id, name, rows::to_json(map)?])?;
    let feed = FeedId(tx.conn.last_insert_rowid());
    hold(tx, feed, vessel, i64::MIN)?;
    Ok(feed)
}

/// Refuses a feed that is not there; otherwise its name and whether it is retired.
fn feed_facts(tx: &Tx<'_>, feed: FeedId) -> Result<(String, bool), StoreError> {
    tx.conn
        .prepare_cached("SELECT name, retired FROM feed WHERE id = ?1")?
        .query_row([feed.0], |r| Ok((r.get(0)?, r.get(1)?)))
        .optional()?
        .map_or_else(|| refuse(format!("there is no feed {feed}")), Ok)
}

fn feed_in_use(tx: &Tx<'_>, feed: FeedId) -> Result<(), StoreError> {
    match feed_facts(tx, feed)? {
        (name, true) => refuse(format!(
            "the feed \"{name}\" is retired; claim its topic to bring it back"
        )),
        (_, false) => Ok(()),
    }
}

pub fn remap(tx: &mut Tx<'_>, feed: FeedId, name: &str, map: &FeedMap) -> Result<Done, StoreError> {
    feed_in_use(tx, feed)?;
    let name = named("feed", name)?;
    tx.conn
        .prepare_cached("UPDATE feed SET name = ?2, map = ?3 WHERE id = ?1")?
        .execute(params![feed.0, name, rows::to_json(map)?])?;
    reread::feed(tx, feed)?;
    tx.changed(Change::Feeds);
    tx.reload();
    Ok(Done::Feed(feed))
}

pub fn assign(
    tx: &mut Tx<'_>,
    feed: FeedId,
    vessel: Option<VesselId>,
    at: Moment,
) -> Result<Done, StoreError> {
    if let Some(vessel) = vessel {
        tx.vessel_in_use(vessel)?;
    }
    put(tx, feed, vessel, at)?;
    Ok(Done::Feed(feed))
}

/// As [`assign`], into a vessel that is known to be in use.
pub(super) fn put(
    tx: &mut Tx<'_>,
    feed: FeedId,
    vessel: Option<VesselId>,
    at: Moment,
) -> Result<(), StoreError> {
    feed_in_use(tx, feed)?;
    let before = hold(tx, feed, vessel, at.0)?;
    tx.changed(Change::Feeds);
    for vessel in before.into_iter().chain(vessel) {
        tx.changed(Change::Vessel(vessel));
    }
    tx.reload();
    Ok(())
}

/// From `since` on the feed is held by this vessel, or by none. Gives the vessels that held it
/// at any time from then on.
fn hold(
    tx: &Tx<'_>,
    feed: FeedId,
    vessel: Option<VesselId>,
    since: i64,
) -> rusqlite::Result<Vec<VesselId>> {
    let before = tx
        .conn
        .prepare_cached("SELECT DISTINCT vessel FROM assignment WHERE feed = ?1 AND until > ?2")?
        .query_map([feed.0, since], |r| r.get(0).map(VesselId))?
        .collect::<rusqlite::Result<Vec<_>>>()?;
    tx.conn
        .prepare_cached("DELETE FROM assignment WHERE feed = ?1 AND since >= ?2")?
        .execute([feed.0, since])?;
    tx.conn
        .prepare_cached("UPDATE assignment SET until = ?2 WHERE feed = ?1 AND until > ?2")?
        .execute([feed.0, since])?;
    if let Some(vessel) = vessel {
        // Staying in the same vessel is one span, not two.
        let prolonged = tx
            .conn
            .prepare_cached(
                "UPDATE assignment SET until = ?3 WHERE feed = ?1 AND until = ?2 AND vessel = ?4",
            )?
            .execute([feed.0, since, FOREVER, vessel.0])?;
        if prolonged == 0 {
            tx.conn
                .prepare_cached(
                    "INSERT INTO assignment (feed, since, until, vessel) VALUES (?1, ?2, ?3, ?4)",
                )?
                .execute([feed.0, since, FOREVER, vessel.0])?;
        }
    }
    Ok(before)
}

pub fn retire(tx: &mut Tx<'_>, feed: FeedId) -> Result<Done, StoreError> {
    feed_in_use(tx, feed)?;
    tx.conn
        .prepare_cached("UPDATE feed SET retired = 1 WHERE id = ?1")?
        .execute([feed.0])?;
    tx.changed(Change::Feeds);
    tx.reload();
    Ok(Done::Feed(feed))
}

pub fn went_away(
    tx: &mut Tx<'_>,
    source: &str,
    topics: &[String],
    at: Moment,
) -> Result<Done, StoreError> {
    for topic in topics {
        // A topic nobody has claimed has no one to miss it.
        let Some((id, true)) = tx
            .table()
            .find(source, topic)
            .map(|t| (t.id, t.feed.is_some()))
        else {
            continue;
        };
        tx.table().change(id, |t| {
            if let Some(feed) = &mut t.feed {
                feed.went_away = Some(at.0);
            }
        });
        tx.changed(Change::Feeds);
    }
    Ok(Done::Nothing)
}
