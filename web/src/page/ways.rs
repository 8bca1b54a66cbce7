//! What is told how: which kind by which way, vessels that deviate, quiet hours, the summary.

use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ebbmark_core::ids::VesselId;
use ebbmark_core::notice::NoticeKind;
use ebbmark_core::notice::summary::On;
use ebbmark_core::notice::wishes::{OfVessel, Wishes};
use ebbmark_store::model::Vessel;
use maud::{Markup, html};

use super::field::Sheet;
use super::{Asked, Here, done, shell, why_no_forms};
use crate::WayOut;
use crate::app::App;
use crate::fault::Fault;
use crate::form::Draft;
use crate::visitor::{Looking, Visitor};

pub(crate) const WAYS_FORM: &str = "ways";

/// How a vessel may deviate, with what it is called.
pub(crate) const DEVIATIONS: [(&str, &str); 3] = [
    ("", "as the cellar"),
    ("only", "only by the ways ticked here"),
    ("none", "not at all: its notices stand on the page only"),
];

/// Kinds he chooses ways for; a test goes where it is asked to.
pub(crate) fn kinds() -> impl Iterator<Item = NoticeKind> {
    let all = NoticeKind::ALL.into_iter();
    all.filter(|kind| *kind != NoticeKind::Test)
}

/// What may come in the quiet hours, beside what presses.
pub(crate) fn breaking() -> impl Iterator<Item = NoticeKind> {
    kinds().filter(|kind| *kind != NoticeKind::Summary)
}

pub(crate) fn by_way(kind: NoticeKind, way: &str) -> String {
    format!("{}.{way}", kind.key())
}

pub(crate) fn of_vessel(id: VesselId) -> String {
    format!("vessel-{id}")
}

pub(crate) fn vessel_by_way(id: VesselId, way: &str) -> String {
    format!("vessel-{id}.{way}")
}

pub(crate) fn breaks(kind: NoticeKind) -> String {
    format!("break.{}", kind.key())
}

pub(crate) const BREAKS_PRESSING: &str = "break.pressing";

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
    Query(asked): Query<Asked>,
) -> Result<Markup, Fault> {
    page(&app, &visitor, None, asked.done.as_deref()).await
}

/// The form again, with what is wrong with it.
pub(crate) async fn again(app: &App, visitor: &Visitor, draft: &Draft) -> Result<Response, Fault> {
    let markup = page(app, visitor, Some(draft), None).await?;
    Ok((StatusCode::UNPROCESSABLE_ENTITY, markup).into_response())
}

async fn page(
    app: &App,
    visitor: &Visitor,
    draft: Option<&Draft>,
    done_key: Option<&str>,
) -> Result<Markup, Fault> {
    let (wishes, vessels) = app
        .read(|reader| Ok((reader.wishes()?, reader.vessels()?)))
        .await?;
    let ways = &app.handle.ways_out;
    let body = html! {
        (done(done_key))
        h1 { "What is told how" }
        p.aside { "Whatever is chosen here, every notice stands under " a href="/notices" { "Notices" } "." }
        @if let Some(why) = why_no_forms(visitor) { (why) }
        @if let Some(sheet) = Sheet::new(visitor, WAYS_FORM, draft) {
            (sheet.form("/notices/ways", "Save", form(&sheet, ways, &vessels, &wishes)))
        }
    };
    Ok(shell(visitor, Here::Notices, "What is told how", "", body))
}

fn form(sheet: &Sheet, ways: &[WayOut], vessels: &[Vessel], wishes: &Wishes) -> Markup {
    html! {
        section {
            h2 { "By which way" }
            @if ways.is_empty() {
                p.aside { "No way out is set up: the configuration file names where notices should go." }
            } @else {
                div.scroll { table.ticks {
                    thead { tr { th { "Told when" } @for way in ways { th scope="col" { (way.name) } } } }
                    tbody { @for kind in kinds() { tr {
                        th scope="row" { (kind.label()) }
                        @for way in ways { td {
                            (sheet.tick(&by_way(kind, &way.name), &format!("{} by {}", kind.label(), way.name), wishes.sends(kind, &way.name), false))
                        } }
                    } } }
                } }
            }
        }
        section {
            h2 { "Vessels that differ" }
            @let in_use = || vessels.iter().filter(|v| !v.retired);
            @if in_use().next().is_none() { p.aside { "There is no vessel yet." } }
            @for vessel in in_use() { (one_vessel(sheet, ways, vessel, wishes)) }
        }
        (quiet(sheet, wishes))
        (summary(sheet, wishes))
    }
}

fn one_vessel(sheet: &Sheet, ways: &[WayOut], vessel: &Vessel, wishes: &Wishes) -> Markup {
    let deviates = wishes.vessels.get(&vessel.id);
    let (chosen, only) = match deviates {
        None => ("", None),
        Some(OfVessel::Only(ways)) => ("only", Some(ways)),
        Some(OfVessel::None) => ("none", None),
    };
    let choices = DEVIATIONS.map(|(key, text)| (key.to_owned(), text.to_owned()));
    html! {
        fieldset {
            legend { (vessel.facts.name) }
            div.fields { (sheet.select(&of_vessel(vessel.id), "Told", &choices, chosen)) }
            @for way in ways {
                (sheet.tick(&vessel_by_way(vessel.id, &way.name), &way.name, only.is_some_and(|o| o.contains(&way.name)), true))
            }
        }
    }
}

fn quiet(sheet: &Sheet, wishes: &Wishes) -> Markup {
    let quiet = wishes.quiet.as_ref();
    let text = |time: Option<String>| time.unwrap_or_default();
    html! {
        section {
            h2 { "Quiet hours" }
            p.aside {
                "Mail and calls wait until they end and come as one message then; what is over by then is said to \
                 be over. The log and the topics do not wait. Left empty: none."
            }
            div.fields {
                (sheet.time("quiet-from", "From", &text(quiet.map(|q| q.from.to_string()))))
                (sheet.time("quiet-until", "Until", &text(quiet.map(|q| q.until.to_string()))))
            }
            fieldset {
                legend { "Told at once even then" }
                (sheet.tick(BREAKS_PRESSING, "falling again after it was stabilised or sealed", quiet.is_none_or(|q| q.broken_by_pressing), true))
                @for kind in breaking() {
                    (sheet.tick(&breaks(kind), kind.label(), quiet.is_some_and(|q| q.broken_by.contains(&kind)), true))
                }
            }
        }
    }
}

fn summary(sheet: &Sheet, wishes: &Wishes) -> Markup {
    let schedule = wishes.summary.as_ref();
    let chosen = schedule.and_then(|s| On::ALL.into_iter().find(|(on, ..)| *on == s.on));
    let none = ("".to_owned(), "not wanted".to_owned());
    let choices: Vec<(String, String)> = std::iter::once(none)
        .chain(On::ALL.map(|(_, key, text)| (key.to_owned(), text.to_owned())))
        .collect();
    let at = schedule.map_or_else(|| "08:00".to_owned(), |s| s.at.to_string());
    html! {
        section {
            h2 { "A summary" }
            p.aside { "A sentence for each vessel, what is due, what is silent, what waits. It comes at its time, quiet hours or not." }
            div.fields {
                (sheet.select("summary", "It comes", &choices, chosen.map_or("", |(_, key, _)| key)))
                (sheet.time("summary-at", "At", &at))
            }
        }
    }
}
