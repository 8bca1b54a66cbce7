//! Answers to tasks: done writes the line, later and not this time are kept.

use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::Response;
use ebbmark_core::deed::Deed;
use ebbmark_core::ids::BatchId;
use ebbmark_core::tasks::{Answer, Task};
use ebbmark_core::time::{Moment, Span, read_local};
use ebbmark_store::model::{Batch, Command, Done};
use jiff::tz::TimeZone;

use super::see;
use crate::app::App;
use crate::fault::Fault;
use crate::page::tasks::Place;
use crate::visitor::{Posted, Visitor};

/// What is put off until tomorrow is due again at this hour.
const MORNING: i8 = 8;
/// Nothing is put off for longer.
const LONGEST: Span = Span::days(366);

#[derive(Clone, Copy)]
pub(crate) enum Said {
    Done,
    Later(Moment),
    NotThisTime,
}

pub(crate) async fn answer(
    State(app): State<App>,
    Path(batch): Path<i64>,
    posted: Posted,
) -> Result<Response, Fault> {
    let said = read(&posted)?;
    let place = Place::from_key(posted.fields.get("from"));
    // Looked up within: of two phones that answer at once the second finds it answered.
    let act = async {
        let key = posted.fields.get("task");
        let Some((batch, task)) = find(&app, BatchId(batch), &posted.visitor, key).await? else {
            return Ok("/tasks?done=task-gone".to_owned());
        };
        let vessel = batch.vessel;
        let command = command(&batch, task, said, posted.visitor.now, posted.once_kept())?;
        let made = app.command(command).await?;
        let key = match said {
            Said::Done => "task-done",
            Said::Later(_) => "task-later",
            Said::NotThisTime => "task-not",
        };
        Ok(match (place, made) {
            (Place::Tasks, _) => format!("/tasks?done={key}"),
            (Place::Vessel, Done::Entry(line)) => format!("/vessel/{vessel}?noted={line}"),
            (Place::Vessel, _) => format!("/vessel/{vessel}?done={key}"),
        })
    };
    app.once(&posted.once(), act).await.map(|to| see(&to))
}

fn read(posted: &Posted) -> Result<Said, Fault> {
    let visitor = &posted.visitor;
    match posted.fields.get("answer") {
        "done" => Ok(Said::Done),
        "not-this-time" => Ok(Said::NotThisTime),
        "tomorrow" => Ok(Said::Later(tomorrow(visitor))),
        "later" => until(posted.fields.get("until"), &visitor.zone, visitor.now)
            .map(Said::Later)
            .map_err(|why| refused(format!("Not before: {why}. Go back and choose a time."))),
        _ => Err(refused("Say done, later, or not this time.")),
    }
}

fn refused(say: impl Into<String>) -> Fault {
    Fault::said(StatusCode::UNPROCESSABLE_ENTITY, say)
}

fn until(text: &str, zone: &TimeZone, now: Moment) -> Result<Moment, String> {
    let at = read_local(text, zone)?;
    ahead(at, now).map_err(|why| format!("\"{text}\" {why}"))?;
    Ok(at)
}

/// Whether something may be put off until then.
pub(crate) fn ahead(until: Moment, now: Moment) -> Result<(), &'static str> {
    if until <= now {
        return Err("is past");
    }
    if until.since(now) > LONGEST {
        return Err("is more than a year ahead");
    }
    Ok(())
}

fn tomorrow(visitor: &Visitor) -> Moment {
    let in_a_day = visitor.now + Span::days(1);
    let morning = in_a_day.timestamp().and_then(|t| {
        let day = visitor.zone.to_datetime(t).date();
        day.at(MORNING, 0, 0, 0)
            .to_zoned_datetime(visitor.zone.clone())
            .ok()
    });
    // Only beyond the last year a calendar knows.
    morning.map_or(in_a_day, |z| Moment(z.timestamp().as_millisecond()))
}

/// The mead and its task, if that is still asked.
pub(crate) async fn find(
    app: &App,
    id: BatchId,
    visitor: &Visitor,
    key: &str,
) -> Result<Option<(Batch, Task)>, Fault> {
    let (visitor, key) = (visitor.clone(), key.to_owned());
    app.read(move |reader| {
        let Some(batch) = reader.batch(id)?.filter(|b| b.ended.is_none()) else {
            return Ok(None);
        };
        let tasks = reader.tasks_of(&batch, visitor.now, &visitor.style())?;
        let found = tasks.into_iter().find(|t| t.key == key);
        Ok(found.map(|task| (batch, task)))
    })
    .await
}

/// What the answer asks of the store.
///
/// # Errors
/// A bare "done" does not do.
pub(crate) fn command(
    batch: &Batch,
    task: Task,
    said: Said,
    now: Moment,
    once: Option<String>,
) -> Result<Command, Fault> {
    let keep = |answer, task| Command::AnswerTask {
        batch: batch.id,
        task,
        answer,
        at: now,
    };
    Ok(match said {
        Said::Later(until) => keep(Answer::Later(until), task.key),
        Said::NotThisTime => keep(Answer::NotThisTime, task.key),
        Said::Done if !task.takes_a_bare_done() => {
            return Err(refused(
                "This is done by its own form on the vessel's page, or is not to be done yet.",
            ));
        }
        Said::Done => {
            let deed = Deed {
                note: task.note.clone(),
                ..Deed::new(now, task.kind.deed())
            };
            Command::Log {
                vessel: batch.vessel,
                deed,
                hand: None,
                once,
                made_at: now,
            }
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn until_is_ahead_and_not_too_far() {
        let zone = TimeZone::get("Europe/Warsaw").unwrap();
        let now = Moment::parse_rfc3339("2026-03-01T12:00:00Z").unwrap();
        let at = until("2026-03-02T08:00", &zone, now).unwrap();
        assert_eq!(at.to_rfc3339(), "2026-03-02T07:00:00Z");
        assert!(
            until("2026-03-01T13:00", &zone, now)
                .unwrap_err()
                .contains("past")
        );
        assert!(
            until("2028-03-01T13:00", &zone, now)
                .unwrap_err()
                .contains("year")
        );
        assert!(until("", &zone, now).is_err());
    }
}
