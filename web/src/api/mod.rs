//! What the pages say and do, for programs.

pub(crate) mod archive;
pub(crate) mod document;
pub(crate) mod reckon;
pub(crate) mod write;

use axum::Json;
use axum::extract::{FromRequestParts, Path, State};
use axum::http::StatusCode;
use axum::http::request::Parts;
use ebbmark_core::card::{self, Card};
use ebbmark_core::ids::VesselId;
use ebbmark_core::plan::Plan;
use ebbmark_core::verdict::outcome::Verdict;
use ebbmark_store::model::{BatchFacts, StoredVerdict, Vessel, VesselFacts};
use serde::Serialize;

use crate::app::App;
use crate::auth::bearer::{Bearer, bearer, shown};
use crate::fault::Fault;
use crate::visitor::{Looking, Standing, Visitor};

/// Who may read; a program is told so instead of being led to the sign-in page.
pub(crate) struct MayRead(pub Visitor);

impl FromRequestParts<App> for MayRead {
    type Rejection = Fault;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<MayRead, Fault> {
        let visitor = Visitor::from_request_parts(parts, app).await?;
        if visitor.standing != Standing::Outside {
            return Ok(MayRead(visitor));
        }
        match bearer(app, &parts.headers).await? {
            Bearer::Known(scopes) if scopes.look || scopes.write => Ok(MayRead(visitor)),
            Bearer::Known(_) => Err(Fault::said(
                StatusCode::FORBIDDEN,
                "This token may not read; the page \"Who gets in\" makes one that may.",
            )),
            Bearer::Unknown => Err(write::unknown_token()),
            Bearer::Nothing => Err(Fault::said(
                StatusCode::UNAUTHORIZED,
                "Send a token that may read as \"Authorization: Bearer …\"; the page \"Who gets in\" \
                 makes one, or lets everybody read.",
            )),
        }
    }
}

/// Which program this is.
#[derive(Serialize)]
pub(crate) struct About {
    version: &'static str,
    /// Of the database.
    schema: i64,
}

pub(crate) async fn about(_: MayRead) -> Json<About> {
    Json(About {
        version: env!("CARGO_PKG_VERSION"),
        schema: ebbmark_store::SCHEMA,
    })
}

/// Who may have a file: a person who may look (or is led to sign in), a program with the token.
pub(crate) struct Keeping(pub Visitor);

impl FromRequestParts<App> for Keeping {
    type Rejection = Fault;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Keeping, Fault> {
        if shown(&parts.headers).is_some() {
            let MayRead(visitor) = MayRead::from_request_parts(parts, app).await?;
            return Ok(Keeping(visitor));
        }
        let Looking(visitor) = Looking::from_request_parts(parts, app).await?;
        Ok(Keeping(visitor))
    }
}

#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) struct VesselState {
    id: VesselId,
    #[serde(flatten)]
    facts: VesselFacts,
    retired: bool,
    mead: Option<BatchFacts>,
    plan: Option<Plan>,
    sentence: Option<String>,
    phase_since: Option<String>,
    verdict: Option<Verdict>,
}

impl VesselState {
    fn new(vessel: Vessel, verdict: Option<StoredVerdict>) -> VesselState {
        let batch = vessel.batch.as_ref().map(|b| b.id);
        // A verdict on the mead before says nothing about this one.
        let verdict = verdict.filter(|v| Some(v.batch) == batch);
        VesselState {
            id: vessel.id,
            facts: vessel.facts,
            retired: vessel.retired,
            plan: vessel.batch.as_ref().map(|b| b.plan.clone()),
            mead: vessel.batch.map(|b| b.facts),
            sentence: verdict.as_ref().map(|v| v.sentence.clone()),
            phase_since: verdict.as_ref().map(|v| v.phase_since.to_rfc3339()),
            verdict: verdict.map(|v| v.verdict),
        }
    }
}

pub(crate) async fn vessels(
    _: MayRead,
    State(app): State<App>,
) -> Result<Json<Vec<VesselState>>, Fault> {
    let states = app
        .read(|reader| {
            let mut verdicts = reader.verdicts()?;
            let mut states = Vec::new();
            for vessel in reader.vessels()? {
                let at = verdicts.iter().position(|v| v.vessel == vessel.id);
                let verdict = at.map(|at| verdicts.swap_remove(at));
                states.push(VesselState::new(vessel, verdict));
            }
            Ok(states)
        })
        .await?;
    Ok(Json(states))
}

/// The card of a mead, as `daemon/core/card.schema.json` describes it.
pub(crate) async fn card(
    MayRead(visitor): MayRead,
    State(app): State<App>,
    Path(id): Path<i64>,
) -> Result<Json<Card>, Fault> {
    let record = crate::page::card::load(&app, &visitor, id).await?;
    Ok(Json(card::card(&record)))
}

pub(crate) async fn vessel(
    _: MayRead,
    State(app): State<App>,
    Path(id): Path<i64>,
) -> Result<Json<VesselState>, Fault> {
    let id = VesselId(id);
    let found = app
        .read(move |reader| Ok((reader.vessel(id)?, reader.verdict(id)?)))
        .await?;
    match found {
        (Some(vessel), verdict) => Ok(Json(VesselState::new(vessel, verdict))),
        (None, _) => Err(Fault::missing("vessel")),
    }
}
