//! The pages. Each answers one question; this is what they share.

pub(crate) mod access;
pub(crate) mod answer;
pub(crate) mod archive;
pub(crate) mod blend;
pub(crate) mod card;
pub(crate) mod cellar;
pub(crate) mod compare;
pub(crate) mod enter;
pub(crate) mod feeds;
mod field;
pub(crate) mod label;
pub(crate) mod line;
pub(crate) mod look_round;
pub(crate) mod notices;
pub(crate) mod plan;
pub(crate) mod prices;
pub(crate) mod reckon;
pub(crate) mod settings;
pub(crate) mod start;
pub(crate) mod tasks;
pub(crate) mod vessel;
pub(crate) mod ways;

use axum::http::{HeaderMap, StatusCode, header};
use maud::{DOCTYPE, Markup, PreEscaped, html};

use serde::Deserialize;

use crate::assets;
use crate::fault::Fault;
use crate::visitor::{Standing, Visitor};

/// Where in the book a page stands.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Here {
    Cellar,
    Tasks,
    Vessel,
    Archive,
    Feeds,
    Reckon,
    Notices,
    Settings,
    Elsewhere,
}

const CHAPTERS: [(Here, &str, &str); 7] = [
    (Here::Cellar, "/", "Cellar"),
    (Here::Tasks, "/tasks", "To do"),
    (Here::Reckon, "/reckon", "Reckon"),
    (Here::Archive, "/archive", "Archive"),
    (Here::Feeds, "/feeds", "Feeds"),
    (Here::Notices, "/notices", "Notices"),
    (Here::Settings, "/settings", "Settings"),
];

/// What a page is asked by whatever leads back to it.
#[derive(Deserialize)]
pub(crate) struct Asked {
    /// What a form led to, see [`done`].
    done: Option<String>,
}

/// A whole page. `follows` names the changes that make the script fetch it again (see `live`);
/// empty for a page that does not change by itself.
pub(crate) fn shell(
    visitor: &Visitor,
    here: Here,
    title: &str,
    follows: &str,
    body: Markup,
) -> Markup {
    let clock = visitor.clock(visitor.now);
    bare(
        title,
        Some(here),
        html! {
            main #main tabindex="-1" data-follows=(follows) data-told=(visitor.told) data-clock=(clock) {
                @if visitor.starting && !visitor.path.starts_with("/start") {
                    p.begun { a href="/start" { "First steps: go on" } }
                }
                (body)
                p.as-of { "As of " (clock) ", " (zone_name(visitor)) "." }
            }
        },
    )
}

/// A page for a screen nobody sits at: without the head and what else is tapped.
fn screen(visitor: &Visitor, title: &str, follows: &str, body: Markup) -> Markup {
    let clock = visitor.clock(visitor.now);
    html! {
        (DOCTYPE)
        html lang="en" {
            (head(title))
            body.screen {
                p #lost role="status" hidden {}
                main #main tabindex="-1" data-follows=(follows) data-told=(visitor.told) data-clock=(clock) { (body) }
            }
        }
    }
}

fn zone_name(visitor: &Visitor) -> String {
    visitor.zone.iana_name().map_or_else(
        || "local time".to_owned(),
        |n| format!("{} time", n.replace('_', " ")),
    )
}

/// A page without a visitor: signing in, faults.
fn bare(title: &str, here: Option<Here>, main: Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            (head(title))
            body {
                a.skip href="#main" { "To the content" }
                header.top {
                    a.name href="/" { "Ebbmark" }
                    @if let Some(here) = here {
                        nav aria-label="Chapters" {
                            @for (chapter, address, name) in CHAPTERS {
                                @let current = (chapter == here).then_some("page");
                                a href=(address) aria-current=[current] { (name) }
                            }
                        }
                    }
                }
                p #lost role="status" hidden {}
                (main)
            }
        }
    }
}

fn head(title: &str) -> Markup {
    html! {
        head {
            meta charset="utf-8";
            meta name="viewport" content="width=device-width, initial-scale=1";
            meta name="color-scheme" content="light dark";
            meta name="theme-color" media="(prefers-color-scheme: light)" content="#f6f1e6";
            meta name="theme-color" media="(prefers-color-scheme: dark)" content="#191613";
            title { (title) " · Ebbmark" }
            link rel="stylesheet" href=(assets::address("style.css"));
            link rel="icon" href=(assets::address("mark.svg")) type="image/svg+xml";
            link rel="apple-touch-icon" href="/icon-192.png";
            link rel="manifest" href="/ebbmark.webmanifest";
            script defer src=(assets::address("live.js")) {}
            script defer src=(assets::address("send.js")) {}
        }
    }
}

/// What a person sees when something cannot be done.
pub(crate) fn fault(status: StatusCode, say: &str, number: &str) -> Markup {
    let title = match status {
        StatusCode::NOT_FOUND => "Not in the book",
        s if s.is_server_error() => "That did not work",
        _ => "Not taken",
    };
    bare(
        title,
        Some(Here::Elsewhere),
        html! {
            main.narrow #main tabindex="-1" data-follows="" {
                h1 { (title) }
                p.sentence { (say) }
                p { a href="/" { "To the cellar" } }
                p.as-of { "Request " (number) "." }
            }
        },
    )
}

pub(crate) async fn missing() -> Fault {
    Fault::missing("page")
}

/// What stands in the place of forms for someone who may not write; nothing for who may.
fn why_no_forms(visitor: &Visitor) -> Option<Markup> {
    match visitor.standing {
        Standing::Entered { .. } => None,
        Standing::Unlocked => Some(html! {
            p.aside {
                "To write in this book, set a password first: " a href="/start" { "first steps" } "."
            }
        }),
        Standing::Guest | Standing::Outside => Some(html! {
            p.aside {
                a href={ "/enter?then=" (encode(&visitor.path)) } { "Sign in" }
                " to write in this book."
            }
        }),
    }
}

/// What a form led to, said at the top of the page it leads back to. Only fixed words: the
/// address could have been written by anyone.
fn done_line(key: &str) -> Option<&'static str> {
    Some(match key {
        "vessel" => "Vessel saved.",
        "retired" => "Taken off the cellar view. Nothing was deleted.",
        "batch" => "Mead saved.",
        "ended" => "Marked as finished.",
        "claimed" => "Topic claimed; what was kept of it has been read.",
        "map" => "Feed saved; its messages are being read again.",
        "racked" => "Moved. Both books say so.",
        "split" => "Split off. Both books say so.",
        "blended" => "Poured together. Each book says so.",
        "moved" => "Feed moved. Readings from now on belong there.",
        "feed-retired" => "Feed retired. Its readings stay.",
        "test" => "Test notice queued; it shows below how it fares.",
        "ways" => "Saved. It holds for what comes from now on.",
        "answered" => "Noted.",
        "settings" => "Saved.",
        "password" => "The password is changed; everybody else is signed out.",
        "price" => "The list of prices is changed.",
        "task-done" => "Done, and written in the book.",
        "task-later" => "Put off.",
        "task-not" => "Not this time.",
        "task-gone" => "That was done or answered already.",
        _ => return None,
    })
}

fn done(key: Option<&str>) -> Markup {
    html! {
        @if let Some(line) = key.and_then(done_line) {
            p.done role="status" { (line) }
        }
    }
}

/// Percent-encodes everything but unreserved characters (RFC 3986, 2.3), for use in a query.
pub(crate) fn encode(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}

/// An SVG made by `chart`, which escapes what goes into it.
fn drawing(svg: String) -> Markup {
    PreEscaped(svg)
}

/// A page's whole address, as whoever asks reaches it.
pub(crate) fn reached_at(headers: &HeaderMap, secure: bool, path: &str) -> String {
    let host = headers.get(header::HOST).and_then(|h| h.to_str().ok());
    let scheme = if secure { "https" } else { "http" };
    format!("{scheme}://{}{path}", host.unwrap_or("localhost"))
}
