//! A vessel's readings, hours and log as files. What may be long is sent in slices, so that years of
//! minute readings never stand in memory at once.

use std::fmt::Write;

use axum::body::{Body, Bytes};
use axum::extract::{Path, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use ebbmark_core::card;
use ebbmark_core::hours::{HOUR_MS, Hour, hour_index};
use ebbmark_core::ids::VesselId;
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::model::{LogLine, StoredReading};
use ebbmark_store::{Reader, StoreError};
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;

use crate::api::Keeping;
use crate::app::App;
use crate::fault::Fault;
use crate::visitor::Visitor;

const SLICE: Span = Span::days(14);
const READINGS: &str = "at,gravity_sg,temperature_celsius\n";
const HOURS: &str = "hour,readings,gravity_sg,gravity_low,gravity_high,temperature_celsius,\
    temperature_low,temperature_high\n";

pub(crate) async fn readings(
    State(app): State<App>,
    Keeping(visitor): Keeping,
    Path(id): Path<i64>,
) -> Result<Response, Fault> {
    sliced(
        &app,
        &visitor,
        id,
        "readings",
        READINGS,
        move |reader, from, to| {
            let mut text = String::new();
            for reading in reader.vessel_readings(VesselId(id), from, to)? {
                reading_row(&mut text, &reading);
            }
            Ok(text)
        },
    )
    .await
}

/// Each hour's medians: what verdicts are made from. Of two feeds in one vessel an hour has two rows.
pub(crate) async fn hours(
    State(app): State<App>,
    Keeping(visitor): Keeping,
    Path(id): Path<i64>,
) -> Result<Response, Fault> {
    sliced(
        &app,
        &visitor,
        id,
        "hours",
        HOURS,
        move |reader, from, to| {
            let mut text = String::new();
            for hour in reader.vessel_hours(VesselId(id), from, to)? {
                hour_row(&mut text, &hour);
            }
            Ok(text)
        },
    )
    .await
}

/// The lines that stand, in the columns `ebbmark replay --events` reads.
pub(crate) async fn log(
    State(app): State<App>,
    _: Keeping,
    Path(id): Path<i64>,
) -> Result<Response, Fault> {
    let vessel = VesselId(id);
    let lines = app
        .read(move |reader| {
            if reader.vessel(vessel)?.is_none() {
                return Ok(None);
            }
            reader
                .log(vessel, Moment(i64::MIN), Moment(i64::MAX))
                .map(Some)
        })
        .await?
        .ok_or_else(|| Fault::missing("vessel"))?;
    let text = card::csv::events(&LogLine::standing(lines));
    Ok((headers(id, "log"), text).into_response())
}

/// Asks for slice after slice from the first reading on, and sends each before it asks for the next.
async fn sliced(
    app: &App,
    visitor: &Visitor,
    id: i64,
    what: &str,
    head: &'static str,
    slice: impl Fn(&Reader, Moment, Moment) -> Result<String, StoreError> + Send + 'static,
) -> Result<Response, Fault> {
    let vessel = VesselId(id);
    let end = visitor.now + Span::days(1);
    let spans = app
        .read(move |reader| {
            if reader.vessel(vessel)?.is_none() {
                return Ok(None);
            }
            reader.feeds_of(vessel, Moment(0), end).map(Some)
        })
        .await?
        .ok_or_else(|| Fault::missing("vessel"))?;
    // Nothing was read before the first feed came to this vessel; if that was "always", nothing
    // believable was read before the project began.
    let start = spans
        .iter()
        .map(|(_, from, _)| *from)
        .min()
        .unwrap_or(end)
        .max(Moment::EARLIEST_BELIEVABLE);
    // No slice may end within an hour, which would stand in two.
    let start = Moment(hour_index(start) * HOUR_MS);
    let (slices, receiver) = mpsc::channel(2);
    let reader = app.handle.reader.clone();
    let shutdown = app.handle.shutdown.clone();
    tokio::task::spawn_blocking(move || {
        let mut from = start;
        let mut next = Ok(Bytes::from_static(head.as_bytes()));
        // Ends when all is sent, the asker went away, or the daemon stops.
        while slices.blocking_send(next).is_ok() && from < end && !shutdown.is_cancelled() {
            next = slice(&reader, from, (from + SLICE).min(end)).map(Bytes::from);
            from = from + SLICE;
            if let Err(cause) = &next {
                tracing::error!(%cause, vessel = id, "an export was cut short");
                // Breaks the transfer off, so that half a file is not taken for the whole.
                let _ = slices.blocking_send(next);
                break;
            }
        }
    });
    let body = Body::from_stream(ReceiverStream::new(receiver));
    Ok((headers(id, what), body).into_response())
}

fn headers(id: i64, what: &str) -> [(header::HeaderName, String); 2] {
    let name = format!("attachment; filename=\"vessel-{id}-{what}.csv\"");
    [
        (header::CONTENT_TYPE, "text/csv; charset=utf-8".to_owned()),
        (header::CONTENT_DISPOSITION, name),
    ]
}

fn reading_row(text: &mut String, reading: &StoredReading) {
    let _ = write!(text, "{},", reading.at.to_rfc3339());
    if let Some(g) = reading.gravity {
        let _ = write!(text, "{g:.5}");
    }
    text.push(',');
    if let Some(t) = reading.temperature {
        let _ = write!(text, "{t:.2}");
    }
    text.push('\n');
}

fn hour_row(text: &mut String, hour: &Hour) {
    let begins = Moment(hour.index * HOUR_MS);
    let _ = write!(text, "{},", begins.to_rfc3339());
    match &hour.gravity {
        Some(g) => {
            let _ = write!(text, "{},{:.5},{:.5},{:.5},", g.n, g.median, g.min, g.max);
        }
        None => text.push_str(",,,,"),
    }
    match &hour.temperature {
        Some(t) => {
            let _ = write!(text, "{:.2},{:.2},{:.2}", t.median, t.min, t.max);
        }
        None => text.push_str(",,"),
    }
    text.push('\n');
}

#[cfg(test)]
mod tests {
    use ebbmark_core::hours::{HourGravity, HourTemperature};

    use super::*;

    #[test]
    fn a_row_leaves_out_what_was_not_read() {
        let mut text = String::new();
        let at = Moment::parse_rfc3339("2026-03-01T06:30:00Z").unwrap();
        let mut reading = StoredReading {
            at,
            gravity: Some(1.0521),
            temperature: Some(18.5),
        };
        reading_row(&mut text, &reading);
        reading.gravity = None;
        reading_row(&mut text, &reading);
        assert_eq!(
            text,
            "2026-03-01T06:30:00Z,1.05210,18.50\n2026-03-01T06:30:00Z,,18.50\n"
        );
    }

    #[test]
    fn an_hour_has_all_its_columns_whatever_was_read() {
        let at = Moment::parse_rfc3339("2026-03-01T06:30:00Z").unwrap();
        let gravity = HourGravity {
            n: 4,
            median: 1.0521,
            min: 1.052,
            max: 1.0524,
            at,
        };
        let temperature = HourTemperature {
            median: 18.5,
            min: 18.25,
            max: 19.0,
        };
        let hour = |gravity, temperature| Hour {
            index: hour_index(at),
            gravity,
            temperature,
        };
        let mut text = HOURS.to_owned();
        hour_row(&mut text, &hour(Some(gravity), Some(temperature)));
        hour_row(&mut text, &hour(None, Some(temperature)));
        hour_row(&mut text, &hour(Some(gravity), None));
        let rows: Vec<&str> = text.lines().collect();
        assert_eq!(
            rows[1..],
            [
                "2026-03-01T06:00:00Z,4,1.05210,1.05200,1.05240,18.50,18.25,19.00",
                "2026-03-01T06:00:00Z,,,,,18.50,18.25,19.00",
                "2026-03-01T06:00:00Z,4,1.05210,1.05200,1.05240,,,",
            ]
        );
        assert!(rows.iter().all(|row| row.split(',').count() == 8));
    }
}
