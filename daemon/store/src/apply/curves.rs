//! How meads went that settled.

use ebbmark_core::ids::BatchId;
use ebbmark_core::learn::CurveRecord;
use ebbmark_core::time::Moment;
use rusqlite::params;

use super::{Tx, refuse, vessels};
use crate::error::StoreError;
use crate::model::Done;
use crate::rows;

pub fn keep(
    tx: &Tx<'_>,
    batch: BatchId,
    at: Moment,
    record: &CurveRecord,
) -> Result<Done, StoreError> {
    vessels::batch(tx, batch)?;
    let params = record.families.iter().flat_map(|(_, params)| params);
    if !params
        .chain([&record.original, &record.ended])
        .all(|v| v.is_finite())
    {
        return refuse(format!(
            "the curve of batch {batch} has a value that is no number"
        ));
    }
    tx.conn
        .prepare_cached(&format!(
            "INSERT OR REPLACE INTO curve_record ({}, at) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
            rows::CURVE
        ))?
        .execute(params![
            batch.0,
            record.yeast,
            record.honey,
            record.original,
            record.ended,
            rows::families_json(&record.families)?,
            at.0,
        ])?;
    Ok(Done::Nothing)
}
