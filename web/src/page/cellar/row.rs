//! One vessel of the cellar, and how urgent it is.

use ebbmark_core::deed::What;
use ebbmark_core::hours::Hour;
use ebbmark_core::tasks::{Kind, Task};
use ebbmark_core::time::Moment;
use ebbmark_core::verdict::outcome::{Gates, Phase};
use ebbmark_store::model::{Feed, StoredVerdict, Vessel};
use ebbmark_store::tasks::Glance;
use ebbmark_store::{Reader, StoreError};

use super::{ahead, last_reading};
use crate::app::App;
use crate::chart::SPARK_POINTS;
use crate::fault::Fault;
use crate::visitor::Visitor;

/// What is in the cellar, what wants something first.
pub(super) struct Cellar {
    pub rows: Vec<Row>,
    pub unclaimed: usize,
}

pub(super) struct Row {
    pub vessel: Vessel,
    pub verdict: Option<StoredVerdict>,
    /// Deeds since the pitch of this mead.
    pub done: Vec<(Moment, What)>,
    /// Whether one of `tasks` may be done now.
    pub due: bool,
    pub tasks: Vec<Task>,
    pub hours: Vec<Hour>,
    pub from: Moment,
    pub last: Option<Moment>,
}

pub(super) async fn load(app: &App, visitor: &Visitor) -> Result<Cellar, Fault> {
    let by = visitor.clone();
    app.read(move |reader| {
        let mut rows = Vec::new();
        let feeds = reader.feeds()?;
        for vessel in reader.vessels()?.into_iter().filter(|v| !v.retired) {
            rows.push(Row::load(reader, vessel, &feeds, &by)?);
        }
        rows.sort_by_key(Row::urgency);
        let unclaimed = reader.unclaimed_count()?;
        Ok(Cellar { rows, unclaimed })
    })
    .await
}

impl Row {
    fn load(
        reader: &Reader,
        vessel: Vessel,
        feeds: &[Feed],
        by: &Visitor,
    ) -> Result<Row, StoreError> {
        let now = by.now;
        let Some(batch) = &vessel.batch else {
            return Ok(Row {
                vessel,
                verdict: None,
                done: Vec::new(),
                due: false,
                tasks: Vec::new(),
                hours: Vec::new(),
                from: now,
                last: None,
            });
        };
        let Glance {
            started,
            hours,
            deeds,
            verdict,
            tasks,
        } = reader.glance(batch, now, SPARK_POINTS, &by.style())?;
        Ok(Row {
            done: deeds.iter().map(|deed| (deed.at, deed.what)).collect(),
            due: tasks.iter().any(|task| task.is_due(now)),
            tasks,
            hours,
            last: last_reading(
                verdict.as_ref().map(|v| &v.verdict),
                feeds.iter().filter(|f| f.vessel == Some(vessel.id)),
            ),
            vessel,
            verdict,
            from: started,
        })
    }

    /// Smaller comes first.
    fn urgency(&self) -> u8 {
        if self.vessel.batch.is_none() {
            return 7;
        }
        let Some(stored) = &self.verdict else {
            return if self.due { 2 } else { 3 };
        };
        match stored.verdict.phase {
            Phase::Restarted => 0,
            Phase::Stuck | Phase::Resting => 1,
            Phase::Settled if self.may_go_on(&stored.verdict.gates) => 2,
            _ if self.due => 2,
            Phase::NoData => 3,
            Phase::Lag | Phase::Active | Phase::Slowing => 4,
            Phase::Settled => 5,
        }
    }

    pub fn wants_attention(&self) -> bool {
        self.urgency() <= 2
    }

    /// A task that is due says what the next step would say.
    pub fn asks_for_a_step(&self, now: Moment) -> bool {
        let steps = [What::Rack, What::Stabilise, What::Seal];
        steps.into_iter().any(|step| self.is_due(step, now))
    }

    /// Whether this step is a task that is due.
    pub fn is_due(&self, step: What, now: Moment) -> bool {
        let kind = match step {
            What::Rack => Kind::Rack,
            What::Stabilise => Kind::Stabilise,
            What::Seal => Kind::Seal,
            _ => return false,
        };
        self.tasks.iter().any(|t| t.kind == kind && t.is_due(now))
    }

    /// Whether a step not yet taken may be taken.
    fn may_go_on(&self, gates: &Gates) -> bool {
        ahead(gates, &self.done).iter().any(|step| step.gate.open)
    }
}
