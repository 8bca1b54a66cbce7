//! The same mead once more: from the actuals, for another volume.

use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ebbmark_core::again::{AgainError, again as planned, must};
use ebbmark_core::card::{Record, called};
use ebbmark_core::units::Litres;
use ebbmark_store::model::Vessel;
use maud::{Markup, html};

use super::{load, sheet};
use crate::app::App;
use crate::fault::Fault;
use crate::form::Draft;
use crate::page::field::Sheet;
use crate::page::plan::goes_in;
use crate::page::vessel::empty;
use crate::page::{Here, shell, why_no_forms};
use crate::show::as_heading;
use crate::visitor::{Looking, Visitor};

pub(crate) const AGAIN_FORM: &str = "again";

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
    Path(id): Path<i64>,
) -> Result<Markup, Fault> {
    let record = load(&app, &visitor, id).await?;
    let empty = app.read(empty).await?;
    Ok(page(&visitor, &record, &empty, None))
}

pub(crate) fn again(
    visitor: &Visitor,
    record: &Record,
    empty: &[Vessel],
    draft: &Draft,
) -> Response {
    let markup = page(visitor, record, empty, Some(draft));
    (StatusCode::UNPROCESSABLE_ENTITY, markup).into_response()
}

fn page(visitor: &Visitor, record: &Record, empty: &[Vessel], draft: Option<&Draft>) -> Markup {
    let title = format!("{}, once more", record.name);
    let body = html! {
        section.narrow {
            h1 { (title) }
            @match must(record) {
                Err(why) => { p.sentence { (as_heading(&why.to_string())) "." } }
                Ok(from) => {
                    p {
                        "It was made from " (visitor.volume(from)) " of must. What was weighed in then is scaled "
                        "to the new volume and becomes the plan, where it can still be changed. Sulphite, sorbate "
                        "and what turns the acid are left out: reckon them from the new mead's pH and volume."
                    }
                    (scaled(visitor, record, from))
                    @if let Some(why) = why_no_forms(visitor) { (why) }
                    @if let Some(sheet) = Sheet::new(visitor, AGAIN_FORM, draft) {
                        @if empty.is_empty() {
                            p { "Every vessel has something in it. " a href="/" { "Add a vessel" } " or finish a mead first." }
                        } @else {
                            (sheet.form(&format!("{}/again", sheet::address(record.number)), "Start the mead",
                                fields(&sheet, visitor, record, empty, from)))
                        }
                    }
                }
            }
            p.jump { a href=(sheet::address(record.number)) { "Back to the card" } }
        }
    };
    shell(visitor, Here::Elsewhere, &title, "", body)
}

/// What goes in at the volume it was made at, and in a litre.
fn scaled(visitor: &Visitor, record: &Record, from: Litres) -> Markup {
    let Ok(plan) = planned(record, from) else {
        return html! {};
    };
    html! {
        @if plan.goods.is_empty() {
            p.aside { "Nothing that went in was weighed, so the plan has the steps alone." }
        } @else {
            table.results {
                caption { "As it was made, from " (visitor.volume(from)) }
                tbody {
                    @for good in &plan.goods {
                        tr {
                            th scope="row" { (as_heading(&called(good.dose.of, &good.dose.name))) ", " (goes_in(good.with)) }
                            td { (visitor.mass(good.dose.mass)) }
                        }
                    }
                }
            }
        }
    }
}

fn fields(
    sheet: &Sheet,
    visitor: &Visitor,
    record: &Record,
    empty: &[Vessel],
    from: Litres,
) -> Markup {
    let named = |v: &Vessel| {
        let holds = v
            .facts
            .capacity
            .map(|c| format!(", holds {}", visitor.volume(c)));
        let words = format!("{}{}", v.facts.name, holds.unwrap_or_default());
        (v.id.to_string(), words)
    };
    let empty: Vec<_> = empty.iter().map(named).collect();
    let first = empty.first().map_or(String::new(), |(key, _)| key.clone());
    html! {
        div.fields {
            (sheet.select("vessel", "Into", &empty, &first))
            (sheet.number("volume", &format!("Volume of must, {}", visitor.volume_unit()), &visitor.volume_field(from), ""))
            (sheet.text("name", "Name of the mead", &record.name, ""))
            (sheet.when("started", "Yeast pitched", "", "Left empty: now."))
        }
    }
}

/// Said where the volume was asked.
pub(crate) fn complaint(error: AgainError) -> String {
    format!("Volume of must: {error}")
}
