//! Pouring meads together: how much of which, what comes of it, and then doing it.

use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ebbmark_core::ids::VesselId;
use ebbmark_core::lineage::{Book, together};
use ebbmark_core::time::Moment;
use ebbmark_core::units::Litres;
use ebbmark_store::model::{Batch, Family, Part, Vessel};
use ebbmark_store::{Reader, StoreError};
use maud::{Markup, html};

use super::field::Sheet;
use super::vessel::{empty, in_words};
use super::{Here, shell, why_no_forms};
use crate::app::App;
use crate::fault::Fault;
use crate::form::{Complaint, Draft, Fields, Take};
use crate::visitor::{Looking, Visitor};

pub(crate) const BLEND_FORM: &str = "blend";

/// What can be poured together, that of the vessel asked about first.
pub(crate) struct Choice {
    pub vessel: Vessel,
    pub meads: Vec<Candidate>,
    pub empty: Vec<Vessel>,
}

pub(crate) struct Candidate {
    pub batch: Batch,
    pub vessel: Vessel,
    pub book: Book,
}

/// As read from the form.
pub(crate) struct Wanted {
    pub parts: Vec<Part>,
    pub into: VesselId,
    pub name: String,
    pub at: Moment,
}

impl Choice {
    pub fn load(reader: &Reader, id: VesselId, now: Moment) -> Result<Option<Choice>, StoreError> {
        let Some(vessel) = reader.vessel(id)? else {
            return Ok(None);
        };
        let mut meads = Vec::new();
        // Of meads that share a past one look has all.
        let mut families: Vec<Family> = Vec::new();
        for vessel in reader.vessels()?.into_iter().filter(|v| !v.retired) {
            let Some(batch) = vessel.batch.clone() else {
                continue;
            };
            if !families.iter().any(|f| f.of(batch.id).is_some()) {
                families.push(reader.family(batch.id, now)?);
            }
            if let Some(own) = families.iter().find_map(|f| f.of(batch.id)) {
                let book = own.book.clone();
                meads.push(Candidate {
                    batch,
                    vessel,
                    book,
                });
            }
        }
        meads.sort_by_key(|m| m.vessel.id != id);
        Ok(Some(Choice {
            vessel,
            meads,
            empty: empty(reader)?,
        }))
    }

    /// What was filled in; the same for looking and for doing.
    pub fn read(&self, fields: &Fields, visitor: &Visitor) -> Result<Wanted, Vec<Complaint>> {
        let mut take = Take::new(fields, visitor);
        let mut parts = Vec::new();
        for mead in &self.meads {
            let volume = take.volume(&volume_field(mead), &mead.batch.facts.name);
            let emptied = fields.get(&all_field(mead)) == "yes";
            if volume.is_none() && !emptied {
                continue;
            }
            parts.push(Part {
                parent: mead.batch.id,
                volume: volume.or(mead.book.volume().filter(|_| emptied)),
                emptied,
            });
        }
        if parts.len() < 2 {
            let field = self.meads.first().map_or_else(String::new, volume_field);
            take.complain(&field, "Say of two meads or more how much goes in");
        }
        let gone = |v: &Vessel| {
            let held = v.batch.as_ref().map(|b| b.id);
            parts.iter().any(|p| p.emptied && Some(p.parent) == held)
        };
        let into = take.choice("into", "Into", |key| {
            let meads = self.meads.iter().map(|m| &m.vessel);
            let mut all = self.empty.iter().chain(meads);
            all.find(|v| v.id.to_string() == key)
        });
        if let Some(vessel) = into
            && vessel.batch.is_some()
            && !gone(vessel)
        {
            take.complain(
                "into",
                "Into: that vessel is only free when all of its mead goes into the blend",
            );
        }
        let name = take.name("name", "Name of the mead");
        let at = take.when("at", "When");
        let wanted = into.zip(name).zip(at).map(|((into, name), at)| Wanted {
            parts,
            into: into.id,
            name,
            at,
        });
        take.finish(wanted)
    }

    fn made_of(&self, parts: &[Part]) -> Book {
        let asked: Vec<(&Book, Option<Litres>)> = parts
            .iter()
            .filter_map(|part| {
                let mead = self.meads.iter().find(|m| m.batch.id == part.parent)?;
                Some((&mead.book, part.volume))
            })
            .collect();
        together(&asked)
    }
}

fn volume_field(mead: &Candidate) -> String {
    format!("volume-{}", mead.batch.id)
}

fn all_field(mead: &Candidate) -> String {
    format!("all-{}", mead.batch.id)
}

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
    Path(id): Path<i64>,
    Query(asked): Query<Vec<(String, String)>>,
) -> Result<Response, Fault> {
    let (id, now) = (VesselId(id), visitor.now);
    let choice = app
        .read(move |reader| Choice::load(reader, id, now))
        .await?
        .ok_or_else(|| Fault::missing("vessel"))?;
    let draft = Draft {
        form: BLEND_FORM.to_owned(),
        complaints: Vec::new(),
        fields: Fields::new(asked),
    };
    if draft.fields.pairs().next().is_none() {
        return Ok(page(&visitor, &choice, None, None).into_response());
    }
    Ok(match choice.read(&draft.fields, &visitor) {
        Ok(wanted) => page(&visitor, &choice, Some(&draft), Some(&wanted)).into_response(),
        Err(complaints) => again(
            &visitor,
            &choice,
            Draft {
                complaints,
                ..draft
            },
        ),
    })
}

/// The page again, with what is wrong with what was filled in.
pub(crate) fn again(visitor: &Visitor, choice: &Choice, draft: Draft) -> Response {
    let markup = page(visitor, choice, Some(&draft), None);
    (StatusCode::UNPROCESSABLE_ENTITY, markup).into_response()
}

fn page(
    visitor: &Visitor,
    choice: &Choice,
    draft: Option<&Draft>,
    wanted: Option<&Wanted>,
) -> Markup {
    let id = choice.vessel.id;
    let action = format!("/vessel/{id}/blend");
    let sheet = Sheet::new(visitor, BLEND_FORM, draft);
    let body = html! {
        section.narrow {
            h1 { "Blend" small { (choice.vessel.facts.name) } }
            p.jump { a href={ "/vessel/" (id) } { "Back to the vessel" } }
            @if let Some(why) = why_no_forms(visitor) { (why) }
            @if choice.meads.len() < 2 { p { "It takes a mead in another vessel to blend with." } }
            @if let Some(sheet) = &sheet {
                @if let Some(wanted) = wanted {
                    section aria-labelledby="becomes" {
                        h2 #becomes { "What it becomes" }
                        p.sentence { (in_words(visitor, &choice.made_of(&wanted.parts))) }
                        p.aside { "By mass, from the record of each. Volumes do not quite add." }
                        (sheet.form(&action, "Pour them together", html! {
                            @for (name, value) in draft.iter().flat_map(|d| d.fields.pairs()) {
                                (sheet.hidden(name, value))
                            }
                        }))
                    }
                }
                (sheet.asking(&action, "Show what it becomes", fields(sheet, visitor, choice)))
            }
        }
    };
    shell(visitor, Here::Vessel, "Blend", "", body)
}

fn fields(sheet: &Sheet, visitor: &Visitor, choice: &Choice) -> Markup {
    let mut vessels: Vec<(String, String)> = choice
        .empty
        .iter()
        .map(|v| (v.id.to_string(), v.facts.name.clone()))
        .collect();
    vessels.extend(choice.meads.iter().map(|m| {
        let words = format!("{}, when all of it goes in", m.vessel.facts.name);
        (m.vessel.id.to_string(), words)
    }));
    let first = vessels.first().map_or_else(String::new, |(k, _)| k.clone());
    let name = choice.meads.first().map_or("", |m| &m.batch.facts.name);
    html! {
        @for mead in &choice.meads {
            fieldset.rows {
                legend { (mead.batch.facts.name) " in " (mead.vessel.facts.name) }
                p { (in_words(visitor, &mead.book)) }
                div.fields {
                    (sheet.number(&volume_field(mead), &format!("How much of it, {}", visitor.volume_unit()), "", ""))
                    (sheet.select(&all_field(mead), "Then", &[
                        (String::new(), "the rest stays".to_owned()),
                        ("yes".to_owned(), "nothing is left of it".to_owned()),
                    ], ""))
                }
            }
        }
        div.fields {
            (sheet.select("into", "Into", &vessels, &first))
            (sheet.text("name", "Name of the mead", name, ""))
            (sheet.when("at", "When", "", "Left empty: now."))
        }
    }
}
