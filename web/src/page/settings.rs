//! How the maker likes numbers and times.

use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ebbmark_core::units::{
    ClockFace, DateOrder, GravityScale, MassScale, PressureScale, TemperatureScale, VolumeScale,
};
use ebbmark_store::reader::ZONE_SETTING;
use maud::{Markup, html};

use super::field::{Sheet, pick};
use super::{Asked, Here, done, shell, why_no_forms};
use crate::app::App;
use crate::fault::Fault;
use crate::form::Draft;
use crate::visitor::{Looking, Visitor};

pub(crate) const SETTINGS_FORM: &str = "settings";

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
pub(crate) const DATE_ORDERS: [(DateOrder, &str, &str); 3] = [
    (DateOrder::DayMonth, "day-month", "3 Dec 2026"),
    (DateOrder::MonthDay, "month-day", "Dec 3, 2026"),
    (DateOrder::YearFirst, "year-first", "2026-12-03"),
];
pub(crate) const CLOCK_FACES: [(ClockFace, &str, &str); 2] = [
    (ClockFace::TwentyFour, "twenty-four", "14:05"),
    (ClockFace::Twelve, "twelve", "2:05 pm"),
];
pub(crate) const PRESSURE_SCALES: [(PressureScale, &str, &str); 2] = [
    (PressureScale::Bar, "bar", "bar"),
    (PressureScale::Psi, "psi", "psi"),
];

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
    Query(asked): Query<Asked>,
) -> Result<Response, Fault> {
    Ok(page(&app, &visitor, None, asked.done.as_deref())
        .await?
        .into_response())
}

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
    let zone = app.read(|r| r.setting(ZONE_SETTING)).await?;
    let body = html! {
        (done(done_key))
        h1 { "Settings" }
        div.leaf.even {
            section {
                h2 { "How it is shown" }
                @if let Some(why) = why_no_forms(visitor) { (why) }
                @if let Some(sheet) = Sheet::new(visitor, SETTINGS_FORM, draft) {
                    (sheet.form("/settings", "Save the settings", units(&sheet, visitor, zone.as_deref())))
                }
            }
            section {
                h2 { "Who gets in" }
                p {
                    "Password, who may look without it, who is signed in, the calendar's address, tokens of floats and programs: "
                    a href="/access" { "who gets in" } "."
                }
            }
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
                h2 { "This program" }
                p { "Ebbmark " (env!("CARGO_PKG_VERSION")) ", database schema " (ebbmark_store::SCHEMA) "." }
            }
        }
    };
    Ok(shell(visitor, Here::Settings, "Settings", "", body))
}

fn units(sheet: &Sheet, visitor: &Visitor, zone: Option<&str>) -> Markup {
    let prefs = visitor.prefs;
    html! {
        div.fields {
            (pick(sheet, "gravity", "Gravity", &GRAVITY_SCALES, prefs.gravity))
            (pick(sheet, "temperature", "Temperature", &TEMPERATURE_SCALES, prefs.temperature))
            (pick(sheet, "volume", "Volume", &VOLUME_SCALES, prefs.volume))
            (pick(sheet, "mass", "Mass", &MASS_SCALES, prefs.mass))
            (pick(sheet, "pressure", "Pressure", &PRESSURE_SCALES, prefs.pressure))
            (pick(sheet, "dates", "Days are written", &DATE_ORDERS, prefs.dates))
            (pick(sheet, "clock", "Times are written", &CLOCK_FACES, prefs.clock))
            (sheet.text("zone", "Time zone", zone.unwrap_or(""),
                "As in \"Europe/Warsaw\". Left empty: the board's own."))
        }
    }
}
