//! The reckonings that fit how the mead in the vessel stands.

use ebbmark_core::deed::What;
use ebbmark_core::reckon;
use ebbmark_core::verdict::outcome::Phase;
use maud::{Markup, html};

use super::Story;
use crate::page::reckon::line;

/// Of a must that has not begun, or of an empty vessel.
const BEGINNING: &[&str] = &["must", "gravity", "nutrient"];
const FERMENTING: &[&str] = &["strength", "nutrient", "refractometer", "room-gas"];
const STOPPED: &[&str] = &["strength", "stabilise", "pasteurise", "acid", "sealed-risk"];
const STABILISED: &[&str] = &["sweeten", "sulphite", "carbonate", "sealed-risk"];
const SEALED: &[&str] = &["carbonate", "sealed-risk", "strength"];

pub(super) fn show(story: &Story) -> Markup {
    let fitting = fitting(story);
    html! {
        section aria-labelledby="reckon" {
            h2 #reckon { "Reckon" }
            ul.reckonings {
                @for reckoning in fitting.iter().filter_map(|key| reckon::find(key)) {
                    (line(reckoning, Some(story.vessel.id)))
                }
            }
            (super::super::field::fold("all-reckonings", "Others", false, html! {
                ul.reckonings {
                    @for reckoning in reckon::ALL.iter().filter(|r| !fitting.contains(&r.key)) {
                        (line(reckoning, Some(story.vessel.id)))
                    }
                }
            }))
        }
    }
}

fn fitting(story: &Story) -> &'static [&'static str] {
    let deeds = story.deeds();
    let did = |any: &[What]| deeds.iter().any(|(_, what)| any.contains(what));
    let Some(stored) = &story.verdict else {
        return BEGINNING;
    };
    match stored.verdict.phase {
        _ if did(&[What::Seal]) => SEALED,
        _ if did(&[What::Stabilise, What::Pasteurise]) => STABILISED,
        Phase::Lag => BEGINNING,
        Phase::Active | Phase::Slowing | Phase::Restarted | Phase::NoData => FERMENTING,
        Phase::Stuck | Phase::Resting | Phase::Settled => STOPPED,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One that was renamed would drop out of the page without a word.
    #[test]
    fn every_one_of_them_is_there() {
        for key in [BEGINNING, FERMENTING, STOPPED, STABILISED, SEALED].concat() {
            assert!(reckon::find(key).is_some(), "{key}");
        }
    }
}
