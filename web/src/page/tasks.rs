//! What is to be done in the whole cellar, what is due first.

use axum::extract::{Query, State};
use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_core::tasks::{Due, Kind, Task};
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::tasks::ToDo;
use maud::{Markup, html};

use super::field::{Sheet, fold};
use super::{Asked, Here, done, shell, why_no_forms};
use crate::app::App;
use crate::fault::Fault;
use crate::show::{as_heading, as_sentence};
use crate::visitor::{Looking, Visitor};

const TASK_FORM: &str = "task";
/// What falls due so soon is worth a line in the cellar.
const SOON: Span = Span::hours(24);

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
    Query(asked): Query<Asked>,
) -> Result<Markup, Fault> {
    let by = visitor.clone();
    let to_do = app.read(move |r| r.to_do(by.now, &by.style())).await?;
    let (now, later) = by_time(&visitor, &to_do);
    let list = |items: &[(&ToDo, &Task)]| {
        html! {
            ul.tasks {
                @for (one, task) in items {
                    (item(&visitor, Place::Tasks, one.vessel.id, one.batch.id, task, Some(one)))
                }
            }
        }
    };
    let body = html! {
        (done(asked.done.as_deref()))
        h1 { "To do" }
        @if now.is_empty() { p.sentence { "Nothing is due." } }
        @else { (list(&now)) }
        @if !later.is_empty() {
            h2 { "Ahead" }
            (list(&later))
        }
        @if let Some(why) = why_no_forms(&visitor) { (why) }
        p.aside {
            "These follow from each mead's plan, its readings and its book. "
            a href="/access#calendar" { "Have them in the phone's calendar" } "."
        }
    };
    Ok(shell(&visitor, Here::Tasks, "To do", "cellar", body))
}

type Items<'a> = Vec<(&'a ToDo, &'a Task)>;

/// What is due, then what is not, each in order of time.
fn by_time<'a>(visitor: &Visitor, to_do: &'a [ToDo]) -> (Items<'a>, Items<'a>) {
    let all = to_do
        .iter()
        .flat_map(|one| one.tasks.iter().map(move |task| (one, task)));
    let (mut now, mut later): (Items, Items) = all.partition(|(_, t)| t.is_due(visitor.now));
    now.sort_by_key(|(_, t)| t.moment().unwrap_or(visitor.now));
    later.sort_by_key(|(_, t)| t.moment().unwrap_or(Moment(i64::MAX)));
    (now, later)
}

/// The page a task is answered from, and comes back to.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Place {
    Tasks,
    Vessel,
}

impl Place {
    fn key(self) -> &'static str {
        match self {
            Place::Tasks => "",
            Place::Vessel => "vessel",
        }
    }

    pub fn from_key(key: &str) -> Place {
        if key == Place::Vessel.key() {
            Place::Vessel
        } else {
            Place::Tasks
        }
    }
}

/// One task with its answers. `of` names vessel and mead where the page does not.
pub(super) fn item(
    visitor: &Visitor,
    place: Place,
    vessel: VesselId,
    batch: BatchId,
    task: &Task,
    of: Option<&ToDo>,
) -> Markup {
    let due = task.is_due(visitor.now);
    html! {
        li.task.due[due] {
            @if let Some(one) = of {
                p.of { a href={ "/vessel/" (vessel) } { (one.vessel.facts.name) } ", " (one.batch.facts.name) }
            }
            h3 { (as_heading(&task.title)) }
            p.when { (as_sentence(&task.when(visitor.now, &visitor.style()))) }
            p { (task.reason) }
            @if let Some(sheet) = Sheet::new(visitor, TASK_FORM, None) {
                (answers(&sheet, place, vessel, batch, task, due))
            }
        }
    }
}

fn answers(
    sheet: &Sheet,
    place: Place,
    vessel: VesselId,
    batch: BatchId,
    task: &Task,
    due: bool,
) -> Markup {
    let action = format!("/tasks/{batch}");
    let which = html! {
        (sheet.hidden("task", &task.key))
        (sheet.hidden("from", place.key()))
    };
    let later = format!("later-{batch}-{}", task.key.replace(':', "-"));
    let button = |answer: &str, words: &str, quiet: bool| {
        html! {
            button.quiet[quiet] type="submit" name="answer" value=(answer) {
                (words) span.hidden { " " (task.title) }
            }
        }
    };
    html! {
        div.answers {
            @if let Some(key) = task.kind.reckoning() {
                a.button href={ "/vessel/" (vessel) "/reckon/" (key) } { "Weigh it out" }
            }
            @if matches!(task.kind, Kind::HandReading | Kind::Recheck) {
                a.button href={ "/vessel/" (vessel) "#hand" } { "Note the reading" }
            }
            @if task.kind == Kind::TestFerment {
                a.button href={ "/vessel/" (vessel) "#deed" } { "Note the jar" }
            }
            (sheet.bare_form(&action, html! {
                (which)
                @if task.takes_a_bare_done() { (button("done", "Done", false)) }
                @if due { (button("tomorrow", "Tomorrow", true)) }
                (button("not-this-time", "Not this time", true))
            }))
        }
        @if due {
            (fold(&later, "At another time", false, sheet.form(&action, "Put it off", html! {
                (which)
                (sheet.hidden("answer", "later"))
                div.fields { (sheet.when("until", "Not before", "", "")) }
            })))
        }
    }
}

/// A line of a vessel in the cellar: what is due, or will be within a day.
pub(super) fn line(visitor: &Visitor, task: &Task) -> Markup {
    let now = visitor.now;
    let soon = task.moment().is_some_and(|at| at <= now + SOON);
    let due = task.is_due(now);
    html! {
        @if due || (soon && !matches!(task.due, Due::When { .. })) {
            p.task.due[due] {
                a href="/tasks" { (as_heading(&task.title)) }
                ": " (task.when(now, &visitor.style()))
            }
        }
    }
}
