//! Noting that what was planned has gone in.

use axum::extract::{Path, State};
use axum::response::Response;
use ebbmark_core::deed::{Deed, Dose, What};
use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_core::units::Kilograms;
use ebbmark_store::model::LogLine;

use super::log::write;
use crate::app::App;
use crate::fault::Fault;
use crate::form::{Complaint, Take};
use crate::page::vessel::{self, planned};
use crate::visitor::Posted;

pub(crate) async fn put_in(
    State(app): State<App>,
    Path((id, batch)): Path<(i64, i64)>,
    posted: Posted,
) -> Result<Response, Fault> {
    let (vessel, now) = (VesselId(id), posted.visitor.now);
    let batch = app
        .read(move |reader| reader.batch(BatchId(batch)))
        .await?
        .filter(|b| b.vessel == vessel && b.ended.is_none())
        .ok_or_else(|| Fault::missing("mead"))?;
    let plan = batch.plan.clone();
    let history = app.read(move |reader| reader.history(&batch, now)).await?;
    let deeds = LogLine::standing(history.lines);
    let with = What::from_key(posted.fields.get("with"));
    let step = plan
        .to_go_in(&deeds)
        .into_iter()
        .find(|(step, _)| Some(*step) == with);
    let Some((with, goods)) = step else {
        // It has gone in by now: by the first of two taps, or on another phone.
        return match app.led_to(&posted.once()).await {
            Some(to) => Err(Fault::Already { to }),
            None => Err(Fault::missing("step of the plan")),
        };
    };
    match read(&posted, with, &goods) {
        Ok(deed) => write(&app, vessel, &posted, (deed, None)).await,
        Err(complaints) => {
            let (visitor, draft) = posted.draft(planned::form_of(with), complaints);
            vessel::again(&app, &visitor, vessel, draft).await
        }
    }
}

/// A mass that was not touched keeps the digits that were not shown.
fn read(posted: &Posted, with: What, goods: &[Dose]) -> Result<Deed, Vec<Complaint>> {
    let mut take = Take::new(&posted.fields, &posted.visitor);
    let mut doses = Vec::new();
    for (n, dose) in goods.iter().enumerate() {
        let field = planned::mass_field(n);
        let mass = if posted.fields.get(&field) == posted.visitor.mass(dose.mass) {
            Some(dose.mass)
        } else {
            take.quantity::<Kilograms>(&field, &planned::label(dose))
        };
        if let Some(mass) = mass.filter(|m| m.get() > 0.0) {
            let dose = dose.clone();
            doses.push(Dose { mass, ..dose });
        }
    }
    if doses.is_empty() {
        take.complain(&planned::mass_field(0), "Say how much of it went in");
    }
    let at = take.when("at", "When");
    take.finish(at.map(|at| Deed {
        doses,
        ..Deed::new(at, with)
    }))
}
