//! Forms and their fields, filled from the draft when one was refused.

use maud::{Markup, html};

use crate::auth::token;
use crate::form::{Complaint, Draft};
use crate::visitor::Visitor;

/// One form on a page, known by its name.
pub(in crate::page) struct Sheet<'a> {
    name: &'a str,
    draft: Option<&'a Draft>,
    mark: String,
}

impl<'a> Sheet<'a> {
    /// `None` when the visitor may not write.
    pub fn new(visitor: &Visitor, name: &'a str, draft: Option<&'a Draft>) -> Option<Sheet<'a>> {
        Some(Sheet {
            name,
            draft: draft.filter(|d| d.form == name),
            mark: visitor.mark()?,
        })
    }

    /// Whether this form was just refused, so that it should stand open.
    pub fn refused(&self) -> bool {
        self.draft.is_some()
    }

    pub fn form(&self, action: &str, button: &str, fields: Markup) -> Markup {
        let body = html! {
            (fields)
            p.act { button type="submit" { (button) } }
        };
        self.bare_form(action, body)
    }

    /// As [`Sheet::form`], of which the answer is the page itself, or each sending counts: the browser
    /// sends it, the script that holds forms keeps its hands off.
    pub fn straight(&self, action: &str, button: &str, fields: Markup) -> Markup {
        html! { div data-straight { (self.form(action, button, fields)) } }
    }

    /// A form that brings its own buttons.
    pub fn bare_form(&self, action: &str, body: Markup) -> Markup {
        html! {
            form method="post" action=(action) autocomplete="off" {
                input type="hidden" name="mark" value=(self.mark);
                input type="hidden" name="once" value=(token::medium());
                (self.complaints())
                (body)
            }
        }
    }

    /// A form that only asks: what it is filled with is the address of the answer.
    pub fn asking(&self, action: &str, button: &str, fields: Markup) -> Markup {
        html! {
            form method="get" action=(action) autocomplete="off" {
                (self.complaints())
                (fields)
                p.act { button type="submit" { (button) } }
            }
        }
    }

    fn complaints(&self) -> Markup {
        html! {
            @if let Some(draft) = self.draft.filter(|d| !d.complaints.is_empty()) {
                div.complaints role="alert" {
                    ul { @for complaint in &draft.complaints { li { (complaint.say) } } }
                }
            }
        }
    }

    fn value(&self, field: &str, otherwise: &str) -> String {
        match self.draft {
            Some(draft) => draft.fields.get(field).to_owned(),
            None => otherwise.to_owned(),
        }
    }

    fn complaint(&self, field: &str) -> Option<&Complaint> {
        self.draft?.complaints.iter().find(|c| c.field == field)
    }

    /// A line of text. `hint` stands below it.
    pub fn text(&self, field: &str, label: &str, value: &str, hint: &str) -> Markup {
        self.input(field, label, value, hint, "text", None)
    }

    /// A number with its unit; typed as text so that a comma is taken everywhere.
    pub fn number(&self, field: &str, label: &str, value: &str, hint: &str) -> Markup {
        self.input(field, label, value, hint, "text", Some("decimal"))
    }

    pub fn when(&self, field: &str, label: &str, value: &str, hint: &str) -> Markup {
        self.input(field, label, value, hint, "datetime-local", None)
    }

    /// A day without a time.
    pub fn date(&self, field: &str, label: &str, value: &str, hint: &str) -> Markup {
        self.input(field, label, value, hint, "date", None)
    }

    pub fn time(&self, field: &str, label: &str, value: &str) -> Markup {
        self.input(field, label, value, "", "time", None)
    }

    /// A box to tick; without words beside it `label` is read to who cannot see the table it is in.
    pub fn tick(&self, field: &str, label: &str, ticked: bool, in_words: bool) -> Markup {
        let ticked = match self.draft {
            Some(draft) => !draft.fields.get(field).is_empty(),
            None => ticked,
        };
        html! {
            @if in_words {
                label.tick { input type="checkbox" name=(field) value="yes" checked[ticked]; " " (label) }
            } @else {
                input type="checkbox" name=(field) value="yes" checked[ticked] aria-label=(label);
            }
        }
    }

    fn input(
        &self,
        field: &str,
        label: &str,
        value: &str,
        hint: &str,
        kind: &str,
        mode: Option<&str>,
    ) -> Markup {
        let wrong = self.complaint(field).map(|_| "true");
        // The refused form may lie far down the page: the browser goes to its first fault.
        let first = self
            .draft
            .is_some_and(|d| d.complaints.first().is_some_and(|c| c.field == field));
        let hint_id = (!hint.is_empty()).then(|| format!("{}-{field}-hint", self.name));
        html! {
            label.field {
                span { (label) }
                input type=(kind) name=(field) value=(self.value(field, value))
                    inputmode=[mode] autofocus[first] aria-invalid=[wrong]
                    aria-describedby=[hint_id.as_deref()];
                // Hidden from the label's own name: it is read once, as the description.
                @if let Some(id) = &hint_id { small id=(id) aria-hidden="true" { (hint) } }
            }
        }
    }

    pub fn note(&self, field: &str, label: &str, value: &str, hint: &str) -> Markup {
        html! {
            label.field.wide {
                span { (label) }
                textarea name=(field) rows="2" { (self.value(field, value)) }
                @if !hint.is_empty() { small { (hint) } }
            }
        }
    }

    /// `choices` are keys with their labels.
    pub fn select(
        &self,
        field: &str,
        label: &str,
        choices: &[(String, String)],
        chosen: &str,
    ) -> Markup {
        let chosen = self.value(field, chosen);
        html! {
            label.field {
                span { (label) }
                select name=(field) aria-invalid=[self.complaint(field).map(|_| "true")] {
                    @for (key, text) in choices {
                        option value=(key) selected[*key == chosen] { (text) }
                    }
                }
            }
        }
    }

    /// Never filled in again.
    pub fn password(&self, field: &str, label: &str, of: &str, hint: &str) -> Markup {
        let hint_id = (!hint.is_empty()).then(|| format!("{}-{field}-hint", self.name));
        html! {
            label.field {
                span { (label) }
                input type="password" name=(field) autocomplete=(of) required
                    aria-invalid=[self.complaint(field).map(|_| "true")] aria-describedby=[hint_id.as_deref()];
                @if let Some(id) = &hint_id { small id=(id) aria-hidden="true" { (hint) } }
            }
        }
    }

    pub fn hidden(&self, field: &str, value: &str) -> Markup {
        html! { input type="hidden" name=(field) value=(value); }
    }
}

/// A part of the page that is out of the way until asked for. `id` keeps it open over a refresh.
pub(super) fn fold(id: &str, summary: &str, open: bool, body: Markup) -> Markup {
    html! {
        details id=(id) open[open] {
            summary { (summary) }
            (body)
        }
    }
}

/// A choice of a list of values, each with its key and what it is called; see [`crate::form::of`].
pub(super) fn pick<T: Copy + PartialEq>(
    sheet: &Sheet,
    field: &str,
    label: &str,
    all: &[(T, &str, &str)],
    now: T,
) -> Markup {
    let choices: Vec<(String, String)> = all
        .iter()
        .map(|(_, key, text)| ((*key).to_owned(), (*text).to_owned()))
        .collect();
    let chosen = all
        .iter()
        .find(|(value, ..)| *value == now)
        .map_or("", |(_, key, _)| key);
    sheet.select(field, label, &choices, chosen)
}

pub(super) fn choices<T: Copy>(
    all: &[T],
    key: impl Fn(T) -> &'static str,
    label: impl Fn(T) -> &'static str,
) -> Vec<(String, String)> {
    all.iter()
        .map(|item| (key(*item).to_owned(), label(*item).to_owned()))
        .collect()
}
