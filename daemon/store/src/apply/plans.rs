//! What a mead is to become, and the maker's word on the tasks that follow from it.

use ebbmark_core::ids::BatchId;
use ebbmark_core::plan::Plan;
use ebbmark_core::tasks::Answer;
use ebbmark_core::time::Moment;
use rusqlite::params;

use super::vessels::batch;
use super::{Tx, refuse};
use crate::error::StoreError;
use crate::model::{Change, Done};
use crate::rows;

/// No task's key is longer.
const LONGEST_KEY: usize = 200;

pub fn plan(tx: &mut Tx<'_>, id: BatchId, plan: &Plan) -> Result<Done, StoreError> {
    let (vessel, ..) = batch(tx, id)?;
    let text = if plan.is_empty() {
        None
    } else {
        Some(rows::to_json(plan)?)
    };
    tx.conn
        .prepare_cached("UPDATE batch SET plan = ?2 WHERE id = ?1")?
        .execute(params![id.0, text])?;
    tx.changed(Change::Vessel(vessel));
    Ok(Done::Batch(id))
}

pub fn answer(
    tx: &mut Tx<'_>,
    id: BatchId,
    task: &str,
    answer: Answer,
    at: Moment,
) -> Result<Done, StoreError> {
    let (vessel, ..) = batch(tx, id)?;
    if task.is_empty() || task.len() > LONGEST_KEY {
        return refuse("that is no task's key");
    }
    let (word, until) = rows::answer_parts(answer);
    tx.conn
        .prepare_cached(
            "INSERT INTO task_answer (batch, task, answer, until, at) VALUES (?1, ?2, ?3, ?4, ?5) \
             ON CONFLICT DO UPDATE SET answer = excluded.answer, until = excluded.until, \
             at = excluded.at",
        )?
        .execute(params![id.0, task, word, until, at.0])?;
    tx.changed(Change::Vessel(vessel));
    Ok(Done::Nothing)
}
