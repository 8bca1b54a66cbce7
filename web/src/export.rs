//! A vessel's readings as a file. Sent in slices, so that years of minute readings never stand
//! in memory at once.

use std::fmt::Write;

use axum::body::{Body, Bytes};
use axum::extract::{Path, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use ebbmark_core::ids::VesselId;
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::model::StoredReading;
use ebbmark_store::{Reader, StoreError};
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;

use crate::app::App;
use crate::fault::Fault;
use crate::visitor::Looking;

const SLICE: Span = Span::days(14);
const HEAD: &str = "at,gravity_sg,temperature_celsius\n";

pub(crate) async fn readings(
    State(app): State<App>,
    Looking(visitor): Looking,
    Path(id): Path<i64>,
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
    let (slices, receiver) = mpsc::channel(2);
    let reader = app.handle.reader.clone();
    let shutdown = app.handle.shutdown.clone();
    tokio::task::spawn_blocking(move || {
        let mut from = start;
        let mut next = Ok(Bytes::from_static(HEAD.as_bytes()));
        // Ends when all is sent, the asker went away, or the daemon stops.
        while slices.blocking_send(next).is_ok() && from < end && !shutdown.is_cancelled() {
            next = slice(&reader, vessel, from, (from + SLICE).min(end));
            from = from + SLICE;
            if let Err(cause) = &next {
                tracing::error!(%cause, vessel = id, "an export was cut short");
                // Breaks the transfer off, so that half a file is not taken for the whole.
                let _ = slices.blocking_send(next);
                break;
            }
        }
    });
    let headers = [
        (header::CONTENT_TYPE, "text/csv; charset=utf-8".to_owned()),
        (
            header::CONTENT_DISPOSITION,
            format!("attachment; filename=\"vessel-{id}-readings.csv\""),
        ),
    ];
    Ok((headers, Body::from_stream(ReceiverStream::new(receiver))).into_response())
}

fn slice(reader: &Reader, vessel: VesselId, from: Moment, to: Moment) -> Result<Bytes, StoreError> {
    let mut text = String::new();
    for reading in reader.vessel_readings(vessel, from, to)? {
        row(&mut text, &reading);
    }
    Ok(Bytes::from(text))
}

fn row(text: &mut String, reading: &StoredReading) {
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

#[cfg(test)]
mod tests {
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
        row(&mut text, &reading);
        reading.gravity = None;
        row(&mut text, &reading);
        assert_eq!(
            text,
            "2026-03-01T06:30:00Z,1.05210,18.50\n2026-03-01T06:30:00Z,,18.50\n"
        );
    }
}
