//! What stands at each place of the drawing, in words: for a finger, a pointer, the arrow keys. The
//! page's script asks for it when somebody first wants to know.

use axum::Json;
use axum::extract::{Path, Query, State};
use ebbmark_core::ids::VesselId;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{Celsius, Gravity};
use serde::Serialize;

use super::{Curve, Look};
use crate::app::App;
use crate::chart::{Plot, Sample, Scales, Upper, folded, temperature_shown};
use crate::fault::Fault;
use crate::visitor::{Looking, Visitor};

/// Places along the stretch: a finger can tell no more apart.
const PLACES: u32 = 480;
/// Parts of a panel's width and height that places are told in.
const PARTS: f64 = 10_000.0;

/// One place: how far along, how far down each panel its value lies (in ten-thousandths), and what
/// stands there.
#[derive(Debug, PartialEq, Serialize)]
pub(crate) struct Place(
    i32,
    Option<i32>,
    Option<i32>,
    String,
    /// The upper panel was read here.
    #[serde(skip)]
    bool,
);

impl Place {
    pub fn says(&self) -> &str {
        &self.3
    }

    pub fn is_read(&self) -> bool {
        self.4
    }
}

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
    Path(id): Path<i64>,
    Query(look): Query<Look>,
) -> Result<Json<Vec<Place>>, Fault> {
    let now = visitor.now;
    let curve = app
        .read(move |reader| Curve::of_vessel(reader, VesselId(id), look, now))
        .await?
        .ok_or_else(|| Fault::missing("vessel"))?;
    let places = tokio::task::spawn_blocking(move || of(&visitor, &curve.plot(&visitor))).await;
    let places = places.map_err(|e| Fault::broken(format!("a read-out was not finished: {e}")))?;
    Ok(Json(places))
}

/// In order of time.
pub(crate) fn of(visitor: &Visitor, plot: &Plot) -> Vec<Place> {
    let width = plot.to.since(plot.from).0.max(1) as f64;
    let column = |at: Moment| {
        let part = at.since(plot.from).0 as f64 / width;
        ((part * f64::from(PLACES)) as usize).min(PLACES as usize - 1)
    };
    let mut seen: Vec<Seen> = Vec::new();
    seen.resize_with(PLACES as usize, Seen::default);
    for s in folded(&plot.gravity, plot, PLACES) {
        seen[column(s.at)].upper = Some(s);
    }
    // The temperature goes with the nearest reading of the upper panel, if one is near.
    let near = Span::hours(1).max(Span(plot.to.since(plot.from).0 / i64::from(PLACES) * 2));
    let uppers: Vec<Moment> = seen.iter().filter_map(|s| Some(s.upper?.at)).collect();
    for s in folded(&plot.temperature, plot, PLACES) {
        let after = uppers.partition_point(|at| *at < s.at);
        let beside = [after.checked_sub(1), Some(after)];
        let beside = beside.into_iter().flatten().filter_map(|n| uppers.get(n));
        let away = |at: &Moment| Span((*at).since(s.at).0.abs());
        let nearest = beside.min_by_key(|at| away(at)).copied();
        let at = nearest.filter(|at| away(at) <= near).unwrap_or(s.at);
        seen[column(at)].warmth = Some(s);
    }
    for (at, sg) in plot.hand.iter().filter(|(at, _)| plot.shows(*at)) {
        seen[column(*at)].hand = Some((*at, *sg));
    }
    let ahead = plot.curve.iter().filter(|p| p.at > plot.now);
    for point in ahead.filter(|p| plot.shows(p.at)) {
        seen[column(point.at)].ahead = Some(Sample {
            at: point.at,
            low: point.low,
            mid: point.mid,
            high: point.high,
        });
    }
    let scales = Scales::of(plot);
    let places = seen.iter().filter_map(|s| s.place(visitor, plot, &scales));
    places.collect()
}

/// What falls into one place.
#[derive(Default)]
struct Seen {
    upper: Option<Sample>,
    warmth: Option<Sample>,
    hand: Option<(Moment, f64)>,
    ahead: Option<Sample>,
}

impl Seen {
    fn place(&self, visitor: &Visitor, plot: &Plot, scales: &Scales) -> Option<Place> {
        let read = self.upper.or(self.warmth).map(|s| s.at);
        let at = read
            .or(self.hand.map(|(at, _)| at))
            .or(self.ahead.map(|s| s.at))?;
        let mut said = Vec::new();
        if let Some(s) = self.upper {
            said.push(upper(visitor, plot, s));
        }
        if let Some((_, sg)) = self.hand {
            said.push(format!(
                "{} by hand",
                visitor.gravity(Gravity::computed(sg))
            ));
        }
        if let Some(s) = self.ahead.filter(|_| self.upper.is_none()) {
            said.push(format!("forecast {}", upper(visitor, plot, s)));
        }
        if let Some(s) = self.warmth {
            said.push(visitor.temperature(Celsius::computed(s.mid)));
        }
        let value = self.upper.map(|s| s.mid).or(self.hand.map(|(_, sg)| sg));
        let value = value.or(self.ahead.map(|s| s.mid));
        let down = |value: f64, (low, high): (f64, f64)| {
            ((1.0 - (value - low) / (high - low)).clamp(0.0, 1.0) * PARTS).round() as i32
        };
        let along = at.since(plot.from).0 as f64 / plot.to.since(plot.from).0.max(1) as f64;
        Some(Place(
            (along.clamp(0.0, 1.0) * PARTS).round() as i32,
            value
                .map(|v| plot.upper_shown(v))
                .zip(scales.upper)
                .map(|(v, range)| down(v, range)),
            self.warmth
                .map(|s| temperature_shown(s.mid, plot.prefs))
                .zip(scales.temperature)
                .map(|(v, range)| down(v, range)),
            format!("{}: {}", visitor.day_and_time(at), said.join(", ")),
            self.upper.is_some(),
        ))
    }
}

fn upper(visitor: &Visitor, plot: &Plot, s: Sample) -> String {
    let show = |value: f64| match plot.upper {
        Upper::Gravity => visitor.gravity(Gravity::computed(value)),
        Upper::Fall => visitor.a_day(value),
    };
    let [low, mid, high] = [s.low, s.mid, s.high].map(show);
    let a_day = match plot.upper {
        Upper::Gravity => "",
        Upper::Fall => " a day",
    };
    if low == high {
        format!("{mid}{a_day}")
    } else {
        format!("{mid}{a_day} ({low} to {high})")
    }
}
