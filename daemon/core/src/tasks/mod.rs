//! What is to be done next, and when. Derived from the plan, the verdict and the log each time it is
//! looked at and kept nowhere else, so that a corrected line changes it and nothing is left behind.
//! Only the maker's word on a task is kept ([`Answer`]), under the task's key.
//!
//! | rule | asks | in |
//! |---|---|---|
//! | nutrient | the next step the plan names, by sugar used or by hours | `yeast` |
//! | rouse | the gas stirred out daily in the first days | `yeast` |
//! | ferment a jar of it out | while it is young and nobody has said where it ends | `jar` |
//! | push down, taste, take out | while fruit or spice is in | `fruit` |
//! | hand reading | a gate asks for one, or the last reading is too old | `reading` |
//! | rack, fine, stabilise, sweeten, look for a restart | as the gates open | `finish` |
//! | keg or bottle, carbonate, taste | as the gates open | `pack` |
//!
//! A key names one occurrence of one task ("push-down:1772366400000:1", after the instant it counts
//! from), so that an answer to it does not silence the next.

mod finish;
mod fruit;
mod jar;
mod look;
mod pack;
mod reading;
mod yeast;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::deed::{Deed, What};
use crate::plan::Plan;
use crate::show;
use crate::text::Style;
use crate::time::Moment;
use crate::units::{AbvPercent, Gravity};
use crate::verdict::outcome::Verdict;
use look::Look;

pub use finish::BEFORE_SWEETENING;

/// All that tasks are derived from.
#[derive(Clone, Debug)]
pub struct Record {
    /// Of the mead it was split off from, if it was.
    pub pitched: Moment,
    /// When it became a mead of its own: the pitch, or the split.
    pub began: Moment,
    pub original: Option<Gravity>,
    pub expected_final: Option<Gravity>,
    pub tolerance: Option<AbvPercent>,
    pub plan: Plan,
    /// Standing lines in time order, inherited ones included.
    pub deeds: Vec<Deed>,
    pub verdict: Option<Verdict>,
    pub answers: BTreeMap<String, Answer>,
}

/// The maker's word on a task.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Answer {
    /// Not before then.
    Later(Moment),
    NotThisTime,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    Nutrient,
    Rouse,
    PushDown,
    TakeOut,
    HandReading,
    /// A jar of it is drawn, to be fermented out.
    TestFerment,
    Rack,
    Fine,
    Stabilise,
    Sweeten,
    /// Whether it began again after it was sweetened.
    Recheck,
    Seal,
    Carbonate,
    Taste,
}

impl Kind {
    pub fn key(self) -> &'static str {
        match self {
            Kind::Nutrient => "nutrient",
            Kind::Rouse => "rouse",
            Kind::PushDown => "push-down",
            Kind::TakeOut => "take-out",
            Kind::HandReading => "hand-reading",
            Kind::TestFerment => "test-ferment",
            Kind::Rack => "rack",
            Kind::Fine => "fine",
            Kind::Stabilise => "stabilise",
            Kind::Sweeten => "sweeten",
            Kind::Recheck => "recheck",
            Kind::Seal => "seal",
            Kind::Carbonate => "carbonate",
            Kind::Taste => "taste",
        }
    }

    /// The line of the log that finishes it.
    pub fn deed(self) -> What {
        match self {
            Kind::Nutrient => What::Nutrient,
            Kind::Rouse => What::Rouse,
            Kind::PushDown => What::PushDown,
            Kind::TakeOut => What::TakeOut,
            Kind::HandReading | Kind::Recheck => What::HandReading,
            Kind::TestFerment => What::TestFerment,
            Kind::Rack => What::Rack,
            Kind::Fine => What::Fine,
            Kind::Stabilise => What::Stabilise,
            Kind::Sweeten => What::Sweeten,
            Kind::Seal => What::Seal,
            Kind::Carbonate => What::Carbonate,
            Kind::Taste => What::Taste,
        }
    }

    /// Whether the bare word "done" makes the line. A reading is nothing without its number, and
    /// what was stabilised or sweetened with is weighed.
    pub fn takes_a_bare_done(self) -> bool {
        !matches!(
            self,
            Kind::HandReading | Kind::TestFerment | Kind::Recheck | Kind::Stabilise | Kind::Sweeten
        )
    }

    /// Key of the reckoning that says how much.
    pub fn reckoning(self) -> Option<&'static str> {
        match self {
            Kind::Nutrient => Some("nutrient"),
            Kind::Stabilise => Some("stabilise"),
            Kind::Sweeten => Some("sweeten"),
            Kind::Carbonate => Some("carbonate"),
            _ => None,
        }
    }

    /// Whether the maker is told when it falls due: where waiting spoils something, or where a wait
    /// is over. That a gate opened is told when the mead settles; the rest is seen on the page.
    pub fn notifies(self) -> bool {
        matches!(
            self,
            Kind::Nutrient | Kind::PushDown | Kind::TakeOut | Kind::Sweeten | Kind::Recheck
        )
    }
}

/// When it is to be done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Due {
    Now,
    At(Moment),
    /// Once that holds, and when that will likely be.
    When {
        condition: String,
        likely: Option<Moment>,
    },
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Task {
    pub kind: Kind,
    /// Never two with the same key for one mead.
    pub key: String,
    /// As it stands in a sentence: "push down the figs".
    pub title: String,
    /// Why, one or two sentences.
    pub reason: String,
    pub due: Due,
    /// The maker said: not before then.
    pub put_off: Option<Moment>,
    /// What the line of the log says beside the deed when it is done.
    pub note: String,
}

impl Task {
    fn new(kind: Kind, key: impl std::fmt::Display, title: impl Into<String>, due: Due) -> Task {
        Task {
            kind,
            key: format!("{}:{key}", kind.key()),
            title: title.into(),
            reason: String::new(),
            due,
            put_off: None,
            note: String::new(),
        }
    }

    fn because(self, reason: impl Into<String>) -> Task {
        let reason = reason.into();
        Task { reason, ..self }
    }

    fn noted(self, note: impl Into<String>) -> Task {
        let note = note.into();
        Task { note, ..self }
    }

    /// What it waits for has come, whatever the maker said.
    pub fn may_be_done(&self, now: Moment) -> bool {
        match self.due {
            Due::Now => true,
            Due::At(at) => now >= at,
            Due::When { .. } => false,
        }
    }

    /// Whether the bare word "done" makes its line: not while its condition does not hold, or a shut
    /// gate would be passed over without a word.
    pub fn takes_a_bare_done(&self) -> bool {
        self.kind.takes_a_bare_done() && !matches!(self.due, Due::When { .. })
    }

    pub fn is_due(&self, now: Moment) -> bool {
        self.put_off.is_none_or(|until| now >= until) && self.may_be_done(now)
    }

    /// When it is or likely will be due. `None`: now already, or that cannot be told.
    pub fn moment(&self) -> Option<Moment> {
        let own = match self.due {
            Due::Now => None,
            Due::At(at) => Some(at),
            Due::When { likely, .. } => likely,
        };
        own.max(self.put_off)
    }

    /// "now", "since Thu 3 Dec 14:05", "today 14:05", "at 1.0833; likely Thu 3 Dec 14:05".
    pub fn when(&self, now: Moment, style: &Style) -> String {
        let at = |at| show::day_and_time(at, now, style);
        match (&self.due, self.put_off.filter(|until| *until > now)) {
            (_, Some(until)) => format!("put off until {}", at(until)),
            (Due::Now, None) => "now".to_owned(),
            (Due::At(due), None) if now >= *due => format!("since {}", at(*due)),
            (Due::At(due), None) => at(*due),
            (
                Due::When {
                    condition,
                    likely: Some(due),
                },
                None,
            ) => {
                format!("{condition}; likely {}", at(*due))
            }
            (
                Due::When {
                    condition,
                    likely: None,
                },
                None,
            ) => condition.clone(),
        }
    }

    /// What is due first; then what will be; then what cannot be told.
    fn order(&self, now: Moment) -> (u8, Moment) {
        match self.moment() {
            _ if self.is_due(now) => (0, self.moment().unwrap_or(now)),
            Some(at) => (1, at),
            None => (2, now),
        }
    }
}

type Rule = fn(&Look) -> Vec<Task>;

const RULES: [Rule; 14] = [
    yeast::nutrient,
    yeast::rouse,
    jar::test_ferment,
    fruit::push_down,
    fruit::taste,
    fruit::take_out,
    reading::hand_reading,
    finish::rack,
    finish::fine,
    finish::stabilise,
    finish::sweeten,
    finish::recheck,
    pack::seal_and_carbonate,
    pack::taste,
];

/// What is to be done with a mead, in the order it falls due.
pub fn tasks(record: &Record, now: Moment, style: &Style) -> Vec<Task> {
    let look = Look { record, now, style };
    let mut tasks: Vec<Task> = RULES.iter().flat_map(|rule| rule(&look)).collect();
    tasks.retain_mut(|task| match record.answers.get(&task.key) {
        Some(Answer::NotThisTime) => false,
        Some(Answer::Later(until)) => {
            task.put_off = Some(*until).filter(|until| *until > now);
            true
        }
        None => true,
    });
    tasks.sort_by_key(|task| task.order(now));
    tasks
}

#[cfg(test)]
mod testing;

#[cfg(test)]
mod tests {
    use super::testing::*;
    use super::*;
    use crate::time::Span;

    #[test]
    fn a_bare_mead_with_nothing_known_asks_for_nothing_at_once() {
        assert_eq!(of(&record(), T0), []);
    }

    #[test]
    fn later_puts_off_and_not_this_time_is_silent() {
        let mut record = record();
        record.deeds.push(stabilised(T0));
        let due = T0 + BEFORE_SWEETENING;
        let task = only(&record, due, Kind::Sweeten);
        assert!(task.is_due(due));
        let until = due + Span::hours(5);
        record
            .answers
            .insert(task.key.clone(), Answer::Later(until));
        let later = only(&record, due, Kind::Sweeten);
        assert!(!later.is_due(due));
        assert_eq!(later.moment(), Some(until));
        assert!(later.when(due, &style()).starts_with("put off until"));
        assert!(only(&record, until, Kind::Sweeten).is_due(until));
        record.answers.insert(task.key, Answer::NotThisTime);
        assert_eq!(kinds(&record, until), []);
    }

    #[test]
    fn what_is_due_comes_first_and_keys_differ() {
        let mut record = fermenting(1.090, 0.010);
        record.plan.rouse = true;
        record.plan.nutrient = Some(crate::plan::Nutrient {
            steps: 3,
            by: crate::plan::By::Sugar,
        });
        record.deeds.push(Deed::new(T0, What::Nutrient));
        let now = T0 + Span::hours(30);
        let tasks = of(&record, now);
        let due: Vec<bool> = tasks.iter().map(|t| t.is_due(now)).collect();
        let mut sorted = due.clone();
        sorted.sort_by_key(|due| !due);
        assert_eq!(due, sorted);
        assert!(tasks.len() >= 2, "{tasks:?}");
        let mut keys: Vec<&String> = tasks.iter().map(|t| &t.key).collect();
        keys.dedup();
        assert_eq!(keys.len(), tasks.len());
    }
}
