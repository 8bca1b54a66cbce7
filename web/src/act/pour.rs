//! A mead goes into another vessel: all of it, a part, or together with others.

use axum::extract::{Path, State};
use axum::response::Response;
use ebbmark_core::ids::{BatchId, FeedId, VesselId};
use ebbmark_store::model::{Batch, BatchFacts, Command, Move, Part, Vessel};
use ebbmark_store::{Reader, StoreError};

use super::run;
use crate::app::App;
use crate::fault::Fault;
use crate::form::Take;
use crate::page::blend::{self, BLEND_FORM, Choice};
use crate::page::vessel::{self, ALONG, MOVE_FORM, SPLIT_FORM, STAYS, empty};
use crate::visitor::Posted;

/// Where it can go, and which floats are in the vessel it comes from.
struct Around {
    batch: Batch,
    empty: Vec<Vessel>,
    floats: Vec<FeedId>,
}

impl Around {
    fn load(reader: &Reader, from: VesselId, batch: BatchId) -> Result<Option<Around>, StoreError> {
        let Some(batch) = reader.batch(batch)? else {
            return Ok(None);
        };
        Ok(Some(Around {
            batch,
            empty: empty(reader)?,
            floats: reader.floats_in(from)?,
        }))
    }

    async fn of(app: &App, from: VesselId, batch: BatchId) -> Result<Around, Fault> {
        app.read(move |reader| Around::load(reader, from, batch))
            .await?
            .ok_or_else(|| Fault::missing("mead"))
    }

    fn vessel(&self, take: &mut Take) -> Option<VesselId> {
        take.choice("to", "Into", |key| {
            self.empty.iter().find(|v| v.id.to_string() == key)
        })
        .map(|v| v.id)
    }

    /// Those that go along. Where there are none nothing is asked.
    fn along(&self, take: &mut Take) -> Option<Vec<FeedId>> {
        take.choice("float", "The float", |key| match key {
            ALONG => Some(self.floats.clone()),
            STAYS | "" => Some(Vec::new()),
            _ => None,
        })
    }
}

pub(crate) async fn to_vessel(
    State(app): State<App>,
    Path((id, batch)): Path<(i64, i64)>,
    posted: Posted,
) -> Result<Response, Fault> {
    let (from, batch) = (VesselId(id), BatchId(batch));
    let around = Around::of(&app, from, batch).await?;
    let mut take = Take::new(&posted.fields, &posted.visitor);
    let to = around.vessel(&mut take);
    let volume = take.volume("volume", "Volume in it then");
    let feeds = around.along(&mut take);
    let at = take.when("at", "When");
    let note = take.note("note", "Note");
    let asked = match (to, feeds, at, note) {
        (Some(to), Some(feeds), Some(at), Some(note)) => Some(Move {
            batch,
            from,
            to,
            at,
            volume,
            note,
            feeds,
            once: posted.once_kept(),
            made_at: posted.visitor.now,
        }),
        _ => None,
    };
    match take.finish(asked) {
        Ok(asked) => {
            let then = format!("/vessel/{}?done=racked", asked.to);
            run(&app, &posted.once(), Command::MoveBatch(asked), then).await
        }
        Err(complaints) => {
            let (visitor, draft) = posted.draft(MOVE_FORM, complaints);
            vessel::again(&app, &visitor, from, draft).await
        }
    }
}

pub(crate) async fn split(
    State(app): State<App>,
    Path((id, batch)): Path<(i64, i64)>,
    posted: Posted,
) -> Result<Response, Fault> {
    let (from, parent) = (VesselId(id), BatchId(batch));
    let around = Around::of(&app, from, parent).await?;
    let mut take = Take::new(&posted.fields, &posted.visitor);
    let to = around.vessel(&mut take);
    let volume = take.volume("volume", "How much");
    let name = take.name("name", "Name of the part");
    let feeds = around.along(&mut take);
    let at = take.when("at", "When");
    let note = take.note("note", "Note");
    let command = match (to, name, feeds, at, note) {
        (Some(vessel), Some(name), Some(feeds), Some(at), Some(note)) => Some(Command::PourBatch {
            vessel,
            facts: BatchFacts {
                name,
                started: at,
                volume: None,
                note,
                ..around.batch.facts
            },
            parts: vec![Part {
                parent,
                volume,
                emptied: false,
            }],
            feeds,
            once: posted.once_kept(),
            made_at: posted.visitor.now,
        }),
        _ => None,
    };
    match take.finish(to.zip(command)) {
        Ok((to, command)) => {
            let then = format!("/vessel/{to}?done=split");
            run(&app, &posted.once(), command, then).await
        }
        Err(complaints) => {
            let (visitor, draft) = posted.draft(SPLIT_FORM, complaints);
            vessel::again(&app, &visitor, from, draft).await
        }
    }
}

pub(crate) async fn blend(
    State(app): State<App>,
    Path(id): Path<i64>,
    posted: Posted,
) -> Result<Response, Fault> {
    let (id, now) = (VesselId(id), posted.visitor.now);
    let choice = app
        .read(move |reader| Choice::load(reader, id, now))
        .await?
        .ok_or_else(|| Fault::missing("vessel"))?;
    let wanted = match choice.read(&posted.fields, &posted.visitor) {
        Ok(wanted) => wanted,
        Err(complaints) => {
            let (visitor, draft) = posted.draft(BLEND_FORM, complaints);
            return Ok(blend::again(&visitor, &choice, draft));
        }
    };
    let largest = Part::largest(&wanted.parts)
        .and_then(|part| choice.meads.iter().find(|m| m.batch.id == part.parent))
        .ok_or_else(|| Fault::missing("mead"))?;
    let command = Command::PourBatch {
        vessel: wanted.into,
        facts: BatchFacts {
            name: wanted.name,
            started: wanted.at,
            volume: None,
            note: String::new(),
            ..largest.batch.facts.clone()
        },
        parts: wanted.parts,
        feeds: Vec::new(),
        once: posted.once_kept(),
        made_at: now,
    };
    let then = format!("/vessel/{}?done=blended", wanted.into);
    run(&app, &posted.once(), command, then).await
}
