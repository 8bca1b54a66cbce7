//! Doing what was reckoned: the answer is reckoned again from the same fields, and its step goes
//! into the vessel's log.

use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::Response;
use ebbmark_core::ids::VesselId;

use super::log;
use crate::app::App;
use crate::fault::Fault;
use crate::page;
use crate::reckoned::{By, Wanted};
use crate::visitor::Posted;

/// Of every form, not of the reckoning.
const OF_THE_FORM: [&str; 2] = ["mark", "once"];

pub(crate) async fn act(
    State(app): State<App>,
    Path((id, key)): Path<(i64, String)>,
    posted: Posted,
) -> Result<Response, Fault> {
    let vessel = VesselId(id);
    let pairs = posted.fields.pairs();
    let fields = pairs.filter(|(name, _)| !OF_THE_FORM.contains(name));
    let fields = fields.map(|(n, v)| (n.to_owned(), v.to_owned())).collect();
    let by = By::visitor(&posted.visitor);
    let wanted = Wanted::load(&app, &key, Some(vessel), fields, by).await?;
    let told = match wanted.reckon() {
        Ok(told) => told,
        Err(refusal) => return Ok(page::reckon::again(&posted.visitor, &wanted, refusal)),
    };
    let Some(step) = told.step else {
        return Err(Fault::said(
            StatusCode::UNPROCESSABLE_ENTITY,
            "Nothing to be done follows from this answer, so nothing was written.",
        ));
    };
    log::write(&app, vessel, &posted, (step.deed, None)).await
}
