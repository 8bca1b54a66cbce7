//! The maker's arithmetic for programs: what can be reckoned with which fields, and an answer.
//!
//! A number without a unit is in the field's `unit` whatever the maker prefers on the page, and
//! texts come in those units too, so that an answer does not change with a setting.

use axum::Json;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ebbmark_core::ids::VesselId;
use ebbmark_core::reckon::{self, Field, Kind, Need, Reckoning, Refusal, Told};
use serde::Serialize;
use serde_json::json;

use super::MayRead;
use crate::app::App;
use crate::fault::Fault;
use crate::reckoned::{By, Wanted};

/// Beside the fields: which vessel's record fills what is left out.
const VESSEL: &str = "vessel";

#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) struct Offered {
    key: &'static str,
    title: &'static str,
    says: &'static str,
    /// The vessel's gate that has to be open.
    #[serde(skip_serializing_if = "Option::is_none")]
    gate: Option<&'static str>,
    fields: Vec<OfferedField>,
}

#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
struct OfferedField {
    key: &'static str,
    label: &'static str,
    /// "number", "choice", "words", "when" or "rows".
    kind: &'static str,
    /// Left out, with no vessel's record to fill it, it is complained of.
    needed: bool,
    /// Taken when nothing is sent and nothing is on record.
    #[serde(skip_serializing_if = "Option::is_none")]
    usual: Option<&'static str>,
    /// A vessel's record can fill it.
    from_record: bool,
    #[serde(skip_serializing_if = "str::is_empty")]
    hint: &'static str,
    #[serde(flatten)]
    of: OfferedKind,
}

#[derive(Serialize)]
#[serde(untagged)]
enum OfferedKind {
    Number {
        unit: &'static str,
        /// All it may be written in.
        units: Vec<&'static str>,
        low: f64,
        high: f64,
    },
    Choice {
        choices: Vec<OfferedChoice>,
    },
    /// Sent as "key.1.inner", "key.2.inner".
    Rows {
        least: usize,
        most: usize,
        fields: Vec<OfferedField>,
    },
    Plain {},
}

#[derive(Serialize)]
struct OfferedChoice {
    key: &'static str,
    label: &'static str,
}

fn offered(reckoning: &'static Reckoning) -> Offered {
    Offered {
        key: reckoning.key,
        title: reckoning.title,
        says: reckoning.says,
        gate: reckoning.gate.map(reckon::Which::key),
        fields: reckoning.fields.iter().map(offered_field).collect(),
    }
}

fn offered_field(field: &'static Field) -> OfferedField {
    let (kind, of) = match &field.kind {
        Kind::Number(measure) => {
            let signs = measure.written.units.iter().map(|u| u.sign);
            let of = OfferedKind::Number {
                unit: measure.unit,
                units: signs.filter(|s| !s.is_empty()).collect(),
                low: measure.low,
                high: measure.high,
            };
            ("number", of)
        }
        Kind::Choice(choices) => {
            let choices = choices.iter().map(|c| OfferedChoice {
                key: c.key,
                label: c.label,
            });
            let choices = choices.collect();
            ("choice", OfferedKind::Choice { choices })
        }
        Kind::Words => ("words", OfferedKind::Plain {}),
        Kind::When => ("when", OfferedKind::Plain {}),
        Kind::Rows { of, least, most } => {
            let of = OfferedKind::Rows {
                least: *least,
                most: *most,
                fields: of.iter().map(offered_field).collect(),
            };
            ("rows", of)
        }
    };
    OfferedField {
        key: field.key,
        label: field.label,
        kind,
        needed: matches!(field.need, Need::Needed),
        usual: match field.need {
            Need::Usual(text) => Some(text),
            _ => None,
        },
        from_record: field.fill.is_some(),
        hint: field.hint,
        of,
    }
}

pub(crate) async fn list(_: MayRead) -> Json<Vec<Offered>> {
    Json(reckon::ALL.iter().copied().map(offered).collect())
}

pub(crate) async fn answer(
    MayRead(visitor): MayRead,
    State(app): State<App>,
    Path(key): Path<String>,
    Query(pairs): Query<Vec<(String, String)>>,
) -> Result<Response, Fault> {
    let (vessels, fields): (Vec<_>, Vec<_>) =
        pairs.into_iter().partition(|(name, _)| name == VESSEL);
    let vessel = match vessels.last() {
        None => None,
        Some((_, text)) => Some(VesselId(text.parse().map_err(|_| {
            Fault::said(
                StatusCode::UNPROCESSABLE_ENTITY,
                format!("vessel: \"{text}\" is not the number of a vessel"),
            )
        })?)),
    };
    let by = By::program(&visitor);
    let wanted = Wanted::load(&app, &key, vessel, fields, by).await?;
    Ok(match told(&wanted) {
        Ok(told) => Json(told).into_response(),
        Err(answer) => *answer,
    })
}

/// The answer, or what a program is told in its place.
pub(super) fn told(wanted: &Wanted) -> Result<Told, Box<Response>> {
    if let Some(path) = wanted.asked.stranger(wanted.reckoning.fields) {
        let say = format!("{path}: this is not asked; /api/v1/reckon lists what is");
        return Err(Box::new(refused(&[json!({ "path": path, "say": say })])));
    }
    wanted.reckon().map_err(|refusal| {
        Box::new(match refusal {
            Refusal::Fields(all) => {
                let all = all.iter().map(|c| json!({ "path": c.path, "say": c.say }));
                refused(&all.collect::<Vec<_>>())
            }
            Refusal::Shut { why } => {
                let gate = wanted.reckoning.gate.map(reckon::Which::key);
                let error = format!(
                    "The gate is shut: {why} Send {} with a reason to pass it.",
                    reckon::DESPITE
                );
                let body = Json(json!({ "error": error, "gate": gate, "why": why }));
                (StatusCode::CONFLICT, body).into_response()
            }
        })
    })
}

fn refused(complaints: &[serde_json::Value]) -> Response {
    let said: Vec<&str> = complaints
        .iter()
        .filter_map(|c| c["say"].as_str())
        .collect();
    let body = json!({ "error": said.join("; "), "complaints": complaints });
    (StatusCode::UNPROCESSABLE_ENTITY, Json(body)).into_response()
}
