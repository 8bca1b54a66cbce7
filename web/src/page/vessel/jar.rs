//! How a jar of the mead is fermented out, for as long as that would tell something.
//!
//! Amounts, warmth and how long it takes are common practice, no source.

use ebbmark_core::deed::What;
use ebbmark_core::units::Gravity;
use ebbmark_core::verdict::jar::AGREES;
use maud::{Markup, html};

use super::Story;
use super::forms::DEED_FORM;
use crate::page::field::fold;
use crate::visitor::Visitor;

/// After this a jar of it would not ferment as the mead did.
const TOO_LATE: &[What] = &[What::Stabilise, What::Pasteurise, What::Sweeten, What::Seal];

/// Nothing where it has told already, or could not tell any more.
pub(super) fn how_to(visitor: &Visitor, story: &Story) -> Markup {
    let Some(stored) = &story.verdict else {
        return html! {};
    };
    let v = &stored.verdict;
    let told = v.test_ferment.is_some_and(|jar| jar.counts()) || v.gates.stabilise.open;
    if told || story.deeds().iter().any(|(_, w)| TOO_LATE.contains(w)) {
        return html! {};
    }
    let agree = visitor.step(AGREES, v.gravity.unwrap_or(Gravity::computed(1.0)));
    fold(
        "test-ferment",
        "How to ferment a jar of it out",
        false,
        html! {
            p {
                "A jar of the mead, kept warm with plenty of fresh yeast, ends within days. Where it "
                "ends, the mead itself can end: that tells finished from stuck better than any guess."
            }
            ol {
                li {
                    "Draw it on the day of the pitch, well stirred; else a week after anything was "
                    "last added, and before it is stabilised. Half a litre is enough, in a clean jar "
                    "that leaves room for foam."
                }
                li {
                    "Stir in plenty of the same yeast, two grams or so of dry yeast, and a pinch of "
                    "yeast nutrient."
                }
                li { "Put an airlock on it and keep it at about 25 °C. Swirl it once a day." }
                li {
                    "When no more gas comes, shake the gas out of a sample, bring it to 20 °C and read "
                    "it; do so again a day later. "
                    a href={ "#" (DEED_FORM) } { "Note both" }
                    " as \"test ferment\", each with its gravity. Once two readings a day apart agree "
                    "within " (agree) ", they count."
                }
                li { "Pour the jar away. It must not go back into the batch." }
            }
            p.care {
                "Never close the jar tight: it makes gas until it has ended, and a closed jar bursts."
            }
            p.aside {
                "It tells where the yeast stops, not that no sugar is left: what ends sweet is "
                "stabilised or pasteurised before it is sealed all the same."
            }
        },
    )
}
