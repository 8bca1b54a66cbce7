//! Starting, changing and finishing a mead.

use axum::extract::{Path, State};
use axum::response::Response;
use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_core::plan::Plan;
use ebbmark_store::model::{Batch, BatchFacts, Command, Origin, Part};

use super::{plan, run};
use crate::app::App;
use crate::fault::Fault;
use crate::form::{Complaint, Take, both, local_text};
use crate::page::vessel::{self, BATCH_FORM, END_FORM};
use crate::visitor::Posted;

pub(crate) async fn start(
    State(app): State<App>,
    Path(id): Path<i64>,
    posted: Posted,
) -> Result<Response, Fault> {
    let vessel = VesselId(id);
    let meads = app.read(|reader| reader.vessels()).await?;
    let running: Vec<Batch> = meads.into_iter().filter_map(|v| v.batch).collect();
    let read = both(
        read(&posted, &running, None),
        plan::read(&posted, &Plan::default()),
    );
    let (once, made_at) = (posted.once_kept(), posted.visitor.now);
    save(&app, vessel, posted, read, |facts| match facts.origin {
        None => Command::StartBatch { vessel, facts },
        Some(Origin { parent, .. }) => Command::PourBatch {
            vessel,
            parts: vec![Part {
                parent,
                volume: facts.volume,
                emptied: false,
            }],
            facts,
            feeds: Vec::new(),
            once,
            made_at,
        },
    })
    .await
}

pub(crate) async fn edit(
    State(app): State<App>,
    Path((id, batch)): Path<(i64, i64)>,
    posted: Posted,
) -> Result<Response, Fault> {
    let (vessel, batch) = (VesselId(id), BatchId(batch));
    let known = app.read(move |reader| reader.batch(batch)).await?;
    // What it was split off from is no field of the form and stays.
    let origin = known.as_ref().and_then(|b| b.facts.origin);
    let (started, planned) =
        known.map_or((None, Plan::default()), |b| (Some(b.facts.started), b.plan));
    let mut facts = read(&posted, &[], origin.map(|o| o.parent));
    // A field holds minutes: what was not changed is not to lose its seconds.
    let text = |at| local_text(at, &posted.visitor.zone);
    if let (Ok(facts), Some(started)) = (&mut facts, started)
        && text(facts.started) == text(started)
    {
        facts.started = started;
        facts.origin = facts.origin.map(|o| Origin { at: started, ..o });
    }
    let read = both(facts, plan::read(&posted, &planned));
    save(&app, vessel, posted, read, |facts| {
        Command::EditBatch(batch, facts)
    })
    .await
}

async fn save(
    app: &App,
    vessel: VesselId,
    posted: Posted,
    read: Result<(BatchFacts, Option<Plan>), Vec<Complaint>>,
    command: impl FnOnce(BatchFacts) -> Command,
) -> Result<Response, Fault> {
    match read {
        Ok((facts, plan)) => {
            let mead = command(facts);
            let command = match plan {
                Some(plan) => Command::Planned {
                    mead: Box::new(mead),
                    plan: Box::new(plan),
                },
                None => mead,
            };
            let then = format!("/vessel/{vessel}?done=batch");
            run(app, &posted.once(), command, then).await
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

/// `running` are the meads it may be split off from: what is left empty is taken from the one
/// chosen. `parent` is the one it was split off from when it was started.
fn read(
    posted: &Posted,
    running: &[Batch],
    parent: Option<BatchId>,
) -> Result<BatchFacts, Vec<Complaint>> {
    let mut take = Take::new(&posted.fields, &posted.visitor);
    let chosen = take.choice("origin", "Split off from", |key| match key {
        "" => Some(None),
        key => running.iter().find(|b| b.id.to_string() == key).map(Some),
    });
    let chosen = chosen.flatten();
    let other = chosen.map(|b| &b.facts);
    let name = match other {
        Some(other) => take
            .line("name", "Name of the mead")
            .map(|own| or(own, &other.name)),
        None => take.name("name", "Name of the mead"),
    };
    let started = take.when("started", "Yeast pitched");
    if let (Some(started), Some(other)) = (started, other)
        && started < other.started
    {
        take.complain(
            "started",
            "Split off: has to be after the other mead was pitched",
        );
    }
    let original_gravity = take
        .gravity("original", "Gravity it began at")
        .or(other.and_then(|o| o.original_gravity));
    let expected_final = take
        .gravity("expected", "Gravity you expect it to end at")
        .or(other.and_then(|o| o.expected_final));
    if let (Some(original), Some(expected)) = (original_gravity, expected_final)
        && expected >= original
    {
        take.complain(
            "expected",
            "Gravity you expect it to end at: has to be below the gravity it began at",
        );
    }
    let yeast = take.line("yeast", "Yeast");
    let honey = take.line("honey", "Honey");
    let tolerance = take
        .strength("tolerance", "Strength the yeast bears")
        .or(other.and_then(|o| o.tolerance));
    let volume = take.volume("volume", "Volume");
    let note = take.note("note", "Note");
    let (Some(name), Some(started), Some(yeast), Some(honey), Some(note)) =
        (name, started, yeast, honey, note)
    else {
        return take.finish(None);
    };
    let origin = chosen.map(|b| b.id).or(parent);
    take.finish(Some(BatchFacts {
        name,
        started,
        original_gravity,
        expected_final,
        tolerance,
        volume,
        yeast: or(yeast, other.map_or("", |o| &o.yeast)),
        honey: or(honey, other.map_or("", |o| &o.honey)),
        note,
        origin: origin.map(|parent| Origin {
            parent,
            at: started,
        }),
    }))
}

/// What was typed, or else that.
fn or(typed: String, otherwise: &str) -> String {
    if typed.is_empty() {
        otherwise.to_owned()
    } else {
        typed
    }
}
