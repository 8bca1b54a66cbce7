//! Which mead was in a vessel at a time, where a mead was, and what it has from the one it was
//! split off from.

use ebbmark_core::hours::Hour;
use ebbmark_core::ids::{BatchId, FeedId, VesselId};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::Gravity;
use rusqlite::{Connection, OptionalExtension, params};

use crate::at_hand::{Grain, Snapshot};
use crate::model::{Batch, History, LogLine, Stay, StoredReading};
use crate::{hours, rows, singles};

/// Splits followed back; no cellar splits a mead so often, and a damaged file may go in circles.
const DEEPEST: usize = 16;

/// Gravity the mead began at that was in the vessel then: what is dissolved in a sample decides
/// how it expands, and a reading may be entered for an earlier mead than the one in it now.
pub fn original_gravity(
    conn: &Connection,
    vessel: VesselId,
    at: Moment,
) -> rusqlite::Result<Option<Gravity>> {
    let found: Option<Option<f64>> = conn
        .prepare_cached(
            "SELECT b.original_gravity FROM stay s JOIN batch b ON b.id = s.batch \
             WHERE s.vessel = ?1 AND s.since <= ?2 AND (s.until IS NULL OR ?2 < s.until) \
             ORDER BY s.since DESC LIMIT 1",
        )?
        .query_row(params![vessel.0, at.0], |r| r.get(0))
        .optional()?;
    Ok(found.flatten().map(Gravity::computed))
}

pub fn batch(conn: &Connection, id: BatchId) -> rusqlite::Result<Option<Batch>> {
    conn.prepare_cached(&format!("SELECT {} FROM batch WHERE id = ?1", rows::BATCH))?
        .query_row([id.0], rows::batch)
        .optional()
}

/// The meads this one was split off from, nearest first, itself before them.
pub fn line(conn: &Connection, batch: BatchId) -> rusqlite::Result<Vec<BatchId>> {
    let mut line = vec![batch];
    let mut last = batch;
    while line.len() <= DEEPEST {
        let parent: Option<Option<i64>> = conn
            .prepare_cached("SELECT parent FROM batch WHERE id = ?1")?
            .query_row([last.0], |r| r.get(0))
            .optional()?;
        match parent.flatten().map(BatchId) {
            Some(parent) if !line.contains(&parent) => {
                line.push(parent);
                last = parent;
            }
            _ => break,
        }
    }
    Ok(line)
}

/// The mead that was pitched, of all that were split off from it.
pub fn root(conn: &Connection, batch: BatchId) -> rusqlite::Result<BatchId> {
    Ok(line(conn, batch)?.last().copied().unwrap_or(batch))
}

/// Where one mead was on its own account, and till when; `None` where it still is.
pub fn own_stays(
    conn: &Connection,
    batch: BatchId,
) -> rusqlite::Result<Vec<(VesselId, Moment, Option<Moment>)>> {
    conn.prepare_cached("SELECT vessel, since, until FROM stay WHERE batch = ?1 ORDER BY since")?
        .query_map([batch.0], |r| {
            let until: Option<i64> = r.get(2)?;
            Ok((VesselId(r.get(0)?), Moment(r.get(1)?), until.map(Moment)))
        })?
        .collect()
}

/// See [`crate::Reader::stays`].
pub fn stays(conn: &Connection, batch: &Batch, to: Moment) -> rusqlite::Result<Vec<Stay>> {
    let mut stays = Vec::new();
    let mut batch = batch.clone();
    let mut to = to;
    let mut seen = Vec::new();
    loop {
        seen.push(batch.id);
        let own = own_stays(conn, batch.id)?;
        // Of what lies wholly after `to` the first is kept: a mead is somewhere.
        let begun = own.iter().filter(|(_, since, _)| *since <= to).count();
        for (vessel, since, until) in own.into_iter().take(begun.max(1)).rev() {
            stays.push(Stay {
                batch: batch.id,
                vessel,
                from: since,
                to: until.map_or(to, |until| until.min(to)),
            });
        }
        let origin = batch
            .facts
            .origin
            .filter(|o| seen.len() <= DEEPEST && !seen.contains(&o.parent));
        let Some(origin) = origin else { break };
        let Some(parent) = self::batch(conn, origin.parent)? else {
            break;
        };
        to = origin.at;
        batch = parent;
    }
    stays.reverse();
    Ok(stays)
}

/// Taken along before the pitch: the first gravity is often read then.
pub const BEFORE_PITCH: Span = Span::hours(1);

/// A mead's own stays and those it inherited, and what was noted in them, in time order.
pub struct Past {
    /// The pitch, of the mead it was split off from if it was.
    pub started: Moment,
    stays: Vec<Stay>,
    /// Replaced ones included.
    pub lines: Vec<LogLine>,
}

/// `to` ends the stays; a line of the last may lie later.
pub fn past(conn: &Connection, batch: &Batch, to: Moment) -> rusqlite::Result<Past> {
    let mut stays = stays(conn, batch, to)?;
    let started = stays.first().map_or(batch.facts.started, |s| s.from);
    if let Some(first) = stays.first_mut() {
        first.from = first.from - BEFORE_PITCH;
    }
    let last = stays.len().saturating_sub(1);
    let mut lines = Vec::new();
    for (n, stay) in stays.iter().enumerate() {
        let until = match batch.ended {
            _ if n != last => stay.to,
            // What was done in the very instant it ended was done to it.
            Some(ended) => Moment(ended.0.saturating_add(1)),
            None => Moment(i64::MAX),
        };
        lines.extend(log(conn, stay.vessel, stay.from, until)?);
    }
    Ok(Past {
        started,
        stays,
        lines,
    })
}

/// See [`crate::Reader::history`].
pub fn history(conn: &Snapshot<'_>, batch: &Batch, to: Moment) -> rusqlite::Result<History> {
    let past = past(conn, batch, to)?;
    Ok(History {
        started: past.started,
        hours: past.hours(conn, to, Grain::EVERY)?,
        lines: past.lines,
    })
}

impl Past {
    pub fn hours(
        &self,
        conn: &Snapshot<'_>,
        to: Moment,
        grain: Grain,
    ) -> rusqlite::Result<Vec<Hour>> {
        let mut hours = Vec::new();
        for stay in self.stays.iter().filter(|s| s.from < to) {
            let until = stay.to.min(to);
            hours.extend(vessel_hours(conn, stay.vessel, stay.from, until, grain)?);
        }
        // Stable: the hour of a split has a part in either vessel.
        hours.sort_by_key(|h| h.index);
        Ok(hours)
    }
}

/// See [`crate::Reader::vessel_hours`].
pub fn vessel_hours(
    conn: &Snapshot<'_>,
    vessel: VesselId,
    from: Moment,
    to: Moment,
    grain: Grain,
) -> rusqlite::Result<Vec<Hour>> {
    let mut all = Vec::new();
    for (feed, since, until) in spans(conn, vessel, from, to)? {
        all.extend(hours::cut(conn, feed, since, until, grain)?);
    }
    // Stable: the feeds of one hour stay in the order of their numbers.
    all.sort_by_key(|h| h.index);
    Ok(all)
}

/// See [`crate::Reader::vessel_readings`].
pub fn vessel_readings(
    conn: &Snapshot<'_>,
    vessel: VesselId,
    from: Moment,
    to: Moment,
) -> rusqlite::Result<Vec<StoredReading>> {
    let mut all = Vec::new();
    for (feed, since, until) in spans(conn, vessel, from, to)? {
        all.extend(readings(conn, feed, since, until)?);
    }
    all.sort_by_key(|r| r.at);
    Ok(all)
}

/// See [`crate::Reader::readings`].
pub fn readings(
    conn: &Snapshot<'_>,
    feed: FeedId,
    from: Moment,
    to: Moment,
) -> rusqlite::Result<Vec<StoredReading>> {
    let all = singles::between(conn, feed, from.0, to.0)?;
    Ok(all
        .iter()
        .map(|r| StoredReading {
            at: Moment(r.at),
            gravity: r.values.gravity,
            temperature: r.values.temperature,
        })
        .collect())
}

/// See [`crate::Reader::log`].
pub fn log(
    conn: &Connection,
    vessel: VesselId,
    from: Moment,
    to: Moment,
) -> rusqlite::Result<Vec<LogLine>> {
    conn.prepare_cached(&format!(
        "SELECT {} FROM entry WHERE vessel = ?1 AND at >= ?2 AND at < ?3 ORDER BY at, id",
        rows::LINE
    ))?
    .query_map([vessel.0, from.0, to.0], rows::line)?
    .collect()
}

/// The spans feeds were in a vessel, cut to `[from, to)`.
pub fn spans(
    conn: &Connection,
    vessel: VesselId,
    from: Moment,
    to: Moment,
) -> rusqlite::Result<Vec<(FeedId, Moment, Moment)>> {
    conn.prepare_cached(
        "SELECT feed, max(since, ?2), min(until, ?3) FROM assignment \
         WHERE vessel = ?1 AND since < ?3 AND until > ?2 ORDER BY feed, since",
    )?
    .query_map(params![vessel.0, from.0, to.0], |r| {
        Ok((FeedId(r.get(0)?), Moment(r.get(1)?), Moment(r.get(2)?)))
    })?
    .collect()
}
