//! What the maker was told, and whether it got through.

use axum::extract::{Query, State};
use ebbmark_core::notice::NoticeKind;
use ebbmark_core::notice::again::Reply;
use ebbmark_core::notice::quiet::Quiet;
use ebbmark_core::time::Moment;
use ebbmark_store::model::{DeliveryState, Notice, NoticeDelivery};
use maud::{Markup, html};

use super::field::Sheet;
use super::{Asked, Here, done, shell, why_no_forms};
use crate::WayOut;
use crate::app::App;
use crate::fault::Fault;
use crate::visitor::{Looking, Visitor};

const SHOWN: u32 = 60;
const TEST_FORM: &str = "test";
const ANSWER_FORM: &str = "answer";

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
    Query(asked): Query<Asked>,
) -> Result<Markup, Fault> {
    let (notices, wishes) = app
        .read(|reader| Ok((reader.notices(SHOWN)?, reader.wishes()?)))
        .await?;
    let body = html! {
        (done(asked.done.as_deref()))
        h1 { "Notices" }
        (ways_out(&visitor, &app.handle.ways_out))
        @if notices.is_empty() {
            p.aside { "Nothing was told yet. You hear when a mead settles, sticks or starts again, when a feed goes quiet, a battery runs low, a float gets stuck or does not agree with a hand reading, a vessel leaves its temperature band, no backup came about, the database could not be written or was damaged, the daemon itself was down, or something is to be done that should not wait: nutrient, fruit to be pushed down or taken out, a wait that is over." }
        }
        ol.notices { @for notice in &notices { (one(&visitor, notice, wishes.quiet.as_ref())) } }
    };
    Ok(shell(&visitor, Here::Notices, "Notices", "notices", body))
}

fn ways_out(visitor: &Visitor, ways: &[WayOut]) -> Markup {
    html! {
        section.ways aria-labelledby="ways" {
            h2 #ways { "Ways out" }
            @if ways.is_empty() {
                p.aside { "None is set up: notices stand only here. The configuration file names where they should go." }
            }
            @if let Some(why) = why_no_forms(visitor) { (why) }
            p { "What goes by which, quiet hours and a summary: " a href="/notices/ways" { "what is told how" } "." }
            (tests(visitor, ways))
        }
    }
}

/// Each way out, with a button that tries it.
pub(super) fn tests(visitor: &Visitor, ways: &[WayOut]) -> Markup {
    html! {
        ul.plain {
            @for way in ways {
                li.way {
                    p { b { (way.name) } " " (way.description) }
                    @if let Some(sheet) = Sheet::new(visitor, TEST_FORM, None) {
                        (sheet.form("/notices/test", "Send a test", sheet.hidden("channel", &way.name)))
                    }
                }
            }
        }
    }
}

fn one(visitor: &Visitor, notice: &Notice, quiet: Option<&Quiet>) -> Markup {
    let held =
        quiet.and_then(|q| q.holds(notice.kind, notice.pressing, visitor.now, &visitor.zone));
    html! {
        li.notice {
            time { (visitor.day_and_time(notice.at)) }
            div {
                h3 {
                    @if let Some(vessel) = notice.vessel {
                        a href={ "/vessel/" (vessel) } { (notice.title) }
                    } @else { (notice.title) }
                }
                p { (notice.body) }
                @if let Some(at) = notice.cleared { p.aside { "Over since " (visitor.day_and_time(at)) "." } }
                @if notice.deliveries.is_empty() && notice.kind != NoticeKind::Test { p.aside { "Stands only here." } }
                ul.plain { @for delivery in &notice.deliveries { (fate(visitor, delivery, held)) } }
                (answer(visitor, notice))
            }
        }
    }
}

/// What was answered, and the buttons that answer.
fn answer(visitor: &Visitor, notice: &Notice) -> Markup {
    if notice.cleared.is_some() || notice.kind == NoticeKind::Test {
        return html! {};
    }
    let sheet = Sheet::new(visitor, ANSWER_FORM, None);
    html! {
        @if let Some(at) = notice.seen { p.aside { "Seen " (visitor.day_and_time(at)) "." } }
        @if let Some(at) = notice.again { p.aside { "Told again " (visitor.day_and_time(at)) ", if it stands then." } }
        @if let Some(sheet) = sheet.filter(|_| notice.seen.is_none()) {
            (sheet.bare_form(&format!("/notices/{}/answer", notice.id), html! {
                p.act.answers { @for reply in Reply::ALL {
                    button type="submit" name="reply" value=(reply.key()) { (reply.short()) } " "
                } }
            }))
        }
    }
}

/// `held`: until when the quiet hours hold it.
fn fate(visitor: &Visitor, delivery: &NoticeDelivery, held: Option<Moment>) -> Markup {
    let tries = |n: u32| {
        if n == 1 {
            "1 try".to_owned()
        } else {
            format!("{n} tries")
        }
    };
    html! {
        @match delivery.state {
            DeliveryState::Sent { at } => li.aside { (delivery.channel) ": sent " (visitor.day_and_time(at)) },
            DeliveryState::Queued { next } => li.aside {
                (delivery.channel)
                @if let Some(until) = held { ": waits for the quiet hours to end, " (visitor.day_and_time(until)) }
                @else if delivery.attempts == 0 { ": waiting to be sent" }
                @else { ": not through after " (tries(delivery.attempts)) ", again " (visitor.day_and_time(next)) }
                (why(delivery))
            },
            DeliveryState::Withdrawn { at } => li.aside { (delivery.channel) ": answered " (visitor.day_and_time(at)) " before it went" },
            DeliveryState::GivenUp { at } => li.trouble {
                (delivery.channel) ": given up " (visitor.day_and_time(at)) " after " (tries(delivery.attempts))
                ". It never got through"
                (why(delivery))
            },
        }
    }
}

fn why(delivery: &NoticeDelivery) -> Markup {
    html! { @if let Some(error) = &delivery.last_error { ": " (error) } }
}
