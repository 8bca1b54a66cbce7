//! The first hour: from nothing to a mead that is watched, one step after the other. What is done
//! is derived from the record; only that the maker has had enough of it is kept.

use std::net::SocketAddr;

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ebbmark_core::deed::What;
use ebbmark_core::notice::NoticeKind;
use ebbmark_core::time::Moment;
use ebbmark_store::model::{DeliveryState, Vessel};
use ebbmark_store::reader::UNITS_SETTING;
use ebbmark_store::{Reader, StoreError};
use maud::{Markup, html};

use super::cellar::{ADD_FORM, vessel_fields};
use super::field::Sheet;
use super::{Here, bare, shell, why_no_forms};
use crate::app::App;
use crate::fault::Fault;
use crate::visitor::{Standing, Visitor};

const CLOSE_FORM: &str = "close";
/// A test notice further back than this many others is forgotten.
const NOTICES: u32 = 200;

pub(crate) async fn show(State(app): State<App>, visitor: Visitor) -> Result<Response, Fault> {
    match visitor.standing {
        Standing::Unlocked => Ok(door(&app, None).into_response()),
        Standing::Outside => Err(Fault::SignIn { then: visitor.path }),
        Standing::Guest | Standing::Entered { .. } => steps(&app, &visitor).await,
    }
}

/// The first page, with why the password was not set.
pub(crate) fn again(app: &App, status: StatusCode, why: &str) -> Response {
    (status, door(app, Some(why))).into_response()
}

/// Setting the password: whoever has the code can read the daemon's log, and so is at home.
fn door(app: &App, why: Option<&str>) -> Markup {
    let body = html! {
        main.narrow #main tabindex="-1" data-follows="" {
            h1 { "First steps" }
            p.sentence { "Choose the password by which this book is written." }
            @if app.handle.start_code.is_some() {
                p {
                    "So that nobody else chooses it, the daemon gave a code when it started: it stands in the "
                    "window it was started from, or in its log ("
                    code { "journalctl -u ebbmark" } ")."
                }
                form method="post" action="/start" autocomplete="off" {
                    @if let Some(why) = why { p.complaints role="alert" { (why) } }
                    div.fields {
                        label.field {
                            span { "Code" }
                            input type="text" name="code" required autofocus autocapitalize="characters" spellcheck="false";
                        }
                        label.field {
                            span { "Password" }
                            input type="password" name="password" autocomplete="new-password" required
                                minlength="8" aria-describedby="long";
                            small #long { "At least 8 characters." }
                        }
                    }
                    p.act { button type="submit" { "Set the password" } }
                }
            } @else {
                p {
                    "On the board, run " code { "ebbmark password" }
                    ", with the daemon's --config if it has one, and choose one."
                }
            }
            p { a href="/" { "Look round without it" } }
        }
    };
    bare("First steps", None, body)
}

/// What the record tells of how far the maker is.
struct Progress {
    units_set: bool,
    vessels: Vec<Vessel>,
    /// Latest reading of any feed that has a vessel.
    read: Option<Moment>,
    by_hand: bool,
    unclaimed: usize,
    told: bool,
}

impl Progress {
    fn load(reader: &Reader) -> Result<Progress, StoreError> {
        let vessels: Vec<Vessel> = reader
            .vessels()?
            .into_iter()
            .filter(|v| !v.retired)
            .collect();
        let mut by_hand = false;
        for vessel in vessels.iter().filter(|v| v.batch.is_some()) {
            let log = reader.log(vessel.id, Moment(i64::MIN), Moment(i64::MAX))?;
            by_hand |= log.iter().any(|l| l.deed.what == What::HandReading);
        }
        let told = reader.notices(NOTICES)?.iter().any(|notice| {
            let sent = |state| matches!(state, DeliveryState::Sent { .. });
            notice.kind == NoticeKind::Test && notice.deliveries.iter().any(|d| sent(d.state))
        });
        Ok(Progress {
            units_set: reader.setting(UNITS_SETTING)?.is_some(),
            read: reader
                .feeds()?
                .iter()
                .filter(|feed| feed.vessel.is_some())
                .filter_map(|feed| feed.last_reading)
                .max(),
            vessels,
            by_hand,
            unclaimed: reader.unclaimed_count()?,
            told,
        })
    }

    fn mead(&self) -> Option<&Vessel> {
        self.vessels.iter().find(|v| v.batch.is_some())
    }
}

struct Step {
    title: &'static str,
    done: bool,
    /// What to do, or what was found.
    body: Markup,
}

async fn steps(app: &App, visitor: &Visitor) -> Result<Response, Fault> {
    let progress = app.read(Progress::load).await?;
    let steps = [
        Step {
            title: "A password",
            done: true,
            body: html! { p { "It is set." } },
        },
        scales(visitor, &progress),
        vessel(visitor, &progress),
        mead(&progress),
        readings(app, visitor, &progress),
        notices(app, visitor, &progress),
    ];
    let next = steps.iter().position(|step| !step.done);
    let body = html! {
        h1 { "First steps" }
        p.sentence {
            @match next {
                Some(_) => "One after the other; what is done stays done.",
                None => "All is set up.",
            }
        }
        @if let Some(why) = why_no_forms(visitor) { (why) }
        ol.first {
            @for (n, step) in steps.iter().enumerate() {
                li.done-step[step.done] aria-current=[(next == Some(n)).then_some("step")] {
                    h2 { (step.title) @if step.done { span.answer { " · done" } } }
                    @if step.done || next == Some(n) || n == steps.len() - 1 { (step.body) }
                }
            }
        }
        p { "Whether clock, disk, servers and feeds are in order is said under " a href="/look-round" { "look round" } "." }
        @if let Some(sheet) = Sheet::new(visitor, CLOSE_FORM, None).filter(|_| visitor.starting) {
            @let button = if next.is_some() { "Leave the rest for later" } else { "To the cellar" };
            (sheet.form("/start/close", button, html! {}))
        }
    };
    Ok(shell(
        visitor,
        Here::Elsewhere,
        "First steps",
        "cellar feeds notices",
        body,
    )
    .into_response())
}

fn scales(visitor: &Visitor, progress: &Progress) -> Step {
    let zone = visitor.zone.iana_name().unwrap_or("the board's zone");
    Step {
        title: "Your scales and clock",
        done: progress.units_set,
        body: html! {
            p {
                "Gravity is shown in " (visitor.gravity_name()) ", temperature in " (visitor.temperature_unit())
                ", volume in " (visitor.volume_unit()) ", times as in " (zone) ". "
                a href="/settings" { @if progress.units_set { "Change them" } @else { "Look through them and save" } } "."
            }
        },
    }
}

fn vessel(visitor: &Visitor, progress: &Progress) -> Step {
    let body = match progress.vessels.first() {
        Some(first) => html! {
            p { a href={ "/vessel/" (first.id) } { (first.facts.name) } " is in the book." }
        },
        None => html! {
            p { "A carboy, tank or keg. A name is enough." }
            @if let Some(sheet) = Sheet::new(visitor, ADD_FORM, None) {
                (sheet.form("/vessel", "Add the vessel", vessel_fields(&sheet, visitor, None)))
            }
        },
    };
    Step {
        title: "A vessel",
        done: !progress.vessels.is_empty(),
        body,
    }
}

fn mead(progress: &Progress) -> Step {
    let body = match (progress.mead(), progress.vessels.first()) {
        (Some(vessel), _) => html! {
            p {
                @if let Some(batch) = &vessel.batch { (batch.facts.name) " in " }
                a href={ "/vessel/" (vessel.id) } { (vessel.facts.name) } "."
            }
        },
        (None, Some(empty)) => html! {
            p {
                "When it was pitched, and at what gravity: "
                a href={ "/vessel/" (empty.id) "#batch" } { "start a mead in " (empty.facts.name) } "."
            }
        },
        (None, None) => html! {},
    };
    Step {
        title: "A mead in it",
        done: progress.mead().is_some(),
        body,
    }
}

fn readings(app: &App, visitor: &Visitor, progress: &Progress) -> Step {
    let by_hand = progress.mead().map(|v| format!("/vessel/{}#hand", v.id));
    let body = html! {
        @if let Some(at) = progress.read {
            p { "The latest reading came in " (visitor.ago(at)) "." }
        } @else if progress.by_hand {
            p { "You read by hand. A float can join at any time: " a href="/feeds" { "Feeds" } "." }
        } @else if progress.unclaimed > 0 {
            p.sentence { a href="/feeds#unclaimed" { "A float has spoken: claim it" } "." }
            p { "Say which of its numbers is the gravity, and which vessel it floats in." }
        } @else {
            p { "Let the float send its readings here; this page sees them come." }
            dl.facts {
                div { dt { "By MQTT" } dd { (mqtt(&app.handle.intake, &app.handle.intake_over_tls)) } }
                div { dt { "By HTTP" } dd { "POST to " code { "/intake/" i { "its/topic" } } " with a token of " a href="/access#tokens" { "who gets in" } } }
            }
            @if let Some(address) = by_hand {
                p { "Or without a float: " a href=(address) { "note a hand reading" } "." }
            }
        }
    };
    Step {
        title: "Readings",
        done: progress.read.is_some() || progress.by_hand,
        body,
    }
}

/// Where a float publishes to.
fn mqtt(plain: &[SocketAddr], over_tls: &[SocketAddr]) -> Markup {
    let outside = |all: &[SocketAddr]| {
        let found = all.iter().find(|a| !a.ip().to_canonical().is_loopback());
        found.map(SocketAddr::port)
    };
    let from_outside = match (outside(plain), outside(over_tls)) {
        (Some(port), None) => Some(format!("port {port}")),
        (None, Some(port)) => Some(format!("port {port} over TLS")),
        (Some(port), Some(tls)) => Some(format!("port {port}, or {tls} over TLS,")),
        (None, None) => None,
    };
    match (from_outside, plain.first().or(over_tls.first())) {
        (Some(port), _) => html! {
            "to " (port) " of this board, on any topic, with the user and password of "
            code { "[intake.credentials]" }
        },
        (None, Some(address)) => html! {
            "to port " (address.port()) ", on any topic. Only this board itself reaches it now: for floats in the "
            "network set " code { "[intake.credentials]" } " and " code { "listen" } " in the configuration file"
        },
        (None, None) => html! { "by the brokers of the configuration file" },
    }
}

fn notices(app: &App, visitor: &Visitor, progress: &Progress) -> Step {
    let ways = &app.handle.ways_out;
    Step {
        title: "Notices that reach you",
        done: progress.told,
        body: html! {
            @if progress.told {
                p { "A test got through. " a href="/notices" { "Notices" } "." }
            } @else if ways.is_empty() {
                p {
                    "No way out is set up: notices would stand on the page only. The file "
                    code { "config/notices.toml" } " shows how to name a mail server or a web address."
                }
            } @else {
                p { "Send a test, and see that it arrives." }
                (super::notices::tests(visitor, ways))
            }
        },
    }
}
