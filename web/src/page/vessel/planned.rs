//! What is planned to go in and has not gone in yet: its masses filled in, to be noted with one tap.

use ebbmark_core::card::called;
use ebbmark_core::deed::{Deed, Dose, What};
use ebbmark_core::time::Span;
use ebbmark_store::model::{Batch, LogLine};
use maud::{Markup, html};

use super::Story;
use crate::form::Draft;
use crate::page::field::{Sheet, fold};
use crate::page::plan::goes_in;
use crate::show::as_heading;
use crate::visitor::Visitor;

/// What goes in may be noted before the yeast is.
const BEFORE_PITCH: Span = Span::hours(1);

/// One form a step; a refused one is known by its step.
pub(crate) fn form_of(with: What) -> String {
    format!("goods-{}", with.key())
}

/// Name of the field of the nth thing of a step.
pub(crate) fn mass_field(n: usize) -> String {
    format!("mass-{}", n + 1)
}

pub(crate) fn label(dose: &Dose) -> String {
    as_heading(&called(dose.of, &dose.name))
}

pub(super) fn show(
    visitor: &Visitor,
    story: &Story,
    batch: &Batch,
    draft: Option<&Draft>,
) -> Markup {
    // What was in the vessel before had its own plan.
    let own = |line: &&LogLine| line.deed.at >= batch.facts.started - BEFORE_PITCH;
    let lines = story.mead_lines().filter(own);
    let deeds: Vec<Deed> = lines.map(|line| line.deed.clone()).collect();
    let left = batch.plan.to_go_in(&deeds);
    let action = format!("/vessel/{}/batch/{}/goods", story.vessel.id, batch.id);
    html! {
        @for (with, doses) in &left {
            @let name = form_of(*with);
            @if let Some(sheet) = Sheet::new(visitor, &name, draft) {
                (fold(&name, &format!("Put in what was planned {}", goes_in(*with)), sheet.refused(),
                    sheet.form(&action, "Note what went in", html! {
                        (sheet.hidden("with", with.key()))
                        div.fields {
                            @for (n, dose) in doses.iter().enumerate() {
                                (sheet.number(&mass_field(n), &label(dose), &visitor.mass(dose.mass), "Left empty: it did not go in."))
                            }
                            (sheet.when("at", "When", "", "Left empty: now."))
                        }
                    })))
            }
        }
    }
}
