//! Vessels with the mead in each, and what is thought of it.

use ebbmark_core::ids::VesselId;
use rusqlite::{Connection, OptionalExtension};

use crate::model::{Batch, StoredVerdict, Vessel};
use crate::rows;

type Sql<T> = rusqlite::Result<T>;

/// See [`crate::Reader::vessels`].
pub fn all(conn: &Connection) -> Sql<Vec<Vessel>> {
    let mut vessels = conn
        .prepare_cached(&format!(
            "SELECT {} FROM vessel v ORDER BY v.retired, v.name, v.id",
            rows::VESSEL
        ))?
        .query_map([], rows::vessel)?
        .collect::<Sql<Vec<_>>>()?;
    for vessel in &mut vessels {
        vessel.batch = running(conn, vessel.id)?;
    }
    Ok(vessels)
}

pub fn one(conn: &Connection, id: VesselId) -> Sql<Option<Vessel>> {
    let found = conn
        .prepare_cached(&format!(
            "SELECT {} FROM vessel v WHERE v.id = ?1",
            rows::VESSEL
        ))?
        .query_row([id.0], rows::vessel)
        .optional()?;
    let Some(mut vessel) = found else {
        return Ok(None);
    };
    vessel.batch = running(conn, id)?;
    Ok(Some(vessel))
}

pub fn running(conn: &Connection, vessel: VesselId) -> Sql<Option<Batch>> {
    conn.prepare_cached(&format!(
        "SELECT {} FROM batch WHERE vessel = ?1 AND ended IS NULL",
        rows::BATCH
    ))?
    .query_row([vessel.0], rows::batch)
    .optional()
}

pub fn name_of(conn: &Connection, id: VesselId) -> Sql<String> {
    conn.prepare_cached("SELECT name FROM vessel WHERE id = ?1")?
        .query_row([id.0], |r| r.get(0))
}

/// The latest; of a mead that ended it stands until the next one's.
pub fn verdict(conn: &Connection, vessel: VesselId) -> Sql<Option<StoredVerdict>> {
    conn.prepare_cached(&format!(
        "SELECT {} FROM verdict WHERE vessel = ?1",
        rows::VERDICT
    ))?
    .query_row([vessel.0], rows::verdict)
    .optional()
}
