//! What is to be done in the cellar: the record of each mead through the core's rules.

use ebbmark_core::tasks::{self, Record, Task};
use ebbmark_core::text::Style;
use ebbmark_core::time::{Moment, Span};

use crate::error::StoreError;
use crate::model::{Batch, Vessel};
use crate::{Reader, rows};

/// Taken along before the pitch: the first gravity is often read then.
const BEFORE_PITCH: Span = Span::hours(1);

/// A vessel with its mead, and what is to be done with it, what is due first.
#[derive(Clone, Debug)]
pub struct ToDo {
    pub vessel: Vessel,
    pub batch: Batch,
    pub tasks: Vec<Task>,
}

impl Reader {
    /// Of every mead in a vessel in use that has something to be done, in order of the vessels' names.
    pub fn to_do(&self, now: Moment, style: &Style) -> Result<Vec<ToDo>, StoreError> {
        let mut all = Vec::new();
        for vessel in self.vessels()?.into_iter().filter(|v| !v.retired) {
            let Some(batch) = vessel.batch.clone() else {
                continue;
            };
            let tasks = self.tasks_of(&batch, now, style)?;
            if !tasks.is_empty() {
                all.push(ToDo {
                    vessel,
                    batch,
                    tasks,
                });
            }
        }
        Ok(all)
    }

    pub fn tasks_of(
        &self,
        batch: &Batch,
        now: Moment,
        style: &Style,
    ) -> Result<Vec<Task>, StoreError> {
        Ok(tasks::tasks(&self.task_record(batch)?, now, style))
    }

    fn task_record(&self, batch: &Batch) -> Result<Record, StoreError> {
        let mut stays = self.stays(batch, Moment(i64::MAX))?;
        let pitched = stays.first().map_or(batch.facts.started, |s| s.from);
        if let Some(first) = stays.first_mut() {
            first.from = first.from - BEFORE_PITCH;
        }
        let mut deeds = Vec::new();
        for stay in stays {
            let lines = self.log(stay.vessel, stay.from, stay.to)?.into_iter();
            let standing = lines.filter(|line| line.replaced_by.is_none());
            deeds.extend(standing.map(|line| line.deed));
        }
        let verdict = self.verdict(batch.vessel)?.filter(|v| v.batch == batch.id);
        let answers = self.with(|conn| {
            conn.prepare_cached("SELECT task, answer, until FROM task_answer WHERE batch = ?1")?
                .query_map([batch.id.0], rows::answer)?
                .collect()
        })?;
        let facts = &batch.facts;
        Ok(Record {
            pitched,
            began: facts.started,
            original: facts.original_gravity,
            expected_final: facts.expected_final,
            plan: batch.plan.clone(),
            deeds,
            verdict: verdict.map(|v| v.verdict),
            answers,
        })
    }
}
