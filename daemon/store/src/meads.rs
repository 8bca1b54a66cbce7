//! Which mead was in a vessel at a time.

use ebbmark_core::ids::VesselId;
use ebbmark_core::time::Moment;
use ebbmark_core::units::Gravity;
use rusqlite::{Connection, OptionalExtension, params};

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
