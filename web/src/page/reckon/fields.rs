//! The fields of a reckoning. Each says where its number came from, and what is wrong with it.

use ebbmark_core::reckon::{Choice, Complaint, Kind, Need, Refusal, Shown, Source};
use maud::{Markup, html};

use crate::visitor::Visitor;

pub(super) struct Fields<'a> {
    visitor: &'a Visitor,
    /// Of fields in which nothing stands: what is missing is no mistake.
    missing: Vec<(&'a Shown, &'a Complaint)>,
    wrong: Vec<&'a Complaint>,
}

/// Fields that stand together, or a field with rows.
pub(super) enum Part<'a> {
    Plain(Vec<&'a Shown>),
    Rows(&'a Shown),
}

pub(super) fn parts(all: &[Shown]) -> Vec<Part<'_>> {
    let mut parts = Vec::new();
    for shown in all {
        match (&shown.field.kind, parts.last_mut()) {
            (Kind::Rows { .. }, _) => parts.push(Part::Rows(shown)),
            (_, Some(Part::Plain(last))) => last.push(shown),
            (_, _) => parts.push(Part::Plain(vec![shown])),
        }
    }
    parts
}

impl<'a> Fields<'a> {
    pub fn new(
        visitor: &'a Visitor,
        shown: &'a [Shown],
        refusal: Option<&'a Refusal>,
    ) -> Fields<'a> {
        let mut fields = Fields {
            visitor,
            missing: Vec::new(),
            wrong: Vec::new(),
        };
        if let Some(Refusal::Fields(complaints)) = refusal {
            let all = || shown.iter().flat_map(with_rows);
            for complaint in complaints.iter() {
                let empty = all().find(|s| s.path == complaint.path && s.text.is_empty());
                match empty {
                    Some(shown) => fields.missing.push((shown, complaint)),
                    None => fields.wrong.push(complaint),
                }
            }
        }
        fields
    }

    /// Labels of what is missing.
    pub fn missing(&self) -> Vec<&'static str> {
        self.missing
            .iter()
            .map(|(shown, _)| shown.field.label)
            .collect()
    }

    pub fn wrong(&self) -> &[&'a Complaint] {
        &self.wrong
    }

    pub fn complaints(&self) -> Markup {
        html! {
            div #complaints data-fresh role="alert" {
                @if !self.wrong.is_empty() {
                    div.complaints {
                        ul { @for complaint in &self.wrong { li { (complaint.say) } } }
                    }
                }
            }
        }
    }

    pub fn part(&self, part: Part<'_>) -> Markup {
        match part {
            Part::Plain(fields) => html! {
                div.fields { @for shown in fields { (self.field(shown, false)) } }
            },
            Part::Rows(shown) => self.rows(shown),
        }
    }

    fn rows(&self, shown: &Shown) -> Markup {
        let most = match shown.field.kind {
            Kind::Rows { most, .. } => most,
            _ => 0,
        };
        html! {
            fieldset.rows data-rows=(shown.path) data-most=(most) {
                legend { (shown.field.label) }
                small id={ "n-" (shown.path) } data-fresh { (self.note(shown, false)) }
                @for (n, row) in shown.rows.iter().enumerate() {
                    div.fields.part role="group" aria-label={ (shown.field.label) ", " (n + 1) } {
                        @for cell in row { (self.field(cell, true)) }
                    }
                }
                // Without scripts there are always empty rows to type into.
                button.more type="button" hidden { "One more" }
            }
        }
    }

    fn field(&self, shown: &Shown, in_row: bool) -> Markup {
        let (id, note) = (format!("f-{}", shown.path), format!("n-{}", shown.path));
        let wrong = self.complaint(shown).map(|_| "true");
        html! {
            div.field.wide[matches!(shown.field.kind, Kind::Words)] {
                label for=(id) { (self.label(shown)) }
                @match &shown.field.kind {
                    Kind::Choice(of) => {
                        select id=(id) name=(shown.path) aria-invalid=[wrong] aria-describedby=(note) {
                            (self.options(shown, of, in_row))
                        }
                    }
                    kind => {
                        input id=(id) name=(shown.path) value=(shown.text) type=(input_type(kind))
                            inputmode=[matches!(kind, Kind::Number(_)).then_some("decimal")]
                            aria-invalid=[wrong] aria-describedby=(note);
                    }
                }
                small id=(note) data-fresh { (self.note(shown, in_row)) }
            }
        }
    }

    fn label(&self, shown: &Shown) -> String {
        let unit = match &shown.field.kind {
            Kind::Number(measure) => measure.sign(self.visitor.prefs),
            _ => "",
        };
        if unit.is_empty() {
            shown.field.label.to_owned()
        } else {
            format!("{}, {unit}", shown.field.label)
        }
    }

    fn options(&self, shown: &Shown, of: &[Choice], in_row: bool) -> Markup {
        let may_be_empty = in_row || matches!(shown.field.need, Need::MayBeLeft);
        let known = of.iter().any(|c| c.key == shown.text);
        html! {
            @if may_be_empty || shown.text.is_empty() { option value="" { "–" } }
            // What nobody offers stays to be seen beside what is said of it.
            @if !known && !shown.text.is_empty() {
                option value=(shown.text) selected { (shown.text) }
            }
            @for choice in of {
                option value=(choice.key) selected[choice.key == shown.text] { (choice.label) }
            }
        }
    }

    fn complaint(&self, shown: &Shown) -> Option<&Complaint> {
        let found = self.wrong.iter().find(|c| c.path == shown.path);
        found.copied()
    }

    /// What stands below a field: what is wrong with it, or where it came from, and its hint.
    fn note(&self, shown: &Shown, in_row: bool) -> Markup {
        let missing = self.missing.iter().find(|(s, _)| s.path == shown.path);
        let hint = shown.field.hint;
        html! {
            @if let Some((_, complaint)) = missing {
                b.missing { (without_label(complaint, shown)) }
            } @else if let Some(complaint) = self.complaint(shown) {
                b.wrong { (without_label(complaint, shown)) }
            } @else {
                @match &shown.source {
                    // Said once, above the rows.
                    Some(Source::Record(_)) if in_row => "",
                    Some(Source::Record(from)) => span.from { "From " (from) "." },
                    Some(Source::Usual) => "Usual.",
                    Some(Source::Typed) | None => {}
                }
            }
            @if !hint.is_empty() { " " (hint) }
        }
    }
}

/// A field, and those in its rows.
pub(super) fn with_rows(shown: &Shown) -> impl Iterator<Item = &Shown> {
    std::iter::once(shown).chain(shown.rows.iter().flatten())
}

/// The field stands right above, so its name need not be said again.
fn without_label(complaint: &Complaint, shown: &Shown) -> String {
    let label = format!("{}: ", shown.field.label);
    let why = complaint.say.strip_prefix(&label).unwrap_or(&complaint.say);
    crate::show::as_sentence(why)
}

fn input_type(kind: &Kind) -> &'static str {
    match kind {
        Kind::When => "datetime-local",
        _ => "text",
    }
}
