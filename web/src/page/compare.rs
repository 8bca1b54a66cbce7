//! Meads laid over one another: the drawing, the figures, and where one went its own way.

mod draw;
mod file;

use axum::extract::{Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use ebbmark_core::deed::Deed;
use ebbmark_core::review::band::{FEWEST, Side};
use ebbmark_core::review::{Review, Spell};
use ebbmark_core::time::Span;
use ebbmark_core::units::{Gravity, Percent, Quantity};
use maud::{Markup, html};

use super::{Here, shell};
use crate::api::Keeping;
use crate::app::App;
use crate::chart::line_class;
use crate::compared::{Asked, Compared, Left, Mead, NotAsked, View, load};
use crate::fault::Fault;
use crate::show::as_sentence;
use crate::visitor::{Looking, Visitor};

impl From<NotAsked> for Fault {
    fn from(why: NotAsked) -> Fault {
        Fault::said(StatusCode::UNPROCESSABLE_ENTITY, as_sentence(&why.0))
    }
}

async fn loaded(app: &App, visitor: &Visitor, asked: &Asked) -> Result<Compared, Fault> {
    let (now, asked) = (visitor.now, asked.clone());
    app.read(move |reader| load(reader, &asked, now))
        .await?
        .ok_or_else(|| Fault::missing("mead"))
}

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
    Query(pairs): Query<Vec<(String, String)>>,
) -> Result<Markup, Fault> {
    let asked = Asked::from_pairs(&pairs)?;
    let compared = loaded(&app, &visitor, &asked).await?;
    let body = html! {
        h1 { "Meads compared" }
        @if compared.meads.is_empty() {
            p.sentence { "No mead is chosen." }
            p { a href="/archive" { "Choose some in the archive" } }
        } @else {
            nav.stretches aria-label="What is drawn" {
                @for view in View::ALL {
                    a href={ "/compare?" (asked.query(view)) }
                        aria-current=[(view == asked.view).then_some("true")] { (view.label()) }
                }
            }
            figure {
                (draw::charts(&visitor, &compared)?)
                figcaption.letters { (key(&visitor, &compared)) }
            }
            p.links {
                a href={ "/compare.csv?" (asked.query(asked.view)) } download { "The drawing's data as CSV" }
                a href={ "/archive?" (asked.query(asked.view)) } { "Choose others" }
            }
            h2 { "Figures" }
            (figures(&visitor, &compared))
            h2 { "Out of the usual" }
            (departures(&visitor, &compared))
        }
    };
    Ok(shell(&visitor, Here::Archive, "Meads compared", "", body))
}

pub(crate) async fn file(
    State(app): State<App>,
    Keeping(visitor): Keeping,
    Query(pairs): Query<Vec<(String, String)>>,
) -> Result<Response, Fault> {
    let asked = Asked::from_pairs(&pairs)?;
    let compared = loaded(&app, &visitor, &asked).await?;
    let text = file::csv(&compared).map_err(|e| Fault::broken(e.to_string()))?;
    let name = format!(
        "attachment; filename=\"compared-by-{}.csv\"",
        asked.view.key()
    );
    let headers = [
        (header::CONTENT_TYPE, "text/csv; charset=utf-8".to_owned()),
        (header::CONTENT_DISPOSITION, name),
    ];
    Ok((headers, text).into_response())
}

fn key(visitor: &Visitor, compared: &Compared) -> Markup {
    let drawn = |mead: &Mead| !mead.curve(compared.view).is_empty();
    html! {
        @for (n, mead) in compared.meads.iter().enumerate() {
            span {
                svg.sample viewBox="0 0 160 24" aria-hidden="true" {
                    path.{ "s-" (line_class(n)) } d="M4 12H156" stroke-width="8" fill="none" {}
                }
                b { (mead.letter) }
                span.about {
                    a href={ "/mead/" (mead.batch.id) } { (mead.batch.facts.name) }
                    ", pitched " (visitor.day(mead.summary.review.pitched))
                    @if !drawn(mead) { " (" (why_not_drawn(mead)) ")" }
                }
            }
        }
        @if !compared.usual().is_empty() {
            span { i.key.usual {} span.about { "where eight in ten of the cellar's " (compared.others) " other meads lie" } }
        }
    }
}

/// By shares of its sugar a mead can only be drawn when it is known how much it took.
fn why_not_drawn(mead: &Mead) -> &'static str {
    let review = &mead.summary.review;
    if review.fall.is_none() {
        "not drawn: no gravity from its beginning"
    } else if review.over {
        "not drawn: no fall to be seen"
    } else {
        "not drawn: still falling; see its gravity by days"
    }
}

type Figure = (&'static str, fn(&Visitor, &Review) -> Option<String>);

const FIGURES: [Figure; 12] = [
    ("In all", |_, r| Some(days(r.days))),
    ("Gravity", |v, r| {
        let [from, to] = [r.original, r.ended_at].map(|g| g.map(|g| v.gravity(g)));
        Some(format!("{} to {}", from?, to?))
    }),
    ("Strength", |v, r| r.strength.map(|s| v.strength(s))),
    ("Attenuation, apparent", |v, r| {
        r.apparent_attenuation.map(|p| percent(v, p))
    }),
    ("Attenuation, real", |v, r| {
        r.real_attenuation.map(|p| percent(v, p))
    }),
    ("Until it fell", |_, r| r.lag.map(length)),
    ("Half of the fall", |_, r| r.half.map(length)),
    ("90 % of it", |_, r| r.ninety.map(length)),
    ("99 % of it", |_, r| r.ninety_nine.map(length)),
    ("Steepest fall", |v, r| {
        let steepest = r.steepest?;
        let near = r.ended_at.unwrap_or(Gravity::computed(1.0));
        let day = steepest.at.since(r.pitched).as_days();
        Some(format!(
            "{} a day, on day {day:.1}",
            v.step(steepest.a_day, near)
        ))
    }),
    ("Temperature while falling", |v, r| {
        let warmth = r.warmth?;
        let [middle, low, high] =
            [warmth.median, warmth.low, warmth.high].map(|t| v.temperature(t));
        Some(format!("{middle}, from {low} to {high}"))
    }),
    ("Stood still", |v, r| {
        let spells: Vec<String> = r.stood_still.iter().map(|s| spell(v, r, s)).collect();
        Some(if spells.is_empty() {
            "no".to_owned()
        } else {
            spells.join("; ")
        })
    }),
];

fn spell(visitor: &Visitor, review: &Review, spell: &Spell) -> String {
    let day = |at: ebbmark_core::time::Moment| at.since(review.pitched).as_days();
    let gravity = visitor.gravity(spell.gravity);
    let from = day(spell.from);
    match spell.until {
        Some(until) => format!("at {gravity}, day {from:.1} to {:.1}", day(until)),
        None => format!("at {gravity} from day {from:.1} on: too high to be its end"),
    }
}

fn percent(visitor: &Visitor, p: Percent) -> String {
    Percent::MEASURE.show(p.get(), visitor.prefs)
}

fn days(days: f64) -> String {
    format!("{days:.1} days")
}

fn length(span: Span) -> String {
    if span < Span::days(2) {
        format!("{:.0} hours", span.as_hours())
    } else {
        days(span.as_days())
    }
}

fn figures(visitor: &Visitor, compared: &Compared) -> Markup {
    html! {
        div.scroll role="region" aria-label="Figures" tabindex="0" {
            table.figures {
                caption { "Times count from the pitch. Attenuation is that at the end of the fall, before anything was sweetened." }
                thead { tr {
                    td {}
                    @for mead in &compared.meads {
                        th scope="col" { b { (mead.letter) } " " (mead.batch.facts.name) }
                    }
                } }
                tbody {
                    @for (label, of) in FIGURES {
                        tr {
                            th scope="row" { (label) }
                            @for mead in &compared.meads {
                                td {
                                    @match of(visitor, &mead.summary.review) {
                                        Some(text) => (text),
                                        None => { span aria-hidden="true" { "–" } span.hidden { "not known" } }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn departures(visitor: &Visitor, compared: &Compared) -> Markup {
    if compared.band.is_none() {
        return html! {
            p {
                "What is usual here can be told from " (FEWEST) " finished meads on; beside "
                @if compared.meads.len() == 1 { "this one" } @else { "these" }
                @match compared.others {
                    0 => " there is none yet.",
                    1 => " there is one.",
                    n => { " there are " (n) "." }
                }
            }
        };
    }
    html! {
        p.aside {
            "Usual is what eight in ten of the cellar's " (compared.others)
            " other finished meads do. A family of meads that were split from one another counts once."
        }
        @for mead in &compared.meads {
            section.left {
                h3 { (mead.letter) ", " (mead.batch.facts.name) }
                @if mead.summary.pace.is_none() {
                    p { "Its fall is not known from beginning to end, so that it cannot be laid beside them." }
                } @else if mead.left.is_empty() {
                    p { "Went the usual way throughout." }
                } @else {
                    ul.points { @for left in &mead.left { li { (departure(visitor, compared.view, left)) } } }
                }
            }
        }
    }
}

fn departure(visitor: &Visitor, view: View, left: &Left) -> Markup {
    let how = &left.how;
    let way = match (view, how.side) {
        (View::Sugar, Side::Above) => "Quicker than usual",
        (View::Sugar, Side::Below) => "Slower than usual",
        (_, Side::Above) => "Further on than usual",
        (_, Side::Below) => "Behind the usual",
    };
    let [from, until] = [how.from_share, how.until_share].map(|s| 100.0 * s);
    html! {
        (way) (format!(" from day {:.1} (", how.from))
        (visitor.day(left.at)) (format!(") to day {:.1}, with {from:.0} to {until:.0} % of its sugar used. ", how.until))
        @if left.done.is_empty() {
            "Nothing was noted in the two days before."
        } @else {
            "In the two days before: "
            @for (n, deed) in left.done.iter().enumerate() {
                @if n > 0 { "; " }
                (done(visitor, deed))
            }
            "."
        }
    }
}

fn done(visitor: &Visitor, deed: &Deed) -> String {
    let mut text = format!("{} {}", deed.what.label(), visitor.day_and_time(deed.at));
    if let Some(gravity) = deed.gravity {
        text += &format!(", {}", visitor.gravity(gravity));
    }
    if !deed.note.is_empty() {
        text += &format!(" ({})", deed.note);
    }
    text
}
