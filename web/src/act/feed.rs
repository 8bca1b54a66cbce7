//! Claiming, re-reading, moving and retiring feeds.

use axum::extract::{Path, State};
use axum::response::Response;
use ebbmark_core::feed::{FeedMap, Format, Pick, Quantity};
use ebbmark_core::ids::{FeedId, VesselId};
use ebbmark_store::model::Command;

use super::run;
use crate::app::App;
use crate::fault::Fault;
use crate::form::{Complaint, Fields, Take};
use crate::page::feeds::{self, MOST_CANDIDATES, claim_form, map_form, move_form, tilt_form};
use crate::visitor::Posted;

/// A tilt curve of higher degree fits noise.
const MOST_COEFFICIENTS: usize = 6;

pub(crate) async fn claim(State(app): State<App>, posted: Posted) -> Result<Response, Fault> {
    let source = posted.fields.get("source").to_owned();
    let topic = posted.fields.raw("topic").to_owned();
    let form = claim_form(&source, &topic);
    let mut take = Take::new(&posted.fields, &posted.visitor);
    let read = read_map(&mut take, &posted.fields);
    let vessel = read_vessel(&mut take, &posted.fields);
    let read = read.zip(vessel);
    match take.finish(read) {
        Ok(((name, map), vessel)) => {
            let command = Command::Claim {
                source,
                topic,
                name,
                map,
                vessel,
            };
            run(
                &app,
                &posted.once(),
                command,
                "/feeds?done=claimed".to_owned(),
            )
            .await
        }
        Err(complaints) => refused(&app, posted, form, complaints).await,
    }
}

pub(crate) async fn remap(
    State(app): State<App>,
    Path(id): Path<i64>,
    posted: Posted,
) -> Result<Response, Fault> {
    let feed = FeedId(id);
    let mut take = Take::new(&posted.fields, &posted.visitor);
    let read = read_map(&mut take, &posted.fields);
    match take.finish(read) {
        Ok((name, map)) => {
            let command = Command::Remap { feed, name, map };
            run(&app, &posted.once(), command, "/feeds?done=map".to_owned()).await
        }
        Err(complaints) => refused(&app, posted, map_form(feed), complaints).await,
    }
}

/// Sets the curve from tilt the page offered, and leaves the rest of the map as it is.
pub(crate) async fn tilt(
    State(app): State<App>,
    Path(id): Path<i64>,
    posted: Posted,
) -> Result<Response, Fault> {
    let feed = FeedId(id);
    let mut take = Take::new(&posted.fields, &posted.visitor);
    let polynomial = take.need("polynomial", "Gravity from tilt", |take, field, label| {
        Some(take.numbers(field, label, MOST_COEFFICIENTS))
    });
    match take.finish(polynomial) {
        Ok(tilt_polynomial) => {
            let known = app.read(move |reader| reader.feed(feed)).await?;
            let known = known.ok_or_else(|| Fault::missing("feed"))?;
            let command = Command::Remap {
                feed,
                name: known.name,
                map: FeedMap {
                    tilt_polynomial,
                    ..known.map
                },
            };
            run(&app, &posted.once(), command, "/feeds?done=map".to_owned()).await
        }
        Err(complaints) => refused(&app, posted, tilt_form(feed), complaints).await,
    }
}

pub(crate) async fn move_to(
    State(app): State<App>,
    Path(id): Path<i64>,
    posted: Posted,
) -> Result<Response, Fault> {
    let feed = FeedId(id);
    let mut take = Take::new(&posted.fields, &posted.visitor);
    let vessel = read_vessel(&mut take, &posted.fields);
    let at = take.when("at", "Since when");
    let read = vessel.zip(at);
    match take.finish(read) {
        Ok((vessel, at)) => {
            let command = Command::Assign { feed, vessel, at };
            run(
                &app,
                &posted.once(),
                command,
                "/feeds?done=moved".to_owned(),
            )
            .await
        }
        Err(complaints) => refused(&app, posted, move_form(feed), complaints).await,
    }
}

pub(crate) async fn retire(
    State(app): State<App>,
    Path(id): Path<i64>,
    posted: Posted,
) -> Result<Response, Fault> {
    let command = Command::RetireFeed(FeedId(id));
    run(
        &app,
        &posted.once(),
        command,
        "/feeds?done=feed-retired".to_owned(),
    )
    .await
}

async fn refused(
    app: &App,
    posted: Posted,
    form: String,
    complaints: Vec<Complaint>,
) -> Result<Response, Fault> {
    let (visitor, draft) = posted.draft(form, complaints);
    feeds::again(app, &visitor, &draft).await
}

/// Empty is no vessel, which is an answer too.
fn read_vessel(take: &mut Take, fields: &Fields) -> Option<Option<VesselId>> {
    if fields.get("vessel").is_empty() {
        return Some(None);
    }
    take.choice("vessel", "Floats in", |key| key.parse().ok().map(VesselId))
        .map(Some)
}

fn read_map(take: &mut Take, fields: &Fields) -> Option<(String, FeedMap)> {
    let name = take.name("name", "Name of the feed");
    let tilt_polynomial = take.numbers("polynomial", "Gravity from tilt", MOST_COEFFICIENTS);
    let picks = read_picks(take, fields);
    let format = match (fields.get("format"), picks.as_slice()) {
        (_, []) => {
            take.complain("what-0", "Say of at least one number what it is");
            None
        }
        ("senml", _) => Some(Format::Senml { picks }),
        ("json", _) => Some(Format::Json { picks }),
        ("number", [pick, ..]) => Some(Format::Number {
            quantity: pick.quantity,
        }),
        _ => {
            take.complain("format", "The form is not complete; reload the page");
            None
        }
    };
    let map = format.map(|format| FeedMap {
        format,
        tilt_polynomial,
    });
    name.zip(map)
}

/// The numbers that were said to be something; at most one for each measurement.
fn read_picks(take: &mut Take, fields: &Fields) -> Vec<Pick> {
    let mut picks: Vec<Pick> = Vec::new();
    for i in 0..MOST_CANDIDATES {
        let field = format!("what-{i}");
        let key = fields.get(&field);
        if key.is_empty() {
            continue;
        }
        let from = fields.get(&format!("from-{i}")).to_owned();
        let Some(quantity) = take.choice(&field, &from, Quantity::from_key) else {
            continue;
        };
        let kind = measures(quantity);
        if let Some(other) = picks.iter().find(|p| measures(p.quantity) == kind) {
            take.complain(
                &field,
                format!(
                    "\"{}\" and \"{from}\" are both said to be the {kind}; leave one of them out",
                    other.from
                ),
            );
            continue;
        }
        picks.push(Pick { from, quantity });
    }
    picks
}

/// What a quantity measures, whatever its unit: a reading has one of each.
fn measures(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::GravitySg
        | Quantity::GravityPlato
        | Quantity::GravityBrix
        | Quantity::GravityDensity => "gravity",
        Quantity::TiltDegrees | Quantity::TiltRadians => "tilt",
        Quantity::TemperatureCelsius
        | Quantity::TemperatureKelvin
        | Quantity::TemperatureFahrenheit => "temperature",
        Quantity::BatteryVolts | Quantity::BatteryPercent => "battery",
        Quantity::SignalDbm | Quantity::SignalPercent => "signal",
        Quantity::Time => "time",
    }
}
