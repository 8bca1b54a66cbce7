//! A vessel's curve as a picture, to be sent or printed: the same drawing the page shows.

use axum::extract::{Path, Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use ebbmark_core::ids::VesselId;
use ebbmark_core::time::Moment;
use ebbmark_core::units::Preferences;
use ebbmark_store::{Reader, StoreError};
use jiff::tz::TimeZone;

use crate::api::Keeping;
use crate::app::App;
use crate::chart;
use crate::curve::{Curve, Look};
use crate::fault::Fault;
use crate::visitor::Visitor;

/// A PNG, light, `width` by `height` pixels.
pub struct Picture {
    pub png: Vec<u8>,
    /// The same in words, for who cannot see it.
    pub says: String,
    pub width: u32,
    pub height: u32,
}

#[derive(Debug, thiserror::Error)]
pub enum PictureError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error("{0}")]
    Drawing(String),
}

/// The whole curve of the mead in a vessel; of an empty one that of the last. Takes some tens of
/// milliseconds: work for a blocking thread. `None`: there is no such vessel, or nothing to draw.
///
/// # Errors
/// The store could not be read, or the picture not be drawn.
pub fn of_vessel(
    reader: &Reader,
    vessel: VesselId,
    now: Moment,
    zone: &TimeZone,
    prefs: Preferences,
) -> Result<Option<Picture>, PictureError> {
    let visitor = Visitor::away(now, zone.clone(), prefs);
    let curve = Curve::of_vessel(reader, vessel, Look::default(), now)?;
    curve.map_or(Ok(None), |curve| drawn(&visitor, &curve))
}

fn drawn(visitor: &Visitor, curve: &Curve) -> Result<Option<Picture>, PictureError> {
    let mut plot = curve.plot(visitor);
    if plot.is_empty() {
        return Ok(None);
    }
    plot.heading = heading(visitor, curve);
    let (png, width, height) =
        chart::png(&plot).map_err(|e| PictureError::Drawing(e.to_string()))?;
    Ok(Some(Picture {
        png,
        says: format!("{}. {}", plot.title, plot.description),
        width,
        height,
    }))
}

/// Letters of names that a heading has room for.
const LONGEST: usize = 50;

/// Which mead, and as of when.
fn heading(visitor: &Visitor, curve: &Curve) -> String {
    let vessel = &curve.vessel;
    let mead = vessel.batch.as_ref().map(|b| b.facts.name.as_str());
    // What the font cannot write is left away, not shown as empty boxes.
    let names = [Some(vessel.facts.name.as_str()), mead];
    let mut names: Vec<&str> = names
        .into_iter()
        .flatten()
        .filter(|n| chart::can_write(n))
        .collect();
    let number = format!("vessel {}", vessel.id);
    if names.is_empty() {
        names.push(&number);
    }
    let mut names = names.join(": ");
    if let Some((end, _)) = names.char_indices().nth(LONGEST) {
        names.truncate(end);
        names.push('…');
    }
    format!("{names}, as of {}", visitor.date(visitor.now))
}

pub(crate) async fn show(
    State(app): State<App>,
    Keeping(visitor): Keeping,
    Path(id): Path<i64>,
    Query(look): Query<Look>,
) -> Result<Response, Fault> {
    let now = visitor.now;
    let curve = app
        .read(move |reader| Curve::of_vessel(reader, VesselId(id), look, now))
        .await?
        .ok_or_else(|| Fault::missing("vessel"))?;
    let picture = tokio::task::spawn_blocking(move || drawn(&visitor, &curve))
        .await
        .map_err(|e| Fault::broken(format!("a picture was not finished: {e}")))?
        .map_err(|e| Fault::broken(e.to_string()))?
        .ok_or_else(|| {
            let say = "There is no curve to draw: nothing was read in this stretch of time.";
            Fault::said(StatusCode::NOT_FOUND, say)
        })?;
    let headers = [
        (header::CONTENT_TYPE, "image/png".to_owned()),
        (
            header::CONTENT_DISPOSITION,
            format!("inline; filename=\"vessel-{id}-curve.png\""),
        ),
    ];
    Ok((headers, picture.png).into_response())
}
