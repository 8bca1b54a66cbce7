//! What meads' records come to.

use ebbmark_core::ids::BatchId;
use ebbmark_core::review::FORM;
use rusqlite::params;

use super::Tx;
use crate::error::StoreError;
use crate::model::{Done, Summary};
use crate::rows;

pub fn keep(tx: &Tx<'_>, batch: BatchId, seen: i64, summary: &Summary) -> Result<Done, StoreError> {
    tx.conn
        .prepare_cached(
            "UPDATE summary SET made = ?2, form = ?3, pace = ?4, points = ?5, review = ?6 \
             WHERE batch = ?1 AND (made < ?2 OR form <> ?3)",
        )?
        .execute(params![
            batch.0,
            seen,
            FORM,
            summary.pace.as_ref().map(rows::pace_bytes),
            rows::points_bytes(&summary.points),
            rows::to_json(&summary.review)?,
        ])?;
    Ok(Done::Nothing)
}
