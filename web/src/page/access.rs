//! Who gets in: the password, who is signed in, and what programs and senders show.

use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ebbmark_core::time::Moment;
use ebbmark_store::model::{Scopes, Session, Token};
use maud::{Markup, html};

use super::field::Sheet;
use super::{Asked, Here, done, shell, why_no_forms};
use crate::app::App;
use crate::auth::{PASSWORD_SETTING, token};
use crate::calendar::KEY_SETTING;
use crate::fault::Fault;
use crate::form::Draft;
use crate::visitor::{Looking, PUBLIC_VIEW_SETTING, Standing, Visitor};

pub(crate) const PASSWORD_FORM: &str = "password";
pub(crate) const TOKEN_FORM: &str = "token";
const VIEW_FORM: &str = "view";
const SESSION_FORM: &str = "session";
const OTHERS_FORM: &str = "others";
const REVOKE_FORM: &str = "revoke";
const CALENDAR_FORM: &str = "calendar";
const LEAVE_FORM: &str = "leave";

/// What a token may do, as the form asks it.
pub(crate) const SCOPES: [(&str, &str); 3] = [
    ("send", "send readings"),
    ("look", "read what the pages show"),
    ("write", "do what the forms do, and read"),
];

/// A secret just made; it is shown this once.
#[derive(Clone, Copy)]
pub(crate) enum Made<'a> {
    Nothing,
    Token {
        name: &'a str,
        token: &'a str,
    },
    /// The calendar's address within this site, and whole.
    Calendar {
        path: &'a str,
        whole: &'a str,
    },
}

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
    Query(asked): Query<Asked>,
) -> Result<Markup, Fault> {
    page(&app, &visitor, None, Made::Nothing, asked.done.as_deref()).await
}

pub(crate) async fn again(app: &App, visitor: &Visitor, draft: &Draft) -> Result<Response, Fault> {
    let markup = page(app, visitor, Some(draft), Made::Nothing, None).await?;
    Ok((StatusCode::UNPROCESSABLE_ENTITY, markup).into_response())
}

/// The page with a new secret.
pub(crate) async fn with(app: &App, visitor: &Visitor, made: Made<'_>) -> Result<Response, Fault> {
    Ok(page(app, visitor, None, made, None).await?.into_response())
}

/// What is on record of who gets in.
struct Door {
    public: bool,
    has_key: bool,
    sessions: Vec<Session>,
    /// Of whoever asks.
    own: Option<Vec<u8>>,
    tokens: Vec<Token>,
}

async fn load(app: &App, visitor: &Visitor) -> Result<Door, Fault> {
    let by = visitor.clone();
    app.read(move |r| {
        let password = r.setting(PASSWORD_SETTING)?;
        let own = match (&by.standing, password) {
            (Standing::Entered { token }, Some(password)) => {
                Some(token::session_hash(token, &password))
            }
            _ => None,
        };
        // Whoever looks without the password sees neither browsers nor programs.
        let inside = own.is_some();
        Ok(Door {
            public: r.setting(PUBLIC_VIEW_SETTING)?.as_deref() == Some("yes"),
            has_key: r.setting(KEY_SETTING)?.is_some(),
            sessions: if inside {
                r.sessions(by.now)?
            } else {
                Vec::new()
            },
            tokens: if inside { r.tokens()? } else { Vec::new() },
            own,
        })
    })
    .await
}

async fn page(
    app: &App,
    visitor: &Visitor,
    draft: Option<&Draft>,
    made: Made<'_>,
    done_key: Option<&str>,
) -> Result<Markup, Fault> {
    let door = load(app, visitor).await?;
    let body = html! {
        (done(done_key))
        h1 { "Who gets in" }
        @if let Some(why) = why_no_forms(visitor) { (why) }
        @if door.own.is_some() {
            div.leaf.even {
                section { (view(visitor, &door)) }
                section { (password(visitor, draft)) }
                section { (sessions(visitor, &door)) }
                section { (tokens(visitor, draft, made, &door)) }
                section { (calendar(visitor, made, &door)) }
            }
        }
    };
    Ok(shell(visitor, Here::Settings, "Who gets in", "", body))
}

fn view(visitor: &Visitor, door: &Door) -> Markup {
    let views = [
        ("", "who has signed in"),
        ("yes", "everybody who reaches it"),
    ]
    .map(|(key, text)| (key.to_owned(), text.to_owned()));
    html! {
        h2 { "Looking" }
        p { "Writing always needs the password." }
        @if let Some(sheet) = Sheet::new(visitor, VIEW_FORM, None) {
            (sheet.form("/access/view", "Save", html! {
                div.fields {
                    (sheet.select("view", "This book may be read by", &views, if door.public { "yes" } else { "" }))
                }
            }))
        }
    }
}

fn password(visitor: &Visitor, draft: Option<&Draft>) -> Markup {
    html! {
        h2 { "Password" }
        p { "A new password signs everybody else out." }
        @if let Some(sheet) = Sheet::new(visitor, PASSWORD_FORM, draft) {
            (sheet.straight("/access/password", "Change the password", html! {
                div.fields {
                    (sheet.password("now", "The password now", "current-password", ""))
                    (sheet.password("new", "The new one", "new-password", "At least 8 characters."))
                }
            }))
        }
    }
}

fn sessions(visitor: &Visitor, door: &Door) -> Markup {
    html! {
        h2 { "Signed in" }
        p { "Each stays signed in until nobody has looked there for 30 days." }
        ul.plain {
            @for session in &door.sessions {
                @let own = door.own.as_ref() == Some(&session.token_hash);
                li.way.price {
                    p {
                        b { (browser(&session.label)) }
                        @if own { " (this one)" }
                        br;
                        small {
                            "since " (visitor.day_and_time(session.made_at))
                            ", last seen " (day_seen(visitor, session.seen_at))
                        }
                    }
                    @if own {
                        @if let Some(sheet) = Sheet::new(visitor, LEAVE_FORM, None) {
                            (sheet.bare_form("/leave", html! {
                                button.quiet type="submit" { "Sign out" }
                            }))
                        }
                    } @else if let Some(sheet) = Sheet::new(visitor, SESSION_FORM, None) {
                        (sheet.bare_form("/access/session", html! {
                            (sheet.hidden("session", &token::hex(&session.token_hash)))
                            button.quiet type="submit" { "Sign out" span.hidden { " " (browser(&session.label)) } }
                        }))
                    }
                }
            }
        }
        @if door.sessions.len() > 1 {
            @if let Some(sheet) = Sheet::new(visitor, OTHERS_FORM, None) {
                (sheet.form("/access/others", "Sign out everywhere else", html! {}))
            }
        }
    }
}

/// Noted to the day.
fn day_seen(visitor: &Visitor, at: Moment) -> String {
    let day = |at: Moment| at.timestamp().map(|t| visitor.zone.to_datetime(t).date());
    if day(at) == day(visitor.now) {
        "today".to_owned()
    } else {
        visitor.day(at)
    }
}

/// From what a browser calls itself, what a person would: "Firefox on Android".
fn browser(label: &str) -> String {
    // In this order: each also names those after it.
    let named = [
        ("Edg/", "Edge"),
        ("OPR/", "Opera"),
        ("Firefox/", "Firefox"),
        ("Chrome/", "Chrome"),
        ("Safari/", "Safari"),
    ];
    let systems = [
        ("Android", "Android"),
        ("iPhone", "iPhone"),
        ("iPad", "iPad"),
        ("Windows", "Windows"),
        ("Mac OS", "macOS"),
        ("CrOS", "ChromeOS"),
        ("Linux", "Linux"),
    ];
    let find = |all: &[(&str, &'static str)]| {
        all.iter()
            .find(|(part, _)| label.contains(part))
            .map(|(_, name)| *name)
    };
    match (find(&named), find(&systems)) {
        (Some(name), Some(system)) => format!("{name} on {system}"),
        (Some(name), None) => name.to_owned(),
        _ => label.to_owned(),
    }
}

fn may(scopes: Scopes) -> String {
    let held = [scopes.send, scopes.look && !scopes.write, scopes.write];
    let words: Vec<&str> = SCOPES
        .iter()
        .zip(held)
        .filter_map(|((_, words), held)| held.then_some(*words))
        .collect();
    words.join("; ")
}

fn tokens(visitor: &Visitor, draft: Option<&Draft>, made: Made, door: &Door) -> Markup {
    html! {
        h2 #tokens { "Tokens of floats and programs" }
        @if let Made::Token { name, token } = made {
            p.done role="status" { "The token for " (name) ". Write it down: it is shown this once." }
            p { code.token { (token) } }
        }
        p {
            "Shown in the header " code { "Authorization: Bearer " i { "token" } } ". Readings are posted to "
            code { "/intake/" i { "its/topic" } } "; programs ask under " code { "/api/v1/" } "."
        }
        @if !door.tokens.is_empty() {
            ul.plain {
                @for token in &door.tokens {
                    li.way.price {
                        p {
                            b { (token.name) } ": may " (may(token.scopes))
                            br;
                            small {
                                @if let Some(at) = token.made_at { "made " (visitor.date(at)) ", " }
                                @match token.used_at {
                                    Some(at) => { "last used " (day_seen(visitor, at)) },
                                    None => { "not used yet" },
                                }
                            }
                        }
                        @if let Some(sheet) = Sheet::new(visitor, REVOKE_FORM, None) {
                            (sheet.bare_form("/access/revoke", html! {
                                (sheet.hidden("token", &token.id.to_string()))
                                button.quiet type="submit" { "Revoke" span.hidden { " " (token.name) } }
                            }))
                        }
                    }
                }
            }
        }
        @if let Some(sheet) = Sheet::new(visitor, TOKEN_FORM, draft) {
            (sheet.straight("/access/token", "Make a token", html! {
                div.fields {
                    (sheet.text("name", "Who it is for", "", "\"The float by the stairs\"."))
                    fieldset.wide {
                        legend { "It may" }
                        @for (key, words) in SCOPES { (sheet.tick(key, words, false, true)) }
                    }
                }
            }))
        }
    }
}

fn calendar(visitor: &Visitor, made: Made, door: &Door) -> Markup {
    html! {
        h2 #calendar { "Calendar" }
        @if let Made::Calendar { path, whole } = made {
            p.done role="status" { "The new address. Copy it into the phone's calendar: it is shown this once." }
            p { a.token href=(path) { (whole) } }
        }
        p {
            "What is to be done, for a calendar that follows an address (iCalendar). Whoever has the "
            "address can read that and nothing else. "
            @if door.has_key { "An address is made; a new one replaces it." }
            @else { "No address is made yet." }
        }
        @if let Some(sheet) = Sheet::new(visitor, CALENDAR_FORM, None) {
            (sheet.straight("/access/calendar", "Make a new address", html! {}))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn browsers_by_their_everyday_names() {
        let phone = "Mozilla/5.0 (Android 16; Mobile; rv:140.0) Gecko/140.0 Firefox/140.0";
        assert_eq!(browser(phone), "Firefox on Android");
        let desk = "Mozilla/5.0 (X11; Linux x86_64) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/140.0 Safari/537.36";
        assert_eq!(browser(desk), "Chrome on Linux");
        assert_eq!(browser("my script"), "my script");
    }

    #[test]
    fn a_token_that_may_write_reads_too() {
        let all = Scopes {
            look: true,
            write: true,
            send: true,
        };
        assert_eq!(may(all), "send readings; do what the forms do, and read");
    }
}
