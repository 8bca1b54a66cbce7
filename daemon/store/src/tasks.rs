//! What is to be done in the cellar: the record of each mead through the core's rules.

use ebbmark_core::deed::Deed;
use ebbmark_core::hours::Hour;
use ebbmark_core::tasks::{self, Record, Task};
use ebbmark_core::text::Style;
use ebbmark_core::time::Moment;
use rusqlite::Connection;
use serde_json::{Value, json};

use crate::at_hand::Grain;
use crate::error::StoreError;
use crate::meads::Past;
use crate::model::{Batch, LogLine, StoredVerdict, Vessel};
use crate::{Reader, meads, rows, vessels};

/// A vessel with its mead, and what is to be done with it, what is due first.
#[derive(Clone, Debug)]
pub struct ToDo {
    pub vessel: Vessel,
    pub batch: Batch,
    pub tasks: Vec<Task>,
}

/// The list for programs: what is due first in each vessel. Its form is described with the topic
/// `ebbmark/tasks`.
pub fn said(to_do: &[ToDo], now: Moment, style: &Style) -> Value {
    let each = to_do.iter().flat_map(|one| {
        one.tasks.iter().map(move |task| {
            json!({
                "vessel": one.vessel.facts.name,
                "mead": one.batch.facts.name,
                "mead_number": one.batch.id,
                "task": task.key,
                "kind": task.kind,
                "title": task.title,
                "reason": task.reason,
                "is_due": task.is_due(now),
                "due": task.moment().map(Moment::to_rfc3339),
                "when": task.when(now, style),
                "done_by": task.kind.deed(),
            })
        })
    });
    Value::Array(each.collect())
}

/// A mead at a glance: what it inherited first.
#[derive(Clone, Debug)]
pub struct Glance {
    /// The pitch, of the mead it was split off from if it was.
    pub started: Moment,
    /// About as many as were asked for.
    pub hours: Vec<Hour>,
    /// Standing lines.
    pub deeds: Vec<Deed>,
    pub verdict: Option<StoredVerdict>,
    pub tasks: Vec<Task>,
}

impl Reader {
    /// Of every mead in a vessel in use that has something to be done, in order of the vessels' names.
    pub fn to_do(&self, now: Moment, style: &Style) -> Result<Vec<ToDo>, StoreError> {
        self.with(|conn| {
            let mut all = Vec::new();
            for vessel in vessels::all(conn)?.into_iter().filter(|v| !v.retired) {
                let Some(batch) = vessel.batch.clone() else {
                    continue;
                };
                let tasks = tasks::tasks(&record(conn, &batch)?, now, style);
                if !tasks.is_empty() {
                    all.push(ToDo {
                        vessel,
                        batch,
                        tasks,
                    });
                }
            }
            Ok(all)
        })
    }

    pub fn tasks_of(
        &self,
        batch: &Batch,
        now: Moment,
        style: &Style,
    ) -> Result<Vec<Task>, StoreError> {
        let record = self.with(|conn| record(conn, batch))?;
        Ok(tasks::tasks(&record, now, style))
    }

    /// With hours for a curve of some `points`.
    pub fn glance(
        &self,
        batch: &Batch,
        now: Moment,
        points: u32,
        style: &Style,
    ) -> Result<Glance, StoreError> {
        self.with(|conn| {
            let past = meads::past(conn, batch, Moment(i64::MAX))?;
            let started = past.started;
            let hours = past.hours(conn, now, Grain::over(now.since(started), points))?;
            let verdict = verdict(conn, batch)?;
            let record = filled(conn, batch, past, verdict.as_ref())?;
            Ok(Glance {
                started,
                hours,
                tasks: tasks::tasks(&record, now, style),
                deeds: record.deeds,
                verdict,
            })
        })
    }
}

fn record(conn: &Connection, batch: &Batch) -> rusqlite::Result<Record> {
    let past = meads::past(conn, batch, Moment(i64::MAX))?;
    let verdict = verdict(conn, batch)?;
    filled(conn, batch, past, verdict.as_ref())
}

fn verdict(conn: &Connection, batch: &Batch) -> rusqlite::Result<Option<StoredVerdict>> {
    Ok(vessels::verdict(conn, batch.vessel)?.filter(|v| v.batch == batch.id))
}

fn filled(
    conn: &Connection,
    batch: &Batch,
    past: Past,
    verdict: Option<&StoredVerdict>,
) -> rusqlite::Result<Record> {
    let answers = conn
        .prepare_cached("SELECT task, answer, until FROM task_answer WHERE batch = ?1")?
        .query_map([batch.id.0], rows::answer)?
        .collect::<rusqlite::Result<_>>()?;
    let facts = &batch.facts;
    Ok(Record {
        pitched: past.started,
        began: facts.started,
        original: facts.original_gravity,
        expected_final: facts.expected_final,
        tolerance: facts.tolerance,
        plan: batch.plan.clone(),
        deeds: LogLine::standing(past.lines),
        verdict: verdict.map(|v| v.verdict.clone()),
        answers,
    })
}
