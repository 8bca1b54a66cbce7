//! The cellar: which vessel wants something, and what.

mod glance;
mod row;
pub(crate) mod wall;

use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ebbmark_core::deed::What;
use ebbmark_core::text::float_trouble;
use ebbmark_core::time::Moment;
use ebbmark_core::verdict::outcome::{Gate, Gates, Verdict};
use ebbmark_store::model::{Feed, Vessel};
use maud::{Markup, html};

use self::glance::Glance;
use self::row::{Cellar, Row};
use super::field::{Sheet, fold};
use super::{Asked, Here, done, shell, tasks, why_no_forms};
use crate::app::App;
use crate::chart;
use crate::fault::Fault;
use crate::form::Draft;
use crate::show::as_sentence;
use crate::visitor::{Looking, Visitor};

pub(crate) const ADD_FORM: &str = "add-vessel";

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
    Query(asked): Query<Asked>,
) -> Result<Response, Fault> {
    let cellar = row::load(&app, &visitor).await?;
    let glance = Glance::of(&visitor, &cellar, &(app.handle.status)());
    Ok(page(&visitor, &cellar, &glance, None, asked.done.as_deref()).into_response())
}

/// The page again, with a form that was refused.
pub(crate) async fn again(app: &App, visitor: &Visitor, draft: &Draft) -> Result<Response, Fault> {
    let cellar = row::load(app, visitor).await?;
    let glance = Glance::of(visitor, &cellar, &(app.handle.status)());
    let markup = page(visitor, &cellar, &glance, Some(draft), None);
    Ok((StatusCode::UNPROCESSABLE_ENTITY, markup).into_response())
}

/// The step to think of next: the first gate not yet gone through that is open, or else the one
/// that opens first. Steps before one already taken are past.
pub(super) fn next_step(visitor: &Visitor, gates: &Gates, done: &[(Moment, What)]) -> String {
    let ahead = ahead(gates, done);
    if let Some(step) = ahead.iter().find(|step| step.gate.open) {
        return step.now.to_owned();
    }
    let soonest = ahead
        .iter()
        .filter_map(|step| step.gate.opens.map(|at| (at, step.name)))
        .min_by_key(|(at, _)| *at);
    match (soonest, ahead.first()) {
        (Some((at, name)), _) => format!("{name} likely from {}.", visitor.day(at)),
        (None, Some(step)) => as_sentence(&step.gate.why),
        (None, None) => "Sealed.".to_owned(),
    }
}

/// A step a gate stands before.
struct Step<'a> {
    what: What,
    /// As a sentence when it may be done.
    now: &'static str,
    /// Doing it.
    name: &'static str,
    /// As what one does.
    verb: &'static str,
    gate: &'a Gate,
}

/// The steps not yet taken, in their order; those before one already taken are past.
fn ahead<'a>(gates: &'a Gates, done: &[(Moment, What)]) -> Vec<Step<'a>> {
    let steps = [
        Step {
            what: What::Rack,
            now: "May be racked now.",
            name: "Racking",
            verb: "rack",
            gate: &gates.rack,
        },
        Step {
            what: What::Stabilise,
            now: "May be stabilised now.",
            name: "Stabilising",
            verb: "stabilise",
            gate: &gates.stabilise,
        },
        Step {
            what: What::Seal,
            now: "May be kegged or bottled now.",
            name: "Kegging or bottling",
            verb: "keg or bottle",
            gate: &gates.seal,
        },
    ];
    let past = steps
        .iter()
        .rposition(|step| done.iter().any(|(_, d)| step.what == stands_for(*d)))
        .map_or(0, |i| i + 1);
    steps.into_iter().skip(past).collect()
}

/// What was pasteurised need not be stabilised.
fn stands_for(done: What) -> What {
    match done {
        What::Pasteurise => What::Stabilise,
        other => other,
    }
}

fn page(
    visitor: &Visitor,
    cellar: &Cellar,
    glance: &Glance,
    draft: Option<&Draft>,
    done_key: Option<&str>,
) -> Markup {
    let sheet = Sheet::new(visitor, ADD_FORM, draft);
    let body = html! {
        (done(done_key))
        h1.hidden { "The cellar" }
        @if cellar.rows.is_empty() { (empty(cellar.unclaimed)) }
        @if !cellar.rows.is_empty() {
            (glance.show())
            ol.ledger {
                @for row in &cellar.rows { (entry(visitor, row)) }
            }
        }
        @if cellar.unclaimed > 0 && !cellar.rows.is_empty() {
            p.aside {
                a href="/feeds#unclaimed" { (unclaimed_words(cellar.unclaimed)) }
                " to be claimed."
            }
        }
        @if let Some(why) = why_no_forms(visitor) { (why) }
        @if let Some(sheet) = sheet {
            (fold(
                ADD_FORM,
                "Add a vessel",
                cellar.rows.is_empty() || sheet.refused(),
                sheet.form("/vessel", "Add the vessel", vessel_fields(&sheet, visitor, None)),
            ))
        }
    };
    let follows = if draft.is_some() { "" } else { "cellar" };
    shell(visitor, Here::Cellar, "Cellar", follows, body)
}

fn unclaimed_words(n: usize) -> String {
    if n == 1 {
        "1 topic waits".to_owned()
    } else {
        format!("{n} topics wait")
    }
}

fn empty(unclaimed: usize) -> Markup {
    html! {
        section.narrow {
            h2 { "The book is empty" }
            p.sentence { "Add a vessel, and say which mead is in it." }
            ol.steps {
                li { "Add the vessel below: a name is enough." }
                li { "On its page, start a mead: when it was pitched and at what gravity." }
                li {
                    "Let a float send its readings here; its topic then waits under "
                    a href="/feeds" { "Feeds" }
                    " to be claimed"
                    @if unclaimed > 0 { " (" (unclaimed_words(unclaimed)) " now)" }
                    ". Without a float, note hand readings: that works too."
                }
            }
        }
    }
}

fn entry(visitor: &Visitor, row: &Row) -> Markup {
    let id = row.vessel.id;
    let stored = row.verdict.as_ref();
    let verdict = stored.map(|s| &s.verdict);
    html! {
        li.row.wants[row.wants_attention()].wrong[glance::wrong(visitor, row).is_some()] {
            a.vessel-name href={ "/vessel/" (id) } {
                span { (row.vessel.facts.name) }
                @if let Some(batch) = &row.vessel.batch { small { (batch.facts.name) } }
            }
            div.words {
                p.sentence { (sentence(row)) }
                @for task in &row.tasks { (tasks::line(visitor, task)) }
                @if let Some(v) = verdict {
                    @if !row.asks_for_a_step(visitor.now) {
                        p.next { (next_step(visitor, &v.gates, &row.done)) }
                    }
                    @if let Some(trouble) = float_trouble(v, &visitor.style()) { p.doubt { (trouble) } }
                }
                @if let (None, Some(_)) = (verdict, &row.vessel.batch) {
                    p.next { "A float's readings or two hand readings a few days apart will do." }
                }
            }
            (measure(visitor, verdict, row.last))
            div.curve { (chart::spark(&row.hours, row.from, visitor.now)) }
        }
    }
}

fn sentence(row: &Row) -> String {
    match (&row.verdict, &row.vessel.batch) {
        (Some(stored), _) => stored.sentence.clone(),
        (None, Some(_)) => "Nothing judged yet.".to_owned(),
        (None, None) => "Empty.".to_owned(),
    }
}

/// When something was last read. A verdict knows it to the hour only, and was given a while ago;
/// the feeds know better, but not of hand readings.
pub(super) fn last_reading<'a>(
    verdict: Option<&Verdict>,
    feeds: impl Iterator<Item = &'a Feed>,
) -> Option<Moment> {
    let judged = verdict.and_then(|v| v.last_reading);
    feeds.filter_map(|f| f.last_reading).chain(judged).max()
}

pub(super) fn measure(
    visitor: &Visitor,
    verdict: Option<&Verdict>,
    last: Option<Moment>,
) -> Markup {
    html! {
        div.measure {
            @if let Some(g) = verdict.and_then(|v| v.gravity) { b { (visitor.gravity(g)) } }
            @if let Some(t) = verdict.and_then(|v| v.temperature) { span { (visitor.temperature(t)) } }
            @if let Some(at) = last { small { (visitor.ago(at)) } }
        }
    }
}

/// Fields of a vessel, also used on its own page.
pub(super) fn vessel_fields(sheet: &Sheet, visitor: &Visitor, of: Option<&Vessel>) -> Markup {
    let facts = of.map(|v| &v.facts);
    let band = |t: Option<ebbmark_core::units::Celsius>| {
        t.map_or_else(String::new, |t| visitor.temperature_field(t))
    };
    let capacity = facts
        .and_then(|f| f.capacity)
        .map_or_else(String::new, |v| visitor.volume_field(v));
    let tare = facts
        .and_then(|f| f.tare)
        .map_or_else(String::new, |m| visitor.mass_field(m));
    let degrees = visitor.temperature_unit();
    html! {
        div.fields {
            (sheet.text("name", "Name", facts.map_or("", |f| &f.name), "As you call it: \"carboy by the stairs\"."))
            (sheet.number("capacity", &format!("Holds, {}", visitor.volume_unit()), &capacity, "May be left empty."))
            (sheet.number("tare", &format!("Empty it weighs, {}", visitor.mass_unit()), &tare, "May be left empty."))
            (sheet.text("place", "Where it stands", facts.map_or("", |f| &f.place), ""))
            (sheet.number("low", &format!("Not colder than, {degrees}"), &band(facts.and_then(|f| f.temperature_low)), "Outside this band you get a notice."))
            (sheet.number("high", &format!("Not warmer than, {degrees}"), &band(facts.and_then(|f| f.temperature_high)), ""))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::visitor::Standing;
    use jiff::tz::TimeZone;

    fn gate(open: bool, opens: Option<i64>) -> Gate {
        Gate {
            open,
            why: "because".to_owned(),
            opens: opens.map(Moment),
            wants_reading: false,
            since: None,
        }
    }

    fn visitor() -> Visitor {
        Visitor {
            standing: Standing::Unlocked,
            prefs: Default::default(),
            zone: TimeZone::UTC,
            now: Moment::parse_rfc3339("2026-03-01T12:00:00Z").unwrap(),
            told: 0,
            path: "/".to_owned(),
            starting: false,
        }
    }

    #[test]
    fn the_next_step_is_the_first_open_one_not_taken() {
        let v = visitor();
        let gates = Gates {
            rack: gate(true, None),
            stabilise: gate(true, None),
            seal: gate(false, None),
        };
        assert_eq!(next_step(&v, &gates, &[]), "May be racked now.");
        let racked = [(Moment(0), What::Rack)];
        assert_eq!(next_step(&v, &gates, &racked), "May be stabilised now.");
        let stabilised = [(Moment(0), What::Stabilise)];
        assert_eq!(next_step(&v, &gates, &stabilised), "Because.");
        let pasteurised = [(Moment(0), What::Pasteurise)];
        assert_eq!(next_step(&v, &gates, &pasteurised), "Because.");
        assert_eq!(next_step(&v, &gates, &[(Moment(0), What::Seal)]), "Sealed.");
    }

    #[test]
    fn with_all_shut_it_is_the_one_that_opens_first() {
        let v = visitor();
        let soon = v.now.0 + 86_400_000;
        let gates = Gates {
            rack: gate(false, Some(soon)),
            stabilise: gate(false, Some(soon + 86_400_000)),
            seal: gate(false, None),
        };
        assert!(next_step(&v, &gates, &[]).starts_with("Racking likely from "));
    }
}
