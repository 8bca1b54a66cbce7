//! The meads of years: found by words and days, and chosen to be laid over one another.

use axum::extract::{Query as Pairs, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ebbmark_core::ids::BatchId;
use ebbmark_core::units::Gravity;
use ebbmark_store::archive::PAGE;
use ebbmark_store::model::{Batch, Found, FoundMead};
use maud::{Markup, html};

use super::field::fold;
use super::{Here, encode, shell};
use crate::app::App;
use crate::chart::MOST_LINES;
use crate::fault::Fault;
use crate::found::{Query, STATES};
use crate::visitor::{Looking, Visitor};

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
    Pairs(pairs): Pairs<Vec<(String, String)>>,
) -> Result<Response, Fault> {
    let query = Query::from_pairs(pairs);
    let (wanted, wrong) = match query.wanted(&visitor.zone) {
        Ok(wanted) => (Some(wanted), Vec::new()),
        Err(wrong) => (None, wrong),
    };
    let now = visitor.now;
    let (page, chosen) = (query.page, query.meads.clone());
    let (found, chosen) = app
        .read(move |reader| {
            let found = wanted.map(|w| reader.meads(&w, page, now)).transpose()?;
            let mut batches = Vec::new();
            for id in chosen.into_iter().take(2 * MOST_LINES) {
                batches.extend(reader.batch(id)?);
            }
            Ok((found, batches))
        })
        .await?;
    let body = html! {
        h1 { "Archive" }
        @if !wrong.is_empty() {
            div.complaints role="alert" { ul { @for say in &wrong { li { (say) } } } }
        }
        (search(&query))
        @if let Some(found) = &found { (list(&visitor, &query, found, &chosen)) }
    };
    let status = if found.is_some() {
        StatusCode::OK
    } else {
        StatusCode::UNPROCESSABLE_ENTITY
    };
    let page = shell(&visitor, Here::Archive, "Archive", "", body);
    Ok((status, page).into_response())
}

fn search(query: &Query) -> Markup {
    let narrowed = [&query.yeast, &query.from, &query.until, &query.state]
        .iter()
        .any(|field| !field.is_empty());
    html! {
        form.search method="get" action="/archive" autocomplete="off" role="search" {
            div.fields {
                label.field.wide {
                    span { "Words" }
                    input type="search" name="words" value=(query.words) aria-describedby="words-hint";
                    small #words-hint aria-hidden="true" {
                        "Name, honey, fruit, yeast, anything that was noted: all of the words, or parts of them"
                    }
                }
            }
            (fold("narrow", "By yeast or days", narrowed, html! {
                div.fields {
                    label.field { span { "Yeast" } input type="search" name="yeast" value=(query.yeast); }
                    label.field { span { "Begun from" } input type="date" name="from" value=(query.from); }
                    label.field { span { "Begun until" } input type="date" name="until" value=(query.until); }
                    label.field {
                        span { "Which" }
                        select name="state" {
                            @for (_, key, label) in STATES {
                                option value=(key) selected[key == query.state] { (label) }
                            }
                        }
                    }
                }
            }))
            @for id in &query.meads { input type="hidden" name="mead" value=(id); }
            p.act { button type="submit" { "Find" } }
        }
    }
}

fn list(visitor: &Visitor, query: &Query, found: &Found, chosen: &[Batch]) -> Markup {
    let shown = found.meads.iter().map(|m| m.batch.id);
    let shown: Vec<BatchId> = shown.collect();
    let elsewhere: Vec<&Batch> = chosen.iter().filter(|b| !shown.contains(&b.id)).collect();
    html! {
        p.count role="status" { (count(query, found)) }
        @if !shown.is_empty() || !elsewhere.is_empty() {
            form.found method="get" action="/compare" {
                @if !elsewhere.is_empty() {
                    fieldset.chosen {
                        legend { "Chosen before" }
                        @for batch in elsewhere { div { (tick(batch, true)) (name(batch)) } }
                    }
                }
                ul.meads aria-label="Meads" {
                    @for mead in &found.meads {
                        li { (line(visitor, mead, query.meads.contains(&mead.batch.id))) }
                    }
                }
                div.answers {
                    button type="submit" { "Compare" }
                    button.quiet type="submit" formaction="/archive" { "Look for more to compare" }
                }
                p.aside { "Tick up to " (MOST_LINES) " meads to lay their curves over one another." }
            }
        }
        (pages(query, found))
    }
}

fn count(query: &Query, found: &Found) -> String {
    let first = u64::from(query.page) * u64::from(PAGE) + 1;
    match (found.total, found.meads.len() as u64) {
        (0, _) if *query == Query::default() => "No meads yet.".to_owned(),
        (0, _) => "None found. Try fewer words, or a part of one.".to_owned(),
        (1, _) => "1 mead".to_owned(),
        (total, shown) if shown == total => format!("{total} meads"),
        (total, 0) => format!("{total} meads, none on this page"),
        (total, shown) => format!("{total} meads; these are {first} to {}", first + shown - 1),
    }
}

fn tick(batch: &Batch, ticked: bool) -> Markup {
    html! {
        label.tick {
            input type="checkbox" name="mead" value=(batch.id) checked[ticked];
            span.hidden { "Compare " (batch.facts.name) }
        }
    }
}

fn name(batch: &Batch) -> Markup {
    html! { a.mead href={ "/mead/" (batch.id) } { (batch.facts.name) } }
}

fn line(visitor: &Visitor, mead: &FoundMead, ticked: bool) -> Markup {
    let facts = &mead.batch.facts;
    let days = match mead.batch.ended {
        Some(ended) => format!("{} to {}", visitor.day(facts.started), visitor.day(ended)),
        None => format!("since {}, in {}", visitor.day(facts.started), mead.vessel),
    };
    let from_what: Vec<&str> = [&facts.honey, &facts.yeast]
        .into_iter()
        .map(String::as_str)
        .filter(|text| !text.is_empty())
        .collect();
    html! {
        (tick(&mead.batch, ticked))
        (name(&mead.batch))
        div.about {
            p { (days) }
            @if !from_what.is_empty() { p { (from_what.join(", ")) } }
        }
        p.numbers { (numbers(visitor, mead)) }
    }
}

/// "1.1000 → 1.0020, 12.9 % vol".
fn numbers(visitor: &Visitor, mead: &FoundMead) -> Markup {
    let review = mead.review.as_ref();
    let began = review
        .and_then(|r| r.original)
        .or(mead.batch.facts.original_gravity);
    let now = review.and_then(|r| r.ended_at).or(mead.now);
    let gravity = |g: Gravity| visitor.gravity(g);
    let strength = review.and_then(|r| r.strength);
    html! {
        @match (began, now) {
            (Some(began), Some(now)) => { (gravity(began)) span aria-hidden="true" { " → " } span.hidden { " to " } (gravity(now)) }
            (Some(began), None) => { "from " (gravity(began)) }
            (None, Some(now)) => { "at " (gravity(now)) }
            (None, None) => { "no gravity noted" }
        }
        @if mead.batch.ended.is_none() && now.is_some() { " now" }
        @if let Some(strength) = strength { ", " (visitor.strength(strength)) }
    }
}

fn pages(query: &Query, found: &Found) -> Markup {
    let more = (u64::from(query.page) + 1) * u64::from(PAGE) < found.total;
    let before = query.page.checked_sub(1);
    html! {
        @if more || before.is_some() {
            nav.stretches aria-label="Pages" {
                @if let Some(before) = before { a href=(address(query, before)) rel="prev" { "Later ones" } }
                @if more { a href=(address(query, query.page + 1)) rel="next" { "Earlier ones" } }
            }
        }
    }
}

fn address(query: &Query, page: u32) -> String {
    let fields = [
        ("words", &query.words),
        ("yeast", &query.yeast),
        ("from", &query.from),
        ("until", &query.until),
        ("state", &query.state),
    ];
    let mut address = format!("/archive?page={page}");
    for (key, value) in fields.into_iter().filter(|(_, v)| !v.is_empty()) {
        address += &format!("&{key}={}", encode(value));
    }
    for id in &query.meads {
        address += &format!("&mead={id}");
    }
    address
}
