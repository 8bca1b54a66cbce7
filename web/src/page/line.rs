//! Correcting one line of a vessel's log. The old line is kept beside the new one.

use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ebbmark_core::deed::{Dose, What};
use ebbmark_core::ids::{EntryId, VesselId};
use ebbmark_core::time::Moment;
use ebbmark_store::model::LogLine;
use maud::{Markup, html};

use super::field::Sheet;
use super::vessel::{deed_fields, hand_fields};
use super::{Here, shell, why_no_forms};
use crate::app::App;
use crate::fault::Fault;
use crate::form::Draft;
use crate::show::as_heading;
use crate::visitor::{Looking, Visitor};

pub(crate) const LINE_FORM: &str = "line";

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
    Path((vessel, entry)): Path<(i64, i64)>,
) -> Result<Response, Fault> {
    let line = load(&app, VesselId(vessel), EntryId(entry)).await?;
    Ok(page(&visitor, &line, None).into_response())
}

pub(crate) fn again(visitor: &Visitor, line: &LogLine, draft: &Draft) -> Response {
    let markup = page(visitor, line, Some(draft));
    (StatusCode::UNPROCESSABLE_ENTITY, markup).into_response()
}

pub(crate) async fn load(app: &App, vessel: VesselId, entry: EntryId) -> Result<LogLine, Fault> {
    app.read(move |reader| reader.log(vessel, Moment(i64::MIN), Moment(i64::MAX)))
        .await?
        .into_iter()
        .find(|line| line.id == entry)
        .ok_or_else(|| Fault::missing("line in this vessel's log"))
}

fn page(visitor: &Visitor, line: &LogLine, draft: Option<&Draft>) -> Markup {
    let vessel = format!("/vessel/{}", line.vessel);
    let action = format!("{vessel}/line/{}", line.id);
    let fields = |sheet: &Sheet| {
        html! {
            @match line.deed.what {
                What::HandReading => (hand_fields(sheet, visitor, Some(line))),
                _ => (deed_fields(sheet, visitor, Some(line))),
            }
            (doses(sheet, visitor, &line.deed.doses))
        }
    };
    let body = html! {
        section.narrow {
            h1 { "Correct a line" }
            @if line.replaced_by.is_some() {
                p.sentence { "This line was corrected already; correct the newer one." }
            } @else {
                p { "The line as it was stays in the record, struck through." }
                @if let Some(why) = why_no_forms(visitor) { (why) }
                @if let Some(sheet) = Sheet::new(visitor, LINE_FORM, draft) {
                    (sheet.form(&action, "Correct the line", fields(&sheet)))
                }
            }
            p.jump { a href=(vessel) { "Back to the vessel" } }
        }
    };
    shell(visitor, Here::Vessel, "Correct a line", "", body)
}

fn doses(sheet: &Sheet, visitor: &Visitor, doses: &[Dose]) -> Markup {
    html! {
        @if !doses.is_empty() {
            div.fields {
                @for (n, dose) in doses.iter().enumerate() {
                    (sheet.number(&dose_field(n), &dose_label(dose), &visitor.mass(dose.mass),
                        "Left empty: it was not put in."))
                }
            }
        }
    }
}

/// Name of the field of a line's nth dose.
pub(crate) fn dose_field(n: usize) -> String {
    format!("dose-{}", n + 1)
}

pub(crate) fn dose_label(dose: &Dose) -> String {
    let name = if dose.name.is_empty() {
        dose.of.label()
    } else {
        &dose.name
    };
    as_heading(name)
}
