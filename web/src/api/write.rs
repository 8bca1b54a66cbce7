//! What a program may do to the cellar: what the forms do, as JSON.
//!
//! Each takes one JSON object, complains with 422 of the first thing wrong with it and where, and
//! answers after the commit. With an `Idempotency-Key` the same request twice is done once.

use std::fmt::Display;

use axum::body::Bytes;
use axum::extract::{FromRequest, FromRequestParts, Path, Request, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use ebbmark_core::decode::line::{self, Line};
use ebbmark_core::decode::object::Object;
use ebbmark_core::deed;
use ebbmark_core::ids::{BatchId, FeedId, VesselId};
use ebbmark_core::plan::{MOST_GOODS, MOST_STEEPS, Plan};
use ebbmark_core::reading::Problem;
use ebbmark_core::time::Moment;
use ebbmark_core::words::{LONGEST_NAME, LONGEST_NOTE};
use ebbmark_store::model::{Batch, BatchFacts, Command, Done, Move, Part, VesselFacts};
use ebbmark_store::tasks;
use serde_json::{Value, json};

use super::MayRead;
use crate::act::task::{self, Said};
use crate::again;
use crate::app::App;
use crate::auth::bearer::{Bearer, bearer};
use crate::fault::Fault;
use crate::reckoned::{By, Wanted};
use crate::visitor::{Visitor, from_our_own_page};

/// Meads poured together at once.
const MOST_PARTS: usize = 12;

/// A request of somebody who may write, read as JSON.
pub(crate) struct Sent {
    visitor: Visitor,
    body: Value,
    /// Of the request; empty when it has none.
    key: String,
}

impl FromRequest<App> for Sent {
    type Rejection = Fault;

    async fn from_request(request: Request, app: &App) -> Result<Sent, Fault> {
        let (mut parts, body) = request.into_parts();
        let visitor = Visitor::from_request_parts(&mut parts, app).await?;
        may_write(app, &visitor, &parts.headers).await?;
        let key = key(&parts)?;
        let bytes = Bytes::from_request(Request::from_parts(parts, body), app)
            .await
            .map_err(|e| Fault::said(e.status(), "The body could not be read."))?;
        let body = serde_json::from_slice(&bytes)
            .map_err(|e| refused(format!("the body is not readable as JSON: {e}")))?;
        Ok(Sent { visitor, body, key })
    }
}

/// A token that may, or a session's cookie on a request that a page of another site cannot make.
async fn may_write(app: &App, visitor: &Visitor, headers: &HeaderMap) -> Result<(), Fault> {
    match bearer(app, headers).await? {
        Bearer::Known(scopes) if scopes.write => return Ok(()),
        Bearer::Known(_) => {
            return Err(Fault::said(
                StatusCode::FORBIDDEN,
                "This token may not write; the page \"Who gets in\" makes one that may.",
            ));
        }
        Bearer::Unknown => return Err(unknown_token()),
        Bearer::Nothing => {}
    }
    if visitor.mark().is_none() {
        return Err(Fault::said(
            StatusCode::UNAUTHORIZED,
            "Send a token that may write as \"Authorization: Bearer …\"; the page \"Who gets in\" makes one.",
        ));
    }
    from_our_own_page(headers)?;
    let kind = headers.get(header::CONTENT_TYPE);
    let kind = kind.and_then(|v| v.to_str().ok()).unwrap_or_default();
    // What a form of another site can send has another type.
    match kind.starts_with("application/json") {
        true => Ok(()),
        false => Err(Fault::said(
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            "Send application/json.",
        )),
    }
}

pub(super) fn unknown_token() -> Fault {
    Fault::said(
        StatusCode::UNAUTHORIZED,
        "This is no token of this cellar, or it was revoked; the page \"Who gets in\" makes one.",
    )
}

/// Of one address: what a key made at another is no answer here.
fn key(parts: &Parts) -> Result<String, Fault> {
    let key = again::key(&parts.headers)?;
    Ok(key.map_or_else(String::new, |key| format!("api:{}:{key}", parts.uri.path())))
}

fn refused(say: impl Display) -> Fault {
    Fault::said(StatusCode::UNPROCESSABLE_ENTITY, say.to_string())
}

fn wrong(problem: Problem) -> Fault {
    refused(problem.detail)
}

impl Sent {
    fn object(&self) -> Result<Object<'_>, Fault> {
        Object::whole(&self.body).map_err(wrong)
    }

    /// When it was; now, when nothing is said.
    fn at(&self, object: &Object<'_>, name: &str) -> Result<Moment, Fault> {
        let now = self.visitor.now;
        match object.when(name).map_err(wrong)? {
            None => Ok(now),
            Some(at) => match deed::dated(at, now) {
                Ok(()) => Ok(at.min(now)),
                Err(why) => Err(refused(format!("{name}: it {why}"))),
            },
        }
    }

    /// For the store, which remembers it over a restart.
    fn once(&self) -> Option<String> {
        Some(self.key.clone()).filter(|key| !key.is_empty())
    }

    /// Runs the command, once for each key, and answers with what it made.
    async fn run(&self, app: &App, command: Command) -> Result<Response, Fault> {
        self.once_only(app, async { Ok(command) }).await
    }

    /// As [`Sent::run`]; the command is made within, so that of two at once the second finds what
    /// the first did.
    async fn once_only(
        &self,
        app: &App,
        command: impl Future<Output = Result<Command, Fault>> + Send,
    ) -> Result<Response, Fault> {
        let act = async { Ok(made(&app.command(command.await?).await?).to_string()) };
        let body = app.once(&self.key, act).await?;
        let json = [(header::CONTENT_TYPE, "application/json")];
        Ok((StatusCode::CREATED, json, body).into_response())
    }
}

fn made(done: &Done) -> Value {
    match done {
        Done::Vessel(id) => json!({ "vessel": id }),
        Done::Batch(id) => json!({ "mead": id }),
        Done::Entry(id) => json!({ "line": id }),
        _ => json!({}),
    }
}

pub(crate) async fn vessel(State(app): State<App>, sent: Sent) -> Result<Response, Fault> {
    let facts = vessel_facts(&sent.object()?).map_err(wrong)?;
    if let (Some(low), Some(high)) = (facts.temperature_low, facts.temperature_high)
        && low >= high
    {
        return Err(refused("temperature-high: has to be above temperature-low"));
    }
    sent.run(&app, Command::AddVessel(facts)).await
}

fn vessel_facts(object: &Object<'_>) -> Result<VesselFacts, Problem> {
    object.only(&[
        "name",
        "capacity",
        "temperature-low",
        "temperature-high",
        "tare",
        "place",
    ])?;
    Ok(VesselFacts {
        name: object.name("name")?,
        capacity: object.quantity("capacity")?,
        temperature_low: object.quantity("temperature-low")?,
        temperature_high: object.quantity("temperature-high")?,
        tare: object.quantity("tare")?,
        place: object.words("place", LONGEST_NAME)?,
    })
}

const MEAD: [&str; 10] = [
    "name",
    "at",
    "original-gravity",
    "expected-final",
    "tolerance",
    "volume",
    "yeast",
    "honey",
    "note",
    "plan",
];

const PLAN: [&str; 11] = [
    "gravity",
    "strength",
    "style",
    "nutrient",
    "rouse",
    "steeps",
    "finish",
    "fine",
    "pack",
    "sparkling",
    "goods",
];

/// A must in an empty vessel.
pub(crate) async fn start(
    State(app): State<App>,
    Path(vessel): Path<i64>,
    sent: Sent,
) -> Result<Response, Fault> {
    let object = sent.object()?;
    object.only(&MEAD).map_err(wrong)?;
    let started = sent.at(&object, "at")?;
    let facts = mead_facts(&object, started).map_err(wrong)?;
    if let (Some(original), Some(expected)) = (facts.original_gravity, facts.expected_final)
        && expected >= original
    {
        return Err(refused("expected-final: has to be below original-gravity"));
    }
    let command = Command::StartBatch {
        vessel: VesselId(vessel),
        facts,
    };
    sent.run(&app, planned(&sent, command)?).await
}

fn mead_facts(object: &Object<'_>, started: Moment) -> Result<BatchFacts, Problem> {
    Ok(BatchFacts {
        name: object.name("name")?,
        started,
        original_gravity: object.quantity("original-gravity")?,
        expected_final: object.quantity("expected-final")?,
        tolerance: object.quantity("tolerance")?,
        volume: object.quantity("volume")?,
        yeast: object.words("yeast", LONGEST_NAME)?,
        honey: object.words("honey", LONGEST_NAME)?,
        note: object.words("note", LONGEST_NOTE)?,
        origin: None,
    })
}

fn plan(sent: &Sent) -> Result<Option<Plan>, Fault> {
    let Some(value) = sent.body.get("plan").filter(|v| !v.is_null()) else {
        return Ok(None);
    };
    plan_names(&sent.object()?).map_err(wrong)?;
    let plan: Plan =
        serde_json::from_value(value.clone()).map_err(|e| refused(format!("plan: {e}")))?;
    plan.check().map_err(|why| refused(format!("plan/{why}")))?;
    Ok(Some(plan))
}

/// A plan that was kept may have been written by a later program; one that is sent has no names but
/// ours.
fn plan_names(object: &Object<'_>) -> Result<(), Problem> {
    let Some(plan) = object.within("plan")? else {
        return Ok(());
    };
    plan.only(&PLAN)?;
    if let Some(nutrient) = plan.within("nutrient")? {
        nutrient.only(&["steps", "by"])?;
    }
    for steep in plan.list("steeps", MOST_STEEPS)? {
        steep.only(&["name", "days", "push-every"])?;
    }
    for good in plan.list("goods", MOST_GOODS)? {
        good.only(&["with", "of", "mass", "name", "extract"])?;
    }
    Ok(())
}

fn planned(sent: &Sent, command: Command) -> Result<Command, Fault> {
    Ok(match plan(sent)? {
        None => command,
        Some(plan) => Command::Planned {
            mead: Box::new(command),
            plan: Box::new(plan),
        },
    })
}

/// A line of the log, in the form of [`line`].
pub(crate) async fn log(
    State(app): State<App>,
    Path(vessel): Path<i64>,
    sent: Sent,
) -> Result<Response, Fault> {
    let (vessel, now) = (VesselId(vessel), sent.visitor.now);
    let payload = sent.body.to_string();
    let read = line::read(payload.as_bytes(), Some(now), false).map_err(wrong)?;
    let (deed, hand) = match read {
        None => return Err(Fault::broken("a line with a time of arrival waits for one")),
        Some(Line::Deed(deed, _)) => (*deed, None),
        Some(Line::Hand(hand)) => {
            let at = hand.at;
            let original = app
                .read(move |reader| reader.original_gravity(vessel, at))
                .await?;
            let deed = hand
                .deed(original)
                .map_err(|e| refused(format!("gravity: corrected for temperature, {e}")))?;
            (deed, Some(hand.facts()))
        }
    };
    let command = Command::Log {
        vessel,
        deed,
        hand,
        once: sent.once(),
        made_at: now,
    };
    sent.run(&app, command).await
}

async fn mead(app: &App, id: BatchId) -> Result<Batch, Fault> {
    app.read(move |reader| reader.batch(id))
        .await?
        .ok_or_else(|| Fault::missing("mead"))
}

/// Parts of meads into a vessel: of one it is a split, of several a blend.
pub(crate) async fn pour(State(app): State<App>, sent: Sent) -> Result<Response, Fault> {
    let object = sent.object()?;
    let known = ["into", "name", "at", "parts", "note", "float", "plan"];
    object.only(&known).map_err(wrong)?;
    let (into, name, parts) = pour_of(&object).map_err(wrong)?;
    let at = sent.at(&object, "at")?;
    let Some(largest) = Part::largest(&parts) else {
        return Err(refused("parts: at least one is needed"));
    };
    let largest = mead(&app, largest.parent).await?;
    let feeds = match object.flag("float").map_err(wrong)? {
        true => floats(&app, largest.vessel).await?,
        false => Vec::new(),
    };
    let command = Command::PourBatch {
        vessel: into,
        facts: BatchFacts {
            name,
            started: at,
            volume: None,
            note: object.words("note", LONGEST_NOTE).map_err(wrong)?,
            ..largest.facts
        },
        parts,
        feeds,
        once: sent.once(),
        made_at: sent.visitor.now,
    };
    sent.run(&app, planned(&sent, command)?).await
}

fn pour_of(object: &Object<'_>) -> Result<(VesselId, String, Vec<Part>), Problem> {
    let part = |part: &Object<'_>| {
        part.only(&["mead", "volume", "emptied"])?;
        Ok(Part {
            parent: BatchId(part.number("mead")?.ok_or_else(|| part.missing("mead"))?),
            volume: part.quantity("volume")?,
            emptied: part.flag("emptied")?,
        })
    };
    let into = object
        .number("into")?
        .ok_or_else(|| object.missing("into"))?;
    let parts = object.list("parts", MOST_PARTS)?;
    let parts: Result<Vec<Part>, Problem> = parts.iter().map(part).collect();
    Ok((VesselId(into), object.name("name")?, parts?))
}

/// The floats in a vessel.
async fn floats(app: &App, vessel: VesselId) -> Result<Vec<FeedId>, Fault> {
    app.read(move |reader| reader.floats_in(vessel)).await
}

/// All of it into another vessel.
pub(crate) async fn move_to(
    State(app): State<App>,
    Path(id): Path<i64>,
    sent: Sent,
) -> Result<Response, Fault> {
    let object = sent.object()?;
    let known = ["into", "at", "volume", "note", "float"];
    object.only(&known).map_err(wrong)?;
    let batch = mead(&app, BatchId(id)).await?;
    let into = object.number("into").map_err(wrong)?;
    let feeds = match object.flag("float").map_err(wrong)? {
        true => floats(&app, batch.vessel).await?,
        false => Vec::new(),
    };
    let asked = Move {
        batch: batch.id,
        from: batch.vessel,
        to: VesselId(into.ok_or_else(|| wrong(object.missing("into")))?),
        at: sent.at(&object, "at")?,
        volume: object.quantity("volume").map_err(wrong)?,
        note: object.words("note", LONGEST_NOTE).map_err(wrong)?,
        feeds,
        once: sent.once(),
        made_at: sent.visitor.now,
    };
    sent.run(&app, Command::MoveBatch(asked)).await
}

/// It is finished, and its vessel empty.
pub(crate) async fn end(
    State(app): State<App>,
    Path(id): Path<i64>,
    sent: Sent,
) -> Result<Response, Fault> {
    let object = sent.object()?;
    object.only(&["at"]).map_err(wrong)?;
    let batch = mead(&app, BatchId(id)).await?.id;
    let at = sent.at(&object, "at")?;
    sent.run(&app, Command::EndBatch { batch, at }).await
}

/// What it is to become, in place of what was planned.
pub(crate) async fn replan(
    State(app): State<App>,
    Path(id): Path<i64>,
    sent: Sent,
) -> Result<Response, Fault> {
    let object = sent.object()?;
    object.only(&["plan"]).map_err(wrong)?;
    let batch = mead(&app, BatchId(id)).await?.id;
    let plan = plan(&sent)?.ok_or_else(|| wrong(object.missing("plan")))?;
    let plan = Box::new(plan);
    sent.run(&app, Command::Plan { batch, plan }).await
}

/// What is to be done, as on the topic `ebbmark/tasks`.
pub(crate) async fn tasks(
    MayRead(visitor): MayRead,
    State(app): State<App>,
) -> Result<Response, Fault> {
    let said = app
        .read(move |reader| {
            let to_do = reader.to_do(visitor.now, &visitor.style())?;
            Ok(tasks::said(&to_do, visitor.now, &visitor.style()))
        })
        .await?;
    Ok(axum::Json(said).into_response())
}

/// The maker's word on a task.
pub(crate) async fn answer(
    State(app): State<App>,
    Path(id): Path<i64>,
    sent: Sent,
) -> Result<Response, Fault> {
    let object = sent.object()?;
    object.only(&["task", "answer", "until"]).map_err(wrong)?;
    let key = object.words("task", LONGEST_NOTE).map_err(wrong)?;
    let word = object.words("answer", LONGEST_NAME).map_err(wrong)?;
    let said = match word.as_str() {
        "done" => Said::Done,
        "not-this-time" => Said::NotThisTime,
        "later" => {
            let until = object.when("until").map_err(wrong)?;
            let until = until.ok_or_else(|| wrong(object.missing("until")))?;
            task::ahead(until, sent.visitor.now).map_err(|why| refused(format!("until: {why}")))?;
            Said::Later(until)
        }
        _ => {
            return Err(refused(
                "answer: it has to be one of done, later, not-this-time",
            ));
        }
    };
    let command = async {
        let (batch, task) = task::find(&app, BatchId(id), &sent.visitor, &key)
            .await?
            .ok_or_else(|| refused(format!("task: \"{key}\" is not to be done, or no more")))?;
        task::command(&batch, task, said, sent.visitor.now, sent.once())
    };
    sent.once_only(&app, command).await
}

/// Reckons and does it: the step and its doses go into the log. The fields as in the query of
/// the answer.
pub(crate) async fn reckon(
    State(app): State<App>,
    Path((vessel, key)): Path<(i64, String)>,
    sent: Sent,
) -> Result<Response, Fault> {
    let vessel = VesselId(vessel);
    let Value::Object(object) = &sent.body else {
        return Err(refused("a JSON object is needed"));
    };
    let field = |(name, value): (&String, &Value)| match value {
        Value::String(text) => Ok((name.clone(), text.clone())),
        Value::Number(number) => Ok((name.clone(), number.to_string())),
        _ => Err(refused(format!("{name}: text or a number is needed"))),
    };
    let fields: Result<Vec<_>, Fault> = object.iter().map(field).collect();
    let by = By::program(&sent.visitor);
    let wanted = Wanted::load(&app, &key, Some(vessel), fields?, by).await?;
    let told = match super::reckon::told(&wanted) {
        Ok(told) => told,
        Err(answer) => return Ok(*answer),
    };
    let Some(step) = told.step else {
        return Err(refused(
            "nothing to be done follows from this answer, so nothing was written",
        ));
    };
    let command = Command::Log {
        vessel,
        deed: step.deed,
        hand: None,
        once: sent.once(),
        made_at: sent.visitor.now,
    };
    sent.run(&app, command).await
}
