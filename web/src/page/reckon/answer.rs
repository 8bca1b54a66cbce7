//! The answer: results, what to take care of, what would be done, and what it all rests on.

use ebbmark_core::line;
use ebbmark_core::reckon::{Shown, Told, ToldTable};
use ebbmark_store::model::Vessel;
use maud::{Markup, html};

use super::fields::with_rows;
use crate::page::field::{Sheet, fold};
use crate::page::why_no_forms;
use crate::reckoned::Wanted;
use crate::show::{as_heading, as_sentence};
use crate::visitor::Visitor;

const DO_FORM: &str = "do";

pub(super) fn show(told: &Told) -> Markup {
    html! {
        @if !told.despite.is_empty() { p.care { b { "Done all the same: " } (as_sentence(&told.despite)) } }
        @if !told.results.is_empty() {
            table.results {
                caption.hidden { (told.title) }
                thead.hidden { tr { th scope="col" { "What" } th scope="col" { "How much" } } }
                tbody {
                    @for result in &told.results {
                        tr {
                            th scope="row" { (result.label) }
                            td {
                                b { (result.text) }
                                @if !result.range.is_empty() { span.range { (result.range) } }
                                @if !result.note.is_empty() { small { (result.note) } }
                            }
                        }
                    }
                }
            }
        }
        @if !told.cautions.is_empty() {
            div.care {
                h2 { "Take care" }
                @for caution in &told.cautions { p { (caution) } }
            }
        }
        @for table in &told.tables { (one_table(table)) }
    }
}

fn one_table(table: &ToldTable) -> Markup {
    html! {
        // Reached by keyboard, so that it can be scrolled by it.
        div.scroll role="group" aria-label=(table.title) tabindex="0" {
            table {
                caption { (table.title) }
                thead { tr { @for column in &table.columns { th scope="col" { (column.label) } } } }
                tbody {
                    @for row in &table.rows {
                        tr {
                            @for (n, cell) in row.iter().enumerate() {
                                @if n == 0 { th scope="row" { (cell.text) } } @else { td { (cell.text) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// How sure it is, by which formulas, from which numbers.
pub(super) fn ground(told: &Told) -> Markup {
    let inputs = html! {
        h3 { "By" }
        ul.points {
            @for formula in &told.formulas {
                li { (as_heading(&formula.name)) ": " (formula.source) }
            }
        }
        h3 { "From" }
        dl.facts {
            @for input in &told.inputs {
                div {
                    dt { (input.label) }
                    dd { (input.text) " " small { "(" (input.from) ")" } }
                }
            }
        }
    };
    html! {
        @if !told.how_sure.is_empty() {
            h2 { "How sure" }
            p { (told.how_sure) }
        }
        (fold("how", "Formula, source and what went in", false, inputs))
    }
}

/// The step that follows, to be written into the vessel's log with one tap.
pub(super) fn do_it(
    visitor: &Visitor,
    wanted: &Wanted,
    vessel: &Vessel,
    told: Option<&Told>,
    shown: &[Shown],
) -> Markup {
    // What stands in the fields, not what was typed: the record may change before it is sent.
    let fields = shown.iter().flat_map(with_rows);
    let filled: Vec<&Shown> = fields.filter(|s| !s.text.is_empty()).collect();
    let step = told.and_then(|t| t.step.as_ref());
    html! {
        section.do-it #do data-fresh aria-label="Do it" {
            @if let Some(step) = step {
                p { "For the log: " q { (line::in_words(&step.deed, None, visitor.prefs)) } }
                @if let Some(wait) = &step.wait {
                    p { "Done now, it has to wait until " b { (wait.text) } " before " (wait.before) "." }
                }
                @if vessel.retired {
                    p.aside { "This vessel is off the cellar view; nothing can be written into its log." }
                } @else {
                    @if let Some(why) = why_no_forms(visitor) { (why) }
                    @if let Some(sheet) = Sheet::new(visitor, DO_FORM, None) {
                        (sheet.form(&format!("/vessel/{}/reckon/{}/do", vessel.id, wanted.reckoning.key), "Do it",
                            html! {
                                @for field in &filled { (sheet.hidden(&field.path, &field.text)) }
                                @if !wanted.despite.is_empty() { (sheet.hidden(ebbmark_core::reckon::DESPITE, &wanted.despite)) }
                            }))
                    }
                }
            }
        }
    }
}
