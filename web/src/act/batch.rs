//! Starting, changing and finishing a mead.

use axum::extract::{Path, State};
use axum::response::Response;
use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_store::model::{BatchFacts, Command};

use super::run;
use crate::app::App;
use crate::fault::Fault;
use crate::form::{Complaint, Take};
use crate::page::vessel::{self, BATCH_FORM, END_FORM};
use crate::visitor::Posted;

pub(crate) async fn start(
    State(app): State<App>,
    Path(id): Path<i64>,
    posted: Posted,
) -> Result<Response, Fault> {
    let vessel = VesselId(id);
    save(&app, vessel, posted, |facts| Command::StartBatch {
        vessel,
        facts,
    })
    .await
}

pub(crate) async fn edit(
    State(app): State<App>,
    Path((id, batch)): Path<(i64, i64)>,
    posted: Posted,
) -> Result<Response, Fault> {
    let vessel = VesselId(id);
    save(&app, vessel, posted, |facts| {
        Command::EditBatch(BatchId(batch), facts)
    })
    .await
}

async fn save(
    app: &App,
    vessel: VesselId,
    posted: Posted,
    command: impl FnOnce(BatchFacts) -> Command,
) -> Result<Response, Fault> {
    match read(&posted) {
        Ok(facts) => {
            let then = format!("/vessel/{vessel}?done=batch");
            run(app, &posted.once(), command(facts), then).await
        }
        Err(complaints) => {
            let (visitor, draft) = posted.draft(BATCH_FORM, complaints);
            vessel::again(app, &visitor, vessel, draft).await
        }
    }
}

pub(crate) async fn end(
    State(app): State<App>,
    Path((id, batch)): Path<(i64, i64)>,
    posted: Posted,
) -> Result<Response, Fault> {
    let mut take = Take::new(&posted.fields, &posted.visitor);
    let at = take.when("at", "When");
    match take.finish(at) {
        Ok(at) => {
            let batch = BatchId(batch);
            let then = format!("/vessel/{id}?done=ended");
            run(&app, &posted.once(), Command::EndBatch { batch, at }, then).await
        }
        Err(complaints) => {
            let (visitor, draft) = posted.draft(END_FORM, complaints);
            vessel::again(&app, &visitor, VesselId(id), draft).await
        }
    }
}

fn read(posted: &Posted) -> Result<BatchFacts, Vec<Complaint>> {
    let mut take = Take::new(&posted.fields, &posted.visitor);
    let name = take.name("name", "Name of the mead");
    let started = take.when("started", "Yeast pitched");
    let original_gravity = take.gravity("original", "Gravity it began at");
    let expected_final = take.gravity("expected", "Gravity you expect it to end at");
    if let (Some(original), Some(expected)) = (original_gravity, expected_final)
        && expected >= original
    {
        take.complain(
            "expected",
            "Gravity you expect it to end at: has to be below the gravity it began at",
        );
    }
    let yeast = take.line("yeast", "Yeast");
    let tolerance = take.strength("tolerance", "Strength the yeast bears");
    let volume = take.volume("volume", "Volume");
    let note = take.note("note", "Note");
    let (Some(name), Some(started), Some(yeast), Some(note)) = (name, started, yeast, note) else {
        return take.finish(None);
    };
    take.finish(Some(BatchFacts {
        name,
        started,
        original_gravity,
        expected_final,
        tolerance,
        volume,
        yeast,
        note,
    }))
}
