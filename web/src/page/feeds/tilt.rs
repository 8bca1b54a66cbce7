//! Gravity from tilt out of what is there already: hand readings, and the tilts around them.

use ebbmark_core::deed::What;
use ebbmark_core::feed::{FeedMap, Format, Quantity};
use ebbmark_core::ids::FeedId;
use ebbmark_core::instrument::tilt::{self, TiltFit};
use ebbmark_core::show;
use ebbmark_core::time::Moment;
use ebbmark_core::units::{Degrees, Gravity};
use ebbmark_store::model::{Feed, Vessel};
use ebbmark_store::{Reader, StoreError};
use maud::{Markup, html};

use crate::form::Draft;
use crate::page::field::{Sheet, fold};
use crate::visitor::Visitor;

/// A hand reading and the tilt of a feed that was in its vessel then.
pub(super) struct Paired {
    feed: FeedId,
    at: Moment,
    tilt: Degrees,
    hand: Gravity,
}

pub(crate) fn tilt_form(feed: FeedId) -> String {
    format!("tilt-{feed}")
}

/// All there are, in time order within each stay of a feed in a vessel.
pub(super) fn paired(
    reader: &Reader,
    feeds: &[Feed],
    vessels: &[Vessel],
) -> Result<Vec<Paired>, StoreError> {
    let tilting: Vec<FeedId> = feeds
        .iter()
        .filter(|f| !f.retired && may_tilt(&f.map))
        .map(|f| f.id)
        .collect();
    let mut all = Vec::new();
    if tilting.is_empty() {
        return Ok(all);
    }
    for vessel in vessels {
        let stays = reader.feeds_of(vessel.id, Moment(i64::MIN), Moment(i64::MAX))?;
        for (feed, since, until) in stays {
            if !tilting.contains(&feed) {
                continue;
            }
            for line in reader.log(vessel.id, since, until)? {
                let counts = line.replaced_by.is_none() && line.deed.what == What::HandReading;
                let Some(hand) = line.deed.gravity.filter(|_| counts) else {
                    continue;
                };
                let (from, to) = tilt::around(line.deed.at);
                let tilts = reader.tilts(feed, from.max(since), to.min(until))?;
                all.extend(tilt::angle(&tilts).map(|tilt| Paired {
                    feed,
                    at: line.deed.at,
                    tilt,
                    hand,
                }));
            }
        }
    }
    Ok(all)
}

/// SenML says what is what in each message; the other maps say it themselves.
fn may_tilt(map: &FeedMap) -> bool {
    let tilts = |q: Quantity| matches!(q, Quantity::TiltDegrees | Quantity::TiltRadians);
    match &map.format {
        Format::Senml { .. } => true,
        Format::Json { picks } => picks.iter().any(|p| tilts(p.quantity)),
        Format::Number { quantity } => tilts(*quantity),
    }
}

pub(super) fn show(
    visitor: &Visitor,
    feed: &Feed,
    paired: &[Paired],
    draft: Option<&Draft>,
) -> Markup {
    let own: Vec<&Paired> = paired.iter().filter(|p| p.feed == feed.id).collect();
    if own.is_empty() {
        return html! {};
    }
    let pairs: Vec<(Degrees, Gravity)> = own.iter().map(|p| (p.tilt, p.hand)).collect();
    let fitted = tilt::fit(&pairs);
    let name = tilt_form(feed.id);
    let sheet = Sheet::new(visitor, &name, draft);
    let refused = sheet.as_ref().is_some_and(Sheet::refused);
    let body = html! {
        (table(visitor, &own, fitted.as_ref().ok()))
        @match &fitted {
            Err(why) => p.aside { "No curve yet: " (why) "." },
            Ok(fit) => {
                (says(visitor, &own, fit))
                @if in_use(fit, &feed.map.tilt_polynomial) {
                    p.aside { "This is the curve in use." }
                } @else if let Some(sheet) = &sheet {
                    (sheet.form(&format!("/feeds/{}/tilt", feed.id), "Use this curve and read again", html! {
                        (sheet.hidden("polynomial", &written(fit)))
                    }))
                }
            },
        }
    };
    fold(
        &format!("fold-{name}"),
        "Gravity from tilt, by its hand readings",
        refused,
        body,
    )
}

/// The same to what a reading can show: a last digit may have been lost on the way through the store.
fn in_use(fit: &TiltFit, polynomial: &[f64]) -> bool {
    let same = |(a, b): (&f64, &f64)| (a - b).abs() <= 1e-9 * a.abs();
    fit.coefficients.len() == polynomial.len() && fit.coefficients.iter().zip(polynomial).all(same)
}

/// Every digit: the curve that was shown is the one that is set.
fn written(fit: &TiltFit) -> String {
    let coefficients: Vec<String> = fit.coefficients.iter().map(f64::to_string).collect();
    coefficients.join(" ")
}

fn says(visitor: &Visitor, own: &[&Paired], fit: &TiltFit) -> Markup {
    let near = own.last().map_or(Gravity::computed(1.0), |p| p.hand);
    let off = |sg: f64| show::gravity_step(sg, near, visitor.prefs);
    let (low, high) = fit.range;
    html! {
        p {
            "A curve through them is mostly within " (off(fit.residual_sd))
            " of the hand readings, and within " (off(fit.foretold_sd))
            " of one it has not seen. It holds from "
            (format!("{:.1}° to {:.1}°", low.get(), high.get()))
            "; beyond that it is a guess."
        }
        p { "SG = " code { (formula(fit)) } ", a in degrees." }
    }
}

fn formula(fit: &TiltFit) -> String {
    let terms = fit
        .coefficients
        .iter()
        .enumerate()
        .map(|(power, c)| match power {
            0 => format!("{c:.6}"),
            1 => format!("{c:.6e}·a"),
            _ => format!("{c:.6e}·a^{power}"),
        });
    terms.collect::<Vec<_>>().join(" + ")
}

fn table(visitor: &Visitor, own: &[&Paired], fit: Option<&TiltFit>) -> Markup {
    html! {
        div.scroll {
            table {
                caption { "Hand readings, and the middle tilt within an hour of each" }
                thead { tr {
                    th scope="col" { "Taken" }
                    th scope="col" { "Tilt" }
                    th scope="col" { "By hand" }
                    @if fit.is_some() { th scope="col" { "above the curve" } }
                } }
                tbody {
                    @for (i, pair) in own.iter().enumerate() {
                        tr {
                            th scope="row" { (visitor.day_and_time(pair.at)) }
                            td { (format!("{:.1}°", pair.tilt.get())) }
                            td { (visitor.gravity(pair.hand)) }
                            @if let Some(off) = fit.and_then(|f| f.residuals.get(i)) {
                                td { (show::gravity_step(*off, pair.hand, visitor.prefs)) }
                            }
                        }
                    }
                }
            }
        }
    }
}
