//! The cellar in five seconds: is everything all right, what is to be done today, what may be done.

use ebbmark_core::text::float_trouble;
use ebbmark_core::verdict::outcome::Phase;
use maud::{Markup, html};

use super::ahead;
use super::row::{Cellar, Row};
use crate::StatusLine;
use crate::visitor::Visitor;

/// More than this many of a kind are counted, not named.
const NAMED: usize = 4;

/// A vessel, and what there is to say of it in few words.
struct Word {
    address: String,
    vessel: String,
    says: String,
}

#[derive(Default)]
pub(super) struct Glance {
    wrong: Vec<Word>,
    today: Vec<Word>,
    may: Vec<Word>,
}

impl Glance {
    pub fn of(visitor: &Visitor, cellar: &Cellar, ways_in: &[StatusLine]) -> Glance {
        let mut glance = Glance::default();
        for row in &cellar.rows {
            let word = |says: String| Word {
                address: format!("/vessel/{}", row.vessel.id),
                vessel: row.vessel.facts.name.clone(),
                says,
            };
            if let Some(says) = wrong(visitor, row) {
                glance.wrong.push(word(says.to_owned()));
            }
            let due: Vec<&str> = row
                .tasks
                .iter()
                .filter(|task| task.is_due(visitor.now))
                .map(|task| task.title.as_str())
                .collect();
            if !due.is_empty() {
                glance.today.push(word(due.join(", ")));
            }
            let open: Vec<&str> = row.verdict.as_ref().map_or_else(Vec::new, |stored| {
                ahead(&stored.verdict.gates, &row.done)
                    .iter()
                    // What is due to be done is said above.
                    .filter(|step| step.gate.open && !row.is_due(step.what, visitor.now))
                    .map(|step| step.verb)
                    .collect()
            });
            if !open.is_empty() {
                glance.may.push(word(open.join(", ")));
            }
        }
        let troubled = ways_in.iter().filter(|line| line.troubled);
        glance.wrong.extend(troubled.map(|line| Word {
            address: "/feeds".to_owned(),
            vessel: line.name.clone(),
            says: "wants a look".to_owned(),
        }));
        glance
    }

    fn in_a_word(&self) -> String {
        match (self.wrong.len(), self.today.is_empty()) {
            (0, true) => "All is well. Nothing to do today.".to_owned(),
            (0, false) => "All is well, and there is something to do.".to_owned(),
            (1, _) => "One wants a look.".to_owned(),
            (n, _) => format!("{n} want a look."),
        }
    }

    pub fn show(&self) -> Markup {
        html! {
            section.glance aria-label="At a glance" {
                p.sentence { (self.in_a_word()) }
                @if !(self.wrong.is_empty() && self.today.is_empty() && self.may.is_empty()) {
                    dl {
                        @for (what, all) in [("Look at", &self.wrong), ("To do", &self.today), ("May be done", &self.may)] {
                            @if !all.is_empty() { div { dt { (what) } dd { (words(all)) } } }
                        }
                    }
                }
            }
        }
    }
}

fn words(all: &[Word]) -> Markup {
    let more = all.len().saturating_sub(NAMED);
    html! {
        @for (n, word) in all.iter().take(NAMED).enumerate() {
            @if n > 0 { "; " }
            a href=(word.address) { (word.vessel) } ": " (word.says)
        }
        @if more > 0 { "; and " (more) " more" }
        "."
    }
}

/// What is wrong with a vessel; `None` when all is well with it.
pub(super) fn wrong(visitor: &Visitor, row: &Row) -> Option<&'static str> {
    let verdict = &row.verdict.as_ref()?.verdict;
    let phase = verdict.phase;
    if matches!(
        phase,
        Phase::Restarted | Phase::Stuck | Phase::Resting | Phase::NoData
    ) {
        return Some(few_words(phase));
    }
    float_trouble(verdict, &visitor.style())?;
    Some("its float wants a look")
}

/// How a mead goes.
pub(super) fn few_words(phase: Phase) -> &'static str {
    match phase {
        Phase::NoData => "no readings",
        Phase::Lag => "not falling yet",
        Phase::Active => "falling",
        Phase::Slowing => "slowing down",
        Phase::Settled => "has stopped falling",
        Phase::Stuck => "stopped too high",
        Phase::Resting => "stopped in the cold",
        Phase::Restarted => "falling again",
    }
}
