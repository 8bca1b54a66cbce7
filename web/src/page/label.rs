//! A label to stick on a vessel: its name, and its page's address for the phone's camera.

use axum::extract::{Path, State};
use axum::http::HeaderMap;
use ebbmark_core::ids::VesselId;
use maud::{Markup, html};
use qrcodegen::{QrCode, QrCodeEcc};

use super::{Here, reached_at, shell};
use crate::app::App;
use crate::fault::Fault;
use crate::visitor::Looking;

/// Light modules around the code that a reader needs (ISO/IEC 18004: four).
const QUIET: i32 = 4;

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
    Path(id): Path<i64>,
    headers: HeaderMap,
) -> Result<Markup, Fault> {
    let id = VesselId(id);
    let vessel = app.read(move |reader| reader.vessel(id)).await?;
    let vessel = vessel.ok_or_else(|| Fault::missing("vessel"))?;
    let page = format!("/vessel/{id}");
    let address = reached_at(&headers, app.is_secure(), &page);
    let facts = &vessel.facts;
    let body = html! {
        section.label {
            h1 { (facts.name) }
            @match QrCode::encode_text(&address, QrCodeEcc::Medium) {
                Ok(code) => { (drawn(&code)) }
                Err(_) => { p.trouble { "The address is too long to be drawn." } }
            }
            p.address { (address) }
            dl.facts {
                @if let Some(volume) = facts.capacity { div { dt { "Holds" } dd { (visitor.volume(volume)) } } }
                @if let Some(tare) = facts.tare { div { dt { "Empty it weighs" } dd { (visitor.mass(tare)) } } }
                @if !facts.place.is_empty() { div { dt { "Stands" } dd { (facts.place) } } }
            }
        }
        p.aside.write {
            "Print this page and stick it on the vessel: a phone's camera then opens its page. The "
            "address is the one this page was asked for; open it by a name that all phones in the "
            "cellar can reach before printing."
        }
        p.write { a href={ "/vessel/" (id) } { "To the vessel" } }
    };
    Ok(shell(&visitor, Here::Vessel, &facts.name, "", body))
}

fn drawn(code: &QrCode) -> Markup {
    let size = code.size();
    let whole = size + 2 * QUIET;
    let mut dark = String::new();
    for y in 0..size {
        for x in (0..size).filter(|x| code.get_module(*x, y)) {
            dark += &format!("M{} {}h1v1h-1z", x + QUIET, y + QUIET);
        }
    }
    html! {
        svg.code viewBox={ "0 0 " (whole) " " (whole) } role="img" aria-label="The address as a square code" shape-rendering="crispEdges" {
            rect width=(whole) height=(whole) fill="#fff" {}
            path d=(dark) fill="#000" {}
        }
    }
}
