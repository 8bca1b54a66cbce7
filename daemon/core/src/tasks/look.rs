//! What the rules look at.

use super::{Answer, Record};
use crate::deed::{Deed, What};
use crate::show;
use crate::text::Style;
use crate::time::Moment;
use crate::units::Gravity;
use crate::verdict::outcome::{Phase, Verdict};

/// The gates speak in clauses; a reason stands alone.
pub(super) fn sentence(clause: &str) -> String {
    let mut chars = clause.chars();
    let first = chars.next().map(char::to_uppercase).into_iter().flatten();
    let mut text: String = first.chain(chars).collect();
    if !text.ends_with('.') {
        text.push('.');
    }
    text
}

pub(super) struct Look<'a> {
    pub record: &'a Record,
    pub now: Moment,
    pub style: &'a Style<'a>,
}

impl<'a> Look<'a> {
    pub fn verdict(&self) -> Option<&'a Verdict> {
        self.record.verdict.as_ref()
    }

    /// The phase the verdict remembers: a silence does not change what the mead is at.
    pub fn phase(&self) -> Option<Phase> {
        let verdict = self.verdict()?;
        Some(verdict.memory.map_or(verdict.phase, |m| m.phase))
    }

    pub fn gravity(&self) -> Option<Gravity> {
        self.verdict()?.gravity
    }

    /// Where it will end, as far as that is known.
    pub fn end(&self) -> Option<Gravity> {
        let judged = self.verdict().and_then(|v| v.expected_end);
        self.record.expected_final.or(judged)
    }

    /// Standing lines up to now.
    pub fn done(&self) -> impl DoubleEndedIterator<Item = &'a Deed> {
        let now = self.now;
        self.record.deeds.iter().filter(move |d| d.at <= now)
    }

    pub fn last(&self, what: &[What]) -> Option<Moment> {
        let of_them = self.done().filter(|d| what.contains(&d.what));
        of_them.map(|d| d.at).max()
    }

    /// Whether one of these was done at that time or later.
    pub fn did(&self, what: &[What], since: Moment) -> bool {
        self.last(what).is_some_and(|at| at >= since)
    }

    /// Since when the steps at the end are still to be taken: new sugar, or another vessel of its
    /// own, brings them all round again.
    pub fn turn(&self) -> Moment {
        let anew = self.last(&[What::Addition, What::Blend]);
        anew.map_or(self.record.began, |at| at.max(self.record.began))
    }

    pub fn sealed(&self) -> bool {
        self.did(&[What::Seal], self.turn())
    }

    pub fn skipped(&self, key: &str) -> bool {
        self.record.answers.get(key) == Some(&Answer::NotThisTime)
    }

    /// The first number from 1 on whose key was not answered with "not this time".
    pub fn turn_of(&self, key: impl Fn(i64) -> String) -> i64 {
        let mut n = 1;
        // Ends: only so many were answered.
        while self.skipped(&key(n)) {
            n += 1;
        }
        n
    }

    pub fn at(&self, at: Moment) -> String {
        show::day_and_time(at, self.now, self.style)
    }

    pub fn day(&self, at: Moment) -> String {
        show::day(at, self.now, self.style)
    }

    pub fn in_words(&self, gravity: Gravity) -> String {
        show::gravity(gravity, self.style.units)
    }
}
