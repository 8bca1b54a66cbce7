//! The verdict, the history of its phases, and the notices that follow from it.

use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_core::verdict::outcome::Verdict;
use rusqlite::{OptionalExtension, params};

use super::{Tx, refuse};
use crate::error::StoreError;
use crate::model::{Change, Done, NewNotice};
use crate::{outbox, rows};

pub fn save(
    tx: &mut Tx<'_>,
    vessel: VesselId,
    batch: BatchId,
    verdict: &Verdict,
    sentence: &str,
    notices: &[NewNotice],
) -> Result<Done, StoreError> {
    let owner: Option<i64> = tx
        .conn
        .prepare_cached("SELECT vessel FROM batch WHERE id = ?1")?
        .query_row([batch.0], |r| r.get(0))
        .optional()?;
    if owner != Some(vessel.0) {
        return refuse(format!("batch {batch} is not in vessel {vessel}"));
    }
    let phase = verdict.phase.key();
    let since: Option<i64> = tx
        .conn
        .prepare_cached(
            "SELECT phase_since FROM verdict WHERE vessel = ?1 AND batch = ?2 AND phase = ?3",
        )?
        .query_row(params![vessel.0, batch.0, phase], |r| r.get(0))
        .optional()?;
    if since.is_none() {
        tx.conn
            .prepare_cached(
                "INSERT INTO phase_change (batch, since, phase, sentence) VALUES (?1, ?2, ?3, ?4)",
            )?
            .execute(params![batch.0, verdict.at.0, phase, sentence])?;
    }
    tx.conn
        .prepare_cached(
            "INSERT OR REPLACE INTO verdict \
             (vessel, batch, at, phase, phase_since, sentence, verdict) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        )?
        .execute(params![
            vessel.0,
            batch.0,
            verdict.at.0,
            phase,
            since.unwrap_or(verdict.at.0),
            sentence,
            rows::pack_verdict(verdict)?
        ])?;
    tx.changed(Change::Verdict(vessel));
    outbox::queue(tx, notices).map(Done::Notices)
}
