//! Starting a mead that was made before.

use axum::extract::{Path, State};
use axum::response::Response;
use ebbmark_core::again;
use ebbmark_core::ids::BatchId;
use ebbmark_store::model::{BatchFacts, Command, Vessel};

use super::run;
use crate::app::App;
use crate::fault::Fault;
use crate::form::Take;
use crate::page::card::again::{self as page, AGAIN_FORM};
use crate::page::card::load;
use crate::page::vessel::empty;
use crate::visitor::Posted;

pub(crate) async fn start(
    State(app): State<App>,
    Path(id): Path<i64>,
    posted: Posted,
) -> Result<Response, Fault> {
    let record = load(&app, &posted.visitor, id).await?;
    let before = app.read(move |reader| reader.batch(BatchId(id))).await?;
    let before = before.ok_or_else(|| Fault::missing("mead"))?.facts;
    let free: Vec<Vessel> = app.read(empty).await?;
    let mut take = Take::new(&posted.fields, &posted.visitor);
    let vessel = take.choice("vessel", "Into", |key| {
        free.iter().find(|v| v.id.to_string() == key)
    });
    let volume = take.need("volume", "Volume of must", Take::volume);
    let name = take.name("name", "Name of the mead");
    let started = take.when("started", "Yeast pitched");
    let plan = volume.and_then(|volume| match again::again(&record, volume) {
        Ok(plan) => Some(plan),
        Err(error) => {
            take.complain("volume", page::complaint(error));
            None
        }
    });
    let asked = match (vessel, volume, name, started, plan) {
        (Some(vessel), Some(volume), Some(name), Some(started), Some(plan)) => Some((
            vessel.id,
            BatchFacts {
                name,
                started,
                volume: Some(volume),
                // Measured anew.
                original_gravity: None,
                expected_final: before.expected_final,
                tolerance: before.tolerance,
                yeast: before.yeast,
                honey: before.honey,
                note: format!("Made again from \"{}\", No. {id}.", before.name),
                origin: None,
            },
            plan,
        )),
        _ => None,
    };
    match take.finish(asked) {
        Ok((vessel, facts, plan)) => {
            let command = Command::Planned {
                mead: Box::new(Command::StartBatch { vessel, facts }),
                plan: Box::new(plan),
            };
            let then = format!("/vessel/{vessel}?done=batch");
            run(&app, &posted.once(), command, then).await
        }
        Err(complaints) => {
            let (visitor, draft) = posted.draft(AGAIN_FORM, complaints);
            Ok(page::again(&visitor, &record, &free, &draft))
        }
    }
}
