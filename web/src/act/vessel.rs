//! Adding, changing and retiring vessels.

use axum::extract::{Path, State};
use axum::response::Response;
use ebbmark_core::ids::VesselId;
use ebbmark_core::units::Kilograms;
use ebbmark_store::model::{Command, Done, VesselFacts};

use super::{run, see};
use crate::app::App;
use crate::fault::Fault;
use crate::form::{Complaint, Take};
use crate::page;
use crate::visitor::Posted;

pub(crate) async fn add(State(app): State<App>, posted: Posted) -> Result<Response, Fault> {
    let facts = match read(&posted) {
        Ok(facts) => facts,
        Err(complaints) => {
            let (visitor, draft) = posted.draft(page::cellar::ADD_FORM, complaints);
            return page::cellar::again(&app, &visitor, &draft).await;
        }
    };
    let act = async {
        Ok(match app.command(Command::AddVessel(facts)).await? {
            // On to its page: the mead in it comes next.
            Done::Vessel(id) => format!("/vessel/{id}"),
            _ => "/?done=vessel".to_owned(),
        })
    };
    app.once(&posted.once(), act).await.map(|to| see(&to))
}

pub(crate) async fn edit(
    State(app): State<App>,
    Path(id): Path<i64>,
    posted: Posted,
) -> Result<Response, Fault> {
    let vessel = VesselId(id);
    match read(&posted) {
        Ok(facts) => {
            let command = Command::EditVessel(vessel, facts);
            run(
                &app,
                &posted.once(),
                command,
                format!("/vessel/{id}?done=vessel"),
            )
            .await
        }
        Err(complaints) => {
            let (visitor, draft) = posted.draft(page::vessel::FACTS_FORM, complaints);
            page::vessel::again(&app, &visitor, vessel, draft).await
        }
    }
}

pub(crate) async fn retire(
    State(app): State<App>,
    Path(id): Path<i64>,
    posted: Posted,
) -> Result<Response, Fault> {
    let command = Command::RetireVessel(VesselId(id));
    run(&app, &posted.once(), command, "/?done=retired".to_owned()).await
}

fn read(posted: &Posted) -> Result<VesselFacts, Vec<Complaint>> {
    let mut take = Take::new(&posted.fields, &posted.visitor);
    let name = take.name("name", "Name");
    let capacity = take.volume("capacity", "Holds");
    let low = take.temperature("low", "Not colder than");
    let high = take.temperature("high", "Not warmer than");
    if let (Some(low), Some(high)) = (low, high)
        && low >= high
    {
        take.complain(
            "high",
            "Not warmer than: has to be above \"not colder than\"",
        );
    }
    let tare: Option<Kilograms> = take.quantity("tare", "Empty it weighs");
    let place = take.line("place", "Where it stands");
    let facts = name.zip(place).map(|(name, place)| VesselFacts {
        name,
        capacity,
        temperature_low: low,
        temperature_high: high,
        tare,
        place,
    });
    take.finish(facts)
}
