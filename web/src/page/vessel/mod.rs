//! One vessel: how its mead does, what may be done, and what was.

mod chart;
mod evidence;
mod family;
mod forms;
mod gates;
mod jar;
mod log;
pub(crate) mod planned;
mod reckonings;
mod table;

use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ebbmark_core::deed::What;
use ebbmark_core::ids::{EntryId, VesselId};
use ebbmark_core::tasks::Task;
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::model::{Batch, Family, Feed, LogLine, Relative, Stay, StoredVerdict, Vessel};
use ebbmark_store::{Reader, StoreError};
use maud::{Markup, html};
use serde::Deserialize;

use super::cellar::{last_reading, measure};
use super::tasks::{Place, item};
use super::{Here, done, shell, why_no_forms};
use crate::app::App;
use crate::curve::{Course, Curve, Look};
use crate::fault::Fault;
use crate::form::Draft;
use crate::visitor::{Looking, Visitor};

pub(crate) use forms::{
    ALONG, BATCH_FORM, DEED_FORM, END_FORM, FACTS_FORM, HAND_FORM, MOVE_FORM, SPLIT_FORM, STAYS,
};
pub(in crate::page) use forms::{deed_fields, hand_fields, in_words};

#[derive(Default, Deserialize)]
pub(crate) struct Asked {
    #[serde(flatten)]
    look: Look,
    done: Option<String>,
    /// A line of the log just written, to be read back.
    noted: Option<i64>,
}

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
    Path(id): Path<i64>,
    Query(asked): Query<Asked>,
) -> Result<Response, Fault> {
    Ok(page(&app, &visitor, VesselId(id), &asked, None)
        .await?
        .into_response())
}

/// The page again, with a form that was refused.
pub(crate) async fn again(
    app: &App,
    visitor: &Visitor,
    id: VesselId,
    draft: Draft,
) -> Result<Response, Fault> {
    let markup = page(app, visitor, id, &Asked::default(), Some(draft)).await?;
    Ok((StatusCode::UNPROCESSABLE_ENTITY, markup).into_response())
}

/// Everything the page shows, asked of the store in one go.
struct Story {
    vessel: Vessel,
    /// Newest first.
    batches: Vec<Batch>,
    verdict: Option<StoredVerdict>,
    feeds: Vec<Feed>,
    /// In order of time, replaced lines included.
    log: Vec<LogLine>,
    /// The mead in it was elsewhere before, or was split off from another.
    past: Option<Past>,
    /// The mead in it, what it came from and what came from it.
    family: Option<Family>,
    /// Of an empty vessel: the meads in others, each with its vessel's name.
    elsewhere: Vec<(Batch, String)>,
    /// What is to be done with the mead in it.
    tasks: Vec<Task>,
    /// Of an empty vessel: the mead that was in it last, and when it left.
    left: Option<(String, Moment)>,
    /// Vessels a mead could be poured into.
    empty: Vec<Vessel>,
    /// How the verdict on the mead in it changed: since when, and its sentence then.
    phases: Vec<(Moment, String)>,
    curve: Curve,
}

/// What a mead has from before it came into the vessel.
struct Past {
    since: Moment,
    /// Of the mead it was split off from, if it was.
    pitched: Moment,
    origin: Option<SplitOff>,
    /// Standing ones in order of time.
    lines: Vec<LogLine>,
}

struct SplitOff {
    vessel: Vessel,
    mead: String,
    at: Moment,
}

impl Past {
    fn load(reader: &Reader, batch: &Batch, stays: &[Stay]) -> Result<Option<Past>, StoreError> {
        let Some((last, before)) = stays.split_last() else {
            return Ok(None);
        };
        let Some(first) = before.first() else {
            return Ok(None);
        };
        let mut lines = Vec::new();
        for stay in before {
            lines.extend(reader.log(stay.vessel, stay.from, stay.to)?);
        }
        lines.retain(|line| line.replaced_by.is_none());
        Ok(Some(Past {
            since: last.from,
            pitched: first.from,
            origin: SplitOff::load(reader, batch, before)?,
            lines,
        }))
    }
}

impl SplitOff {
    fn load(
        reader: &Reader,
        batch: &Batch,
        before: &[Stay],
    ) -> Result<Option<SplitOff>, StoreError> {
        let others = before.iter().rev().find(|stay| stay.batch != batch.id);
        let (Some(stay), Some(origin)) = (others, batch.facts.origin) else {
            return Ok(None);
        };
        let parent = reader.batch(origin.parent)?;
        let (Some(parent), Some(vessel)) = (parent, reader.vessel(stay.vessel)?) else {
            return Ok(None);
        };
        Ok(Some(SplitOff {
            vessel,
            mead: parent.facts.name,
            at: origin.at,
        }))
    }
}

impl Story {
    fn load(
        reader: &Reader,
        id: VesselId,
        by: &Visitor,
        look: Look,
    ) -> Result<Option<Story>, StoreError> {
        let now = by.now;
        let Some(vessel) = reader.vessel(id)? else {
            return Ok(None);
        };
        let batches = reader.batches(id)?;
        // Of an empty vessel the last mead is shown.
        let shown = vessel.batch.as_ref().or(batches.first());
        let course = Course::load(reader, id, shown, now)?;
        let stays = &course.stays;
        let past = match shown {
            Some(batch) => Past::load(reader, batch, stays)?,
            None => None,
        };
        let start = stays.first().map_or(now, |s| s.from);
        let left = match (&vessel.batch, shown, stays.last()) {
            (None, Some(batch), Some(stay)) => Some((batch.facts.name.clone(), stay.to)),
            _ => None,
        };
        let family = match &vessel.batch {
            Some(batch) => Some(reader.family(batch.id, now)?),
            None => None,
        };
        let verdict = reader
            .verdict(id)?
            .filter(|v| vessel.batch.as_ref().is_some_and(|b| b.id == v.batch));
        let log = reader.log(id, start.min(now - Span::days(3650)), now + Span::days(1))?;
        let feeds = reader
            .feeds()?
            .into_iter()
            .filter(|f| f.vessel == Some(id) && !f.retired);
        let phases = match &vessel.batch {
            Some(batch) => reader.phases(batch.id)?,
            None => Vec::new(),
        };
        let tasks = match &vessel.batch {
            Some(batch) => reader.tasks_of(batch, now, &by.style())?,
            None => Vec::new(),
        };
        Ok(Some(Story {
            tasks,
            phases: phases
                .into_iter()
                .map(|(since, _, sentence)| (since, sentence))
                .collect(),
            curve: Curve::load(reader, vessel.clone(), &course, look, now)?,
            elsewhere: elsewhere(reader, &vessel)?,
            // Asked by the forms of a mead alone.
            empty: match &vessel.batch {
                Some(_) => empty(reader)?,
                None => Vec::new(),
            },
            left,
            family,
            past,
            feeds: feeds.collect(),
            vessel,
            batches,
            verdict,
            log,
        }))
    }

    fn last_reading(&self) -> Option<Moment> {
        last_reading(self.verdict.as_ref().map(|s| &s.verdict), self.feeds.iter())
    }

    fn standing_lines(&self) -> impl Iterator<Item = &LogLine> {
        self.log.iter().filter(|line| line.replaced_by.is_none())
    }

    /// What is drawn beside the curve: of a mead that was elsewhere before its own lines,
    /// inherited ones first, and none of what was in the vessel before.
    fn mead_lines(&self) -> impl Iterator<Item = &LogLine> {
        let since = self.past.as_ref().map(|p| p.since);
        self.past.iter().flat_map(|p| &p.lines).chain(
            self.standing_lines()
                .filter(move |line| since.is_none_or(|s| line.deed.at >= s)),
        )
    }

    /// The mead in it in its family.
    fn own(&self) -> Option<&Relative> {
        let family = self.family.as_ref()?;
        family.of(self.vessel.batch.as_ref()?.id)
    }

    /// Poured together from several.
    fn is_blend(&self) -> bool {
        let Some((family, own)) = self.family.as_ref().zip(self.own()) else {
            return false;
        };
        let began = own.batch.facts.started;
        let parts = family.shares.iter();
        let parts = parts.filter(|s| s.child == own.batch.id && s.at == began);
        parts.count() > 1
    }

    /// Deeds of the mead that is in it now.
    fn deeds(&self) -> Vec<(Moment, What)> {
        let Some(batch) = &self.vessel.batch else {
            return Vec::new();
        };
        let pitched = self
            .past
            .as_ref()
            .map_or(batch.facts.started, |p| p.pitched);
        self.mead_lines()
            .filter(|line| line.deed.at >= pitched)
            .map(|line| (line.deed.at, line.deed.what))
            .collect()
    }
}

fn elsewhere(reader: &Reader, vessel: &Vessel) -> Result<Vec<(Batch, String)>, StoreError> {
    if vessel.batch.is_some() {
        return Ok(Vec::new());
    }
    let vessels = reader.vessels()?.into_iter();
    Ok(vessels
        .filter_map(|v| Some((v.batch?, v.facts.name)))
        .collect())
}

/// Vessels in use with nothing in them.
pub(crate) fn empty(reader: &Reader) -> Result<Vec<Vessel>, StoreError> {
    let vessels = reader.vessels()?.into_iter();
    Ok(vessels
        .filter(|v| v.batch.is_none() && !v.retired)
        .collect())
}

async fn page(
    app: &App,
    visitor: &Visitor,
    id: VesselId,
    asked: &Asked,
    draft: Option<Draft>,
) -> Result<Markup, Fault> {
    let (by, look) = (visitor.clone(), asked.look.clone());
    let story = app
        .read(move |reader| Story::load(reader, id, &by, look))
        .await?
        .ok_or_else(|| Fault::missing("vessel"))?;
    // Drawing and writing a long page is work for a blocking thread too.
    let (visitor, asked_done, noted) = (visitor.clone(), asked.done.clone(), asked.noted);
    tokio::task::spawn_blocking(move || {
        render(
            &visitor,
            &story,
            asked_done.as_deref(),
            noted.map(EntryId),
            draft.as_ref(),
        )
    })
    .await
    .map_err(|e| Fault::broken(format!("a vessel's page was not finished: {e}")))?
}

fn render(
    visitor: &Visitor,
    story: &Story,
    done_key: Option<&str>,
    noted: Option<EntryId>,
    draft: Option<&Draft>,
) -> Result<Markup, Fault> {
    let vessel = &story.vessel;
    let noted_line = noted.and_then(|id| story.log.iter().find(|line| line.id == id));
    let body = html! {
        (done(done_key))
        @if let Some(line) = noted_line {
            p.done role="status" { "Noted: " (log::in_words(visitor, line)) }
        }
        div.leaf {
            div.story {
                header.head {
                    h1 { (vessel.facts.name) @if let Some(b) = &vessel.batch { small { (b.facts.name) } } }
                    p.sentence { (sentence(story)) }
                    (measure(visitor, story.verdict.as_ref().map(|s| &s.verdict), story.last_reading()))
                    @if let Some((mead, at)) = &story.left { p.aside { (cleaned(visitor, story, mead, *at)) } }
                    @if vessel.retired { p.aside { "This vessel is off the cellar view." } }
                    p.jump { a href="#write" { "Write in the book" } }
                }
                section aria-labelledby="drawing" {
                    (chart::show(visitor, story)?)
                }
                (evidence::why(visitor, story))
                (to_do(visitor, story))
                section aria-labelledby="gates" { (gates::show(visitor, story)) (jar::how_to(visitor, story)) }
                (family::show(visitor, story))
                (reckonings::show(story))
                section aria-labelledby="write" {
                    h2 #write { "Write in the book" }
                    @if let Some(why) = why_no_forms(visitor) { (why) }
                    (forms::show(visitor, story, draft))
                }
            }
            div.beside {
                section aria-labelledby="mead" { (evidence::mead_and_feeds(visitor, story)) }
                section aria-labelledby="log" { (log::show(visitor, story)) }
            }
        }
    };
    // A refused form is kept until it is sent again: the address it came from is no page.
    let follows = if draft.is_some() {
        String::new()
    } else {
        format!("vessel-{}", vessel.id)
    };
    Ok(shell(
        visitor,
        Here::Vessel,
        &vessel.facts.name,
        &follows,
        body,
    ))
}

fn to_do(visitor: &Visitor, story: &Story) -> Markup {
    let Some(batch) = story
        .vessel
        .batch
        .as_ref()
        .filter(|_| !story.tasks.is_empty())
    else {
        return html! {};
    };
    html! {
        section aria-labelledby="to-do" {
            h2 #to-do { "To do" }
            ul.tasks {
                @for task in &story.tasks {
                    (item(visitor, Place::Vessel, story.vessel.id, batch.id, task, None))
                }
            }
        }
    }
}

/// Of an empty vessel: whether it is ready for the next mead.
fn cleaned(visitor: &Visitor, story: &Story, mead: &str, left: Moment) -> String {
    let since = story.standing_lines().filter(|l| l.deed.at >= left);
    let clean = since.filter(|l| l.deed.what == What::Clean).last();
    match clean {
        Some(line) => format!("Cleaned {}.", visitor.day_and_time(line.deed.at)),
        None => format!(
            "Not cleaned since \"{mead}\" left it, {}, as far as its book says.",
            visitor.day_and_time(left)
        ),
    }
}

fn sentence(story: &Story) -> &str {
    match (&story.verdict, &story.vessel.batch) {
        (Some(stored), _) => &stored.sentence,
        (None, Some(_)) => "Nothing judged yet: there are too few readings.",
        (None, None) => "Nothing is in it.",
    }
}
