//! Which mead was in a vessel at a time, and where a mead was before it was split off.

use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_core::time::Moment;
use ebbmark_core::units::Gravity;
use rusqlite::{Connection, OptionalExtension, params};

use crate::model::{Batch, Stay};
use crate::rows;

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
            "SELECT original_gravity FROM batch \
             WHERE vessel = ?1 AND started <= ?2 AND (ended IS NULL OR ?2 < ended) \
             ORDER BY started DESC LIMIT 1",
        )?
        .query_row(params![vessel.0, at.0], |r| r.get(0))
        .optional()?;
    Ok(found.flatten().map(Gravity::computed))
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

/// See [`crate::Reader::stays`].
pub fn stays(conn: &Connection, batch: &Batch, to: Moment) -> rusqlite::Result<Vec<Stay>> {
    let mut stays = Vec::new();
    let mut batch = batch.clone();
    let mut to = to;
    let mut seen = Vec::new();
    loop {
        seen.push(batch.id);
        let origin = batch
            .facts
            .origin
            .filter(|o| seen.len() <= DEEPEST && !seen.contains(&o.parent));
        stays.push(Stay {
            vessel: batch.vessel,
            from: origin.map_or(batch.facts.started, |o| o.at),
            to,
        });
        let Some(origin) = origin else { break };
        let parent = conn
            .prepare_cached(&format!("SELECT {} FROM batch WHERE id = ?1", rows::BATCH))?
            .query_row([origin.parent.0], rows::batch)
            .optional()?;
        let Some(parent) = parent else { break };
        to = origin.at;
        batch = parent;
    }
    stays.reverse();
    Ok(stays)
}
