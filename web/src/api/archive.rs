//! The meads of years, for programs.

use axum::Json;
use axum::extract::{Query as Pairs, State};
use axum::http::StatusCode;
use ebbmark_core::ids::BatchId;
use ebbmark_core::review::Review;
use ebbmark_core::review::band::{Departure, Place};
use ebbmark_core::time::Moment;
use ebbmark_core::units::Gravity;
use ebbmark_store::archive::PAGE;
use ebbmark_store::model::FoundMead;
use serde::Serialize;

use super::MayRead;
use crate::app::App;
use crate::compared::{Asked, Compared, Left, Mead, load};
use crate::fault::Fault;
use crate::found::Query;

#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) struct Meads {
    total: u64,
    /// Counted from 0; so many are on each.
    page: u32,
    page_size: u32,
    meads: Vec<OneFound>,
}

#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
struct OneFound {
    id: BatchId,
    name: String,
    vessel: String,
    honey: String,
    yeast: String,
    /// RFC 3339.
    started: String,
    ended: Option<String>,
    original_gravity: Option<Gravity>,
    /// Of one that still goes on, when it was last judged.
    gravity: Option<Gravity>,
    /// Of one that ended.
    review: Option<Figures>,
}

/// A review for programs: times since the pitch in days, moments in RFC 3339.
#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
struct Figures {
    pitched: String,
    days: f64,
    over: bool,
    original_gravity: Option<f64>,
    final_gravity: Option<f64>,
    fall: Option<f64>,
    lag_days: Option<f64>,
    half_days: Option<f64>,
    ninety_days: Option<f64>,
    ninety_nine_days: Option<f64>,
    steepest_fall_a_day: Option<f64>,
    steepest_at_days: Option<f64>,
    temperature_median: Option<f64>,
    temperature_low: Option<f64>,
    temperature_high: Option<f64>,
    strength: Option<f64>,
    apparent_attenuation: Option<f64>,
    real_attenuation: Option<f64>,
    stood_still: Vec<StoodStill>,
}

#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
struct StoodStill {
    from_days: f64,
    /// `null`: it never went on.
    until_days: Option<f64>,
    gravity: f64,
}

impl From<&Review> for Figures {
    fn from(r: &Review) -> Figures {
        let since = |at: Moment| at.since(r.pitched).as_days();
        let days = |span: Option<ebbmark_core::time::Span>| span.map(|s| s.as_days());
        Figures {
            pitched: r.pitched.to_rfc3339(),
            days: r.days,
            over: r.over,
            original_gravity: r.original.map(|g| g.get()),
            final_gravity: r.ended_at.map(|g| g.get()),
            fall: r.fall,
            lag_days: days(r.lag),
            half_days: days(r.half),
            ninety_days: days(r.ninety),
            ninety_nine_days: days(r.ninety_nine),
            steepest_fall_a_day: r.steepest.map(|s| s.a_day),
            steepest_at_days: r.steepest.map(|s| since(s.at)),
            temperature_median: r.warmth.map(|w| w.median.get()),
            temperature_low: r.warmth.map(|w| w.low.get()),
            temperature_high: r.warmth.map(|w| w.high.get()),
            strength: r.strength.map(|s| s.get()),
            apparent_attenuation: r.apparent_attenuation.map(|p| p.get()),
            real_attenuation: r.real_attenuation.map(|p| p.get()),
            stood_still: r
                .stood_still
                .iter()
                .map(|s| StoodStill {
                    from_days: since(s.from),
                    until_days: s.until.map(since),
                    gravity: s.gravity.get(),
                })
                .collect(),
        }
    }
}

impl From<FoundMead> for OneFound {
    fn from(mead: FoundMead) -> OneFound {
        let facts = mead.batch.facts;
        OneFound {
            id: mead.batch.id,
            name: facts.name,
            vessel: mead.vessel,
            honey: facts.honey,
            yeast: facts.yeast,
            started: facts.started.to_rfc3339(),
            ended: mead.batch.ended.map(Moment::to_rfc3339),
            original_gravity: facts.original_gravity,
            gravity: mead.now,
            review: mead.review.as_ref().map(Figures::from),
        }
    }
}

pub(crate) async fn meads(
    MayRead(visitor): MayRead,
    State(app): State<App>,
    Pairs(pairs): Pairs<Vec<(String, String)>>,
) -> Result<Json<Meads>, Fault> {
    let page = pairs.iter().rev().find(|(key, _)| key == "page");
    let page = page.map_or("", |(_, text)| text.trim());
    if !page.is_empty() && page.parse::<u32>().is_err() {
        let say = format!("page: \"{page}\" is no number from 0 up");
        return Err(Fault::said(StatusCode::UNPROCESSABLE_ENTITY, say));
    }
    let query = Query::from_pairs(pairs);
    let wanted = query
        .wanted(&visitor.zone)
        .map_err(|wrong| Fault::said(StatusCode::UNPROCESSABLE_ENTITY, wrong.join("; ")))?;
    let (page, now) = (query.page, visitor.now);
    let found = app.read(move |r| r.meads(&wanted, page, now)).await?;
    Ok(Json(Meads {
        total: found.total,
        page,
        page_size: PAGE,
        meads: found.meads.into_iter().map(OneFound::from).collect(),
    }))
}

#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) struct Comparison {
    by: &'static str,
    /// What the numbers of a curve's points are.
    x: &'static str,
    value: &'static str,
    meads: Vec<OneCompared>,
    usual: Option<Usual>,
}

#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
struct OneCompared {
    id: BatchId,
    name: String,
    review: Figures,
    curve: Vec<(f64, f64)>,
    /// x, and °C.
    temperature: Vec<(f64, f64)>,
    left_the_usual: Vec<LeftUsual>,
}

#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
struct LeftUsual {
    #[serde(flatten)]
    how: Departure,
    at: String,
    /// In the two days before.
    done: Vec<Done>,
}

#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
struct Done {
    at: String,
    what: &'static str,
    note: String,
}

#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
struct Usual {
    /// Finished meads beside those compared.
    of: usize,
    /// In the units of the curves; empty by gravity.
    places: Vec<Place>,
}

impl From<&Left> for LeftUsual {
    fn from(left: &Left) -> LeftUsual {
        LeftUsual {
            how: left.how,
            at: left.at.to_rfc3339(),
            done: left
                .done
                .iter()
                .map(|d| Done {
                    at: d.at.to_rfc3339(),
                    what: d.what.key(),
                    note: d.note.clone(),
                })
                .collect(),
        }
    }
}

impl From<Compared> for Comparison {
    fn from(compared: Compared) -> Comparison {
        let view = compared.view;
        let one = |mead: &Mead| OneCompared {
            id: mead.batch.id,
            name: mead.batch.facts.name.clone(),
            review: Figures::from(&mead.summary.review),
            curve: mead.curve(view),
            temperature: mead.warmth(view),
            left_the_usual: mead.left.iter().map(LeftUsual::from).collect(),
        };
        let places = compared.usual().into_iter();
        let places = places.map(|[x, low, middle, high]| Place {
            x,
            low,
            middle,
            high,
        });
        Comparison {
            by: view.key(),
            x: view.across(),
            value: view.value(),
            usual: compared.band.as_ref().map(|b| Usual {
                of: b.of,
                places: places.collect(),
            }),
            meads: compared.meads.iter().map(one).collect(),
        }
    }
}

pub(crate) async fn compare(
    MayRead(visitor): MayRead,
    State(app): State<App>,
    Pairs(pairs): Pairs<Vec<(String, String)>>,
) -> Result<Json<Comparison>, Fault> {
    let asked = Asked::from_pairs(&pairs)?;
    let now = visitor.now;
    let compared = app.read(move |r| load(r, &asked, now)).await?;
    let compared = compared.ok_or_else(|| Fault::missing("mead"))?;
    Ok(Json(compared.into()))
}
