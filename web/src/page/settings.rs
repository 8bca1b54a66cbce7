//! How the maker likes numbers and times, and who gets in.

use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ebbmark_core::units::{GravityScale, MassScale, PressureScale, TemperatureScale, VolumeScale};
use ebbmark_store::reader::ZONE_SETTING;
use maud::{Markup, html};
use serde::Deserialize;

use super::field::{Sheet, pick};
use super::{Here, done, shell, why_no_forms};
use crate::api::write;
use crate::app::App;
use crate::calendar::KEY_SETTING;
use crate::fault::Fault;
use crate::form::Draft;
use crate::intake::TOKEN_SETTING;
use crate::visitor::{Looking, PUBLIC_VIEW_SETTING, Visitor};

pub(crate) const SETTINGS_FORM: &str = "settings";
const TOKEN_FORM: &str = "token";
const API_FORM: &str = "api";
const CALENDAR_FORM: &str = "calendar";
const LEAVE_FORM: &str = "leave";

pub(crate) const GRAVITY_SCALES: [(GravityScale, &str, &str); 3] = [
    (
        GravityScale::SpecificGravity,
        "specific-gravity",
        "specific gravity (1.052)",
    ),
    (GravityScale::Plato, "plato", "°Plato"),
    (GravityScale::Brix, "brix", "°Brix"),
];
pub(crate) const TEMPERATURE_SCALES: [(TemperatureScale, &str, &str); 2] = [
    (TemperatureScale::Celsius, "celsius", "°C"),
    (TemperatureScale::Fahrenheit, "fahrenheit", "°F"),
];
pub(crate) const VOLUME_SCALES: [(VolumeScale, &str, &str); 3] = [
    (VolumeScale::Litres, "litres", "litres"),
    (VolumeScale::UsGallons, "us-gallons", "US gallons"),
    (
        VolumeScale::ImperialGallons,
        "imperial-gallons",
        "imperial gallons",
    ),
];

pub(crate) const MASS_SCALES: [(MassScale, &str, &str); 2] = [
    (MassScale::Kilograms, "kilograms", "kilograms"),
    (MassScale::Pounds, "pounds", "pounds (doses stay in grams)"),
];
pub(crate) const PRESSURE_SCALES: [(PressureScale, &str, &str); 2] = [
    (PressureScale::Bar, "bar", "bar"),
    (PressureScale::Psi, "psi", "psi"),
];

#[derive(Deserialize)]
pub(crate) struct Asked {
    done: Option<String>,
}

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
    Query(asked): Query<Asked>,
) -> Result<Response, Fault> {
    Ok(
        page(&app, &visitor, None, Made::Nothing, asked.done.as_deref())
            .await?
            .into_response(),
    )
}

pub(crate) async fn again(app: &App, visitor: &Visitor, draft: &Draft) -> Result<Response, Fault> {
    let markup = page(app, visitor, Some(draft), Made::Nothing, None).await?;
    Ok((StatusCode::UNPROCESSABLE_ENTITY, markup).into_response())
}

/// A secret just made; it is shown this once.
#[derive(Clone, Copy)]
pub(crate) enum Made<'a> {
    Nothing,
    IntakeToken(&'a str),
    ApiToken(&'a str),
    /// The calendar's address within this site, and whole.
    Calendar {
        path: &'a str,
        whole: &'a str,
    },
}

/// The page with a new secret.
pub(crate) async fn with(app: &App, visitor: &Visitor, made: Made<'_>) -> Result<Response, Fault> {
    Ok(page(app, visitor, None, made, None).await?.into_response())
}

async fn page(
    app: &App,
    visitor: &Visitor,
    draft: Option<&Draft>,
    made: Made<'_>,
    done_key: Option<&str>,
) -> Result<Markup, Fault> {
    let (zone, has_token, has_api, has_key, public) = app
        .read(|r| {
            Ok((
                r.setting(ZONE_SETTING)?,
                r.setting(TOKEN_SETTING)?.is_some(),
                r.setting(write::TOKEN_SETTING)?.is_some(),
                r.setting(KEY_SETTING)?.is_some(),
                r.setting(PUBLIC_VIEW_SETTING)?.unwrap_or_default(),
            ))
        })
        .await?;
    let body = html! {
        (done(done_key))
        h1 { "Settings" }
        div.leaf.even {
            section {
                h2 { "How it is shown" }
                @if let Some(why) = why_no_forms(visitor) { (why) }
                @if let Some(sheet) = Sheet::new(visitor, SETTINGS_FORM, draft) {
                    (sheet.form("/settings", "Save the settings", units(&sheet, visitor, zone.as_deref(), &public)))
                }
            }
            section { (intake(visitor, made, has_token)) }
            section { (calendar(visitor, made, has_key)) }
            section { (api(visitor, made, has_api)) }
            section {
                h2 { "Notices" }
                p { "Which kind goes by which way, quiet hours, and a daily or weekly summary: " a href="/notices/ways" { "what is told how" } "." }
            }
            section {
                h2 { "Prices" }
                p { "What honey, fruit and bottles cost, for the cost on a mead's card: " a href="/prices" { "the list of prices" } "." }
            }
            section {
                h2 { "In order?" }
                p { "Clock, disk, database, broker, mail and feeds, each with its remedy: " a href="/look-round" { "look round" } "." }
            }
            section {
                h2 { "Password" }
                p {
                    "To set or change it, run " code { "ebbmark password" }
                    " on the board (with the daemon's --config, if it has one). A new password signs everybody out."
                }
                @if let Some(sheet) = Sheet::new(visitor, LEAVE_FORM, None) {
                    (sheet.form("/leave", "Sign out", html! {}))
                }
            }
        }
    };
    Ok(shell(visitor, Here::Settings, "Settings", "", body))
}

fn units(sheet: &Sheet, visitor: &Visitor, zone: Option<&str>, public: &str) -> Markup {
    let prefs = visitor.prefs;
    let views = [
        ("", "who has signed in"),
        ("yes", "everybody who reaches it"),
    ]
    .map(|(key, text)| (key.to_owned(), text.to_owned()));
    html! {
        div.fields {
            (pick(sheet, "gravity", "Gravity", &GRAVITY_SCALES, prefs.gravity))
            (pick(sheet, "temperature", "Temperature", &TEMPERATURE_SCALES, prefs.temperature))
            (pick(sheet, "volume", "Volume", &VOLUME_SCALES, prefs.volume))
            (pick(sheet, "mass", "Mass", &MASS_SCALES, prefs.mass))
            (pick(sheet, "pressure", "Pressure", &PRESSURE_SCALES, prefs.pressure))
            (sheet.text("zone", "Time zone", zone.unwrap_or(""),
                "As in \"Europe/Warsaw\". Left empty: the board's own."))
            (sheet.select("view", "This book may be read by", &views, public))
        }
    }
}

fn intake(visitor: &Visitor, made: Made, has_token: bool) -> Markup {
    html! {
        h2 { "Readings over HTTP" }
        @if let Made::IntakeToken(token) = made {
            p.done role="status" { "The new token. Write it down: it is shown this once." }
            p { code.token { (token) } }
        }
        p {
            "A sender posts to " code { "/intake/" i { "its/topic" } } " with the header "
            code { "Authorization: Bearer " i { "token" } } ". "
            @if has_token { "A token is set; a new one replaces it." }
            @else { "No token is set, so nothing is taken over HTTP yet." }
        }
        @if let Some(sheet) = Sheet::new(visitor, TOKEN_FORM, None) {
            (sheet.form("/settings/token", "Make a new token", html! {}))
        }
    }
}

fn api(visitor: &Visitor, made: Made, has_token: bool) -> Markup {
    html! {
        h2 #api { "Other programs" }
        @if let Made::ApiToken(token) = made {
            p.done role="status" { "The new token. Write it down: it is shown this once." }
            p { code.token { (token) } }
        }
        p {
            "A program that shows this token in the header " code { "Authorization: Bearer " i { "token" } }
            " may read and write all that this page can, under " code { "/api/v1/" } ". "
            @if has_token { "A token is set; a new one replaces it." }
            @else { "No token is set." }
        }
        @if let Some(sheet) = Sheet::new(visitor, API_FORM, None) {
            (sheet.form("/settings/api", "Make a new token for programs", html! {}))
        }
    }
}

fn calendar(visitor: &Visitor, made: Made, has_key: bool) -> Markup {
    html! {
        h2 #calendar { "Calendar" }
        @if let Made::Calendar { path, whole } = made {
            p.done role="status" { "The new address. Copy it into the phone's calendar: it is shown this once." }
            p { a.token href=(path) { (whole) } }
        }
        p {
            "What is to be done, for a calendar that follows an address (iCalendar). Whoever has the "
            "address can read that and nothing else. "
            @if has_key { "An address is made; a new one replaces it." }
            @else { "No address is made yet." }
        }
        @if let Some(sheet) = Sheet::new(visitor, CALENDAR_FORM, None) {
            (sheet.form("/settings/calendar", "Make a new address", html! {}))
        }
    }
}
