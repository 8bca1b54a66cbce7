//! One claimed feed.

use ebbmark_core::feed::{Format, Pick, Quantity};
use ebbmark_core::ids::FeedId;
use ebbmark_core::units::{Battery, Signal};
use ebbmark_store::model::{Feed, ProblemCount, Vessel};
use maud::{Markup, html};

use super::claim::{polynomial, quantity_choices};
use super::{problems, tilt, vessel_choices};
use crate::form::Draft;
use crate::page::field::{Sheet, fold};
use crate::visitor::Visitor;

/// Lines for values the map does not read yet.
const SPARE_LINES: usize = 2;

pub(crate) fn map_form(feed: FeedId) -> String {
    format!("map-{feed}")
}

pub(crate) fn move_form(feed: FeedId) -> String {
    format!("move-{feed}")
}

pub(super) fn show(
    visitor: &Visitor,
    feed: &Feed,
    all_problems: &[ProblemCount],
    vessels: &[Vessel],
    paired: &[tilt::Paired],
    draft: Option<&Draft>,
) -> Markup {
    let own = all_problems
        .iter()
        .filter(|p| p.feed == Some(feed.id))
        .collect();
    let vessel = vessels.iter().find(|v| Some(v.id) == feed.vessel);
    html! {
        article.feed id={ "feed-" (feed.id) } {
            h3 { (feed.name) }
            p {
                @match vessel {
                    Some(v) => { "In " a href={ "/vessel/" (v.id) } { (v.facts.name) } },
                    None => { "In no vessel" },
                }
                @if from_files(feed) { ", read from files." }
                @else { ", " code { (feed.topic) } " by way of " (feed.source) "." }
            }
            (state(visitor, feed))
            (problems(visitor, own, "Problems in its messages"))
            (tilt::show(visitor, feed, paired, draft))
            @if !from_files(feed) { (forms(visitor, feed, vessels, draft)) }
        }
    }
}

/// Imports have no messages to be read in another way, and stay with the vessel they were for.
fn from_files(feed: &Feed) -> bool {
    feed.source == "import"
}

fn state(visitor: &Visitor, feed: &Feed) -> Markup {
    let fact = |name: &str, value: String| html! { div { dt { (name) } dd { (value) } } };
    html! {
        dl.facts {
            (fact("Last reading", feed.last_reading.map_or_else(|| "none yet".to_owned(), |at| visitor.ago(at))))
            @if let Some(g) = feed.last_gravity { (fact("Gravity", visitor.gravity(g))) }
            @if let Some(t) = feed.last_temperature { (fact("Temperature", visitor.temperature(t))) }
            @if let Some(b) = feed.battery { (fact("Battery", match b {
                Battery::Volts(v) => format!("{v:.2} V"),
                Battery::Percent(p) => format!("{p:.0} %"),
            })) }
            @if let Some(s) = feed.signal { (fact("Signal", match s {
                Signal::Dbm(d) => format!("{d:.0} dBm"),
                Signal::Percent(p) => format!("{p:.0} %"),
            })) }
            (fact("Readings", feed.readings.to_string()))
            @if feed.undated > 0 { (fact("Waiting for a date", format!("{} messages", feed.undated))) }
            @if let Some(at) = feed.went_away {
                div.trouble { dt { "Went away" } dd { (visitor.day_and_time(at)) } }
            }
        }
    }
}

fn forms(visitor: &Visitor, feed: &Feed, vessels: &[Vessel], draft: Option<&Draft>) -> Markup {
    let id = feed.id;
    let (map_name, move_name, retire_name) = (map_form(id), move_form(id), format!("retire-{id}"));
    html! {
        @if let Some(sheet) = Sheet::new(visitor, &move_name, draft) {
            @let here = feed.vessel.map_or_else(String::new, |v| v.to_string());
            (fold(&move_name, "Move it to another vessel", sheet.refused(),
                sheet.form(&format!("/feeds/{id}/move"), "Move it", html! { div.fields {
                    (sheet.select("vessel", "Floats in", &vessel_choices(vessels), &here))
                    (sheet.when("at", "Since when", "", "Left empty: now. Earlier readings stay where they were."))
                } })))
        }
        @if let Some(sheet) = Sheet::new(visitor, &map_name, draft) {
            (fold(&map_name, "How its messages are read", sheet.refused(),
                sheet.form(&format!("/feeds/{id}/map"), "Save and read again", map_fields(&sheet, feed))))
        }
        @if let Some(sheet) = Sheet::new(visitor, &retire_name, draft) {
            (fold(&retire_name, "Retire this feed", false,
                sheet.form(&format!("/feeds/{id}/retire"), "Retire it", html! {
                    p { "Its messages are no longer read. The readings it gave stay." }
                })))
        }
        // Only there does an answer over HTTP join this feed: another way in is another feed.
        @if feed.source == "http" {
            p.aside { "Over HTTP: " code { "POST /intake/" (feed.topic) } }
        }
    }
}

fn map_fields(sheet: &Sheet, feed: &Feed) -> Markup {
    let quantities = quantity_choices();
    let coefficients: Vec<String> = feed
        .map
        .tilt_polynomial
        .iter()
        .map(f64::to_string)
        .collect();
    html! {
        div.fields {
            (sheet.text("name", "Name of the feed", &feed.name, ""))
            (polynomial(sheet, &coefficients.join(" ")))
        }
        @match &feed.map.format {
            Format::Number { quantity } => {
                (sheet.hidden("format", "number"))
                (sheet.hidden("from-0", ""))
                div.fields { (sheet.select("what-0", "The number is", &quantities, quantity.key())) }
            },
            Format::Json { picks } => (pick_lines(sheet, "json", picks, "Where (JSON Pointer, like /data/gravity)", &quantities)),
            Format::Senml { picks } => (pick_lines(sheet, "senml", picks, "Where (record name)", &quantities)),
        }
    }
}

fn pick_lines(
    sheet: &Sheet,
    format: &str,
    picks: &[Pick],
    label: &str,
    quantities: &[(String, String)],
) -> Markup {
    let line = |i: usize, from: &str, quantity: Option<Quantity>| {
        html! {
            div.fields.pair {
                (sheet.text(&format!("from-{i}"), label, from, ""))
                (sheet.select(&format!("what-{i}"), "is", quantities, quantity.map_or("", Quantity::key)))
            }
        }
    };
    html! {
        (sheet.hidden("format", format))
        @for (i, pick) in picks.iter().enumerate() { (line(i, &pick.from, Some(pick.quantity))) }
        @for i in picks.len()..picks.len() + SPARE_LINES { (line(i, "", None)) }
    }
}
