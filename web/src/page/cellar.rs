//! The cellar: which vessel wants something, and what.

use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ebbmark_core::deed::What;
use ebbmark_core::hours::Hour;
use ebbmark_core::tasks::{Kind, Task};
use ebbmark_core::text::float_trouble;
use ebbmark_core::time::Moment;
use ebbmark_core::verdict::outcome::{Gate, Gates, Phase, Verdict};
use ebbmark_store::model::{Feed, StoredVerdict, Vessel};
use ebbmark_store::tasks::Glance;
use ebbmark_store::{Reader, StoreError};
use maud::{Markup, html};
use serde::Deserialize;

use super::field::{Sheet, fold};
use super::{Here, done, shell, tasks, why_no_forms};
use crate::app::App;
use crate::chart;
use crate::fault::Fault;
use crate::form::Draft;
use crate::show::as_sentence;
use crate::visitor::{Looking, Visitor};

pub(crate) const ADD_FORM: &str = "add-vessel";

#[derive(Deserialize)]
pub(crate) struct Asked {
    done: Option<String>,
}

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
    Query(asked): Query<Asked>,
) -> Result<Response, Fault> {
    let cellar = load(&app, &visitor).await?;
    Ok(page(&visitor, &cellar, None, asked.done.as_deref()).into_response())
}

/// The page again, with a form that was refused.
pub(crate) async fn again(app: &App, visitor: &Visitor, draft: &Draft) -> Result<Response, Fault> {
    let cellar = load(app, visitor).await?;
    let markup = page(visitor, &cellar, Some(draft), None);
    Ok((StatusCode::UNPROCESSABLE_ENTITY, markup).into_response())
}

struct Cellar {
    rows: Vec<Row>,
    unclaimed: usize,
}

struct Row {
    vessel: Vessel,
    verdict: Option<StoredVerdict>,
    /// Deeds since the pitch of this mead.
    done: Vec<(Moment, What)>,
    /// Whether one of `tasks` may be done now.
    due: bool,
    tasks: Vec<Task>,
    hours: Vec<Hour>,
    from: Moment,
    last: Option<Moment>,
}

async fn load(app: &App, visitor: &Visitor) -> Result<Cellar, Fault> {
    let by = visitor.clone();
    app.read(move |reader| {
        let mut rows = Vec::new();
        let feeds = reader.feeds()?;
        for vessel in reader.vessels()?.into_iter().filter(|v| !v.retired) {
            rows.push(Row::load(reader, vessel, &feeds, &by)?);
        }
        rows.sort_by_key(Row::urgency);
        let unclaimed = reader.unclaimed()?.len();
        Ok(Cellar { rows, unclaimed })
    })
    .await
}

impl Row {
    fn load(
        reader: &Reader,
        vessel: Vessel,
        feeds: &[Feed],
        by: &Visitor,
    ) -> Result<Row, StoreError> {
        let now = by.now;
        let Some(batch) = &vessel.batch else {
            return Ok(Row {
                vessel,
                verdict: None,
                done: Vec::new(),
                due: false,
                tasks: Vec::new(),
                hours: Vec::new(),
                from: now,
                last: None,
            });
        };
        let Glance {
            started,
            hours,
            deeds,
            verdict,
            tasks,
        } = reader.glance(batch, now, &by.style())?;
        Ok(Row {
            done: deeds.iter().map(|deed| (deed.at, deed.what)).collect(),
            due: tasks.iter().any(|task| task.is_due(now)),
            tasks,
            hours,
            last: last_reading(
                verdict.as_ref().map(|v| &v.verdict),
                feeds.iter().filter(|f| f.vessel == Some(vessel.id)),
            ),
            vessel,
            verdict,
            from: started,
        })
    }

    /// Smaller comes first.
    fn urgency(&self) -> u8 {
        if self.vessel.batch.is_none() {
            return 7;
        }
        let Some(stored) = &self.verdict else {
            return if self.due { 2 } else { 3 };
        };
        match stored.verdict.phase {
            Phase::Restarted => 0,
            Phase::Stuck | Phase::Resting => 1,
            Phase::Settled if !self.acted_since(stored.phase_since) => 2,
            _ if self.due => 2,
            Phase::NoData => 3,
            Phase::Lag | Phase::Active | Phase::Slowing => 4,
            Phase::Settled => 5,
        }
    }

    fn wants_attention(&self) -> bool {
        self.urgency() <= 2
    }

    /// A task that is due says what the next step would say.
    fn asks_for_a_step(&self, now: Moment) -> bool {
        let steps = [Kind::Rack, Kind::Stabilise, Kind::Seal];
        let due = |t: &Task| t.is_due(now) && steps.contains(&t.kind);
        self.tasks.iter().any(due)
    }

    fn acted_since(&self, since: Moment) -> bool {
        let acts = [What::Rack, What::Stabilise, What::Pasteurise, What::Seal];
        self.done
            .iter()
            .any(|(at, what)| *at >= since && acts.contains(what))
    }
}

/// The step to think of next: the first gate not yet gone through that is open, or else the one
/// that opens first. Steps before one already taken are past.
pub(super) fn next_step(visitor: &Visitor, gates: &Gates, done: &[(Moment, What)]) -> String {
    let steps: [(What, &str, &str, &Gate); 3] = [
        (What::Rack, "May be racked now.", "Racking", &gates.rack),
        (
            What::Stabilise,
            "May be stabilised now.",
            "Stabilising",
            &gates.stabilise,
        ),
        (
            What::Seal,
            "May be kegged or bottled now.",
            "Kegging or bottling",
            &gates.seal,
        ),
    ];
    let past = steps
        .iter()
        .rposition(|(what, ..)| done.iter().any(|(_, d)| *what == stands_for(*d)))
        .map_or(0, |i| i + 1);
    let ahead = steps.get(past..).unwrap_or_default();
    if let Some((_, now, ..)) = ahead.iter().find(|(.., gate)| gate.open) {
        return (*now).to_owned();
    }
    let soonest = ahead
        .iter()
        .filter_map(|(_, _, name, gate)| gate.opens.map(|at| (at, *name)))
        .min_by_key(|(at, _)| *at);
    match (soonest, ahead.first()) {
        (Some((at, name)), _) => format!("{name} likely from {}.", visitor.day(at)),
        (None, Some((.., gate))) => as_sentence(&gate.why),
        (None, None) => "Sealed.".to_owned(),
    }
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
    draft: Option<&Draft>,
    done_key: Option<&str>,
) -> Markup {
    let sheet = Sheet::new(visitor, ADD_FORM, draft);
    let body = html! {
        (done(done_key))
        h1.hidden { "The cellar" }
        @if cellar.rows.is_empty() { (empty(cellar.unclaimed)) }
        @if !cellar.rows.is_empty() {
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
        li.row.wants[row.wants_attention()] {
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
            path: "/".to_owned(),
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
