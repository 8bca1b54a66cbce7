//! What comes out of a reckoning.

use crate::deed::{Dose, What};
use crate::measure::Measure;
use crate::time::{Moment, Span};
use crate::units::{Gravity, Litres, Quantity};

/// An answer as a reckoning gives it. [`super::Told`] is the same, put into words.
#[derive(Debug, Default)]
pub struct Answer {
    /// The answer itself, one or two plain sentences.
    pub sentence: String,
    pub results: Vec<Outcome>,
    pub tables: Vec<Table>,
    pub formulas: Vec<Formula>,
    /// How sure it is and what that rests on, in plain words.
    pub how_sure: String,
    /// What may hurt somebody, and what law may ask.
    pub cautions: Vec<&'static str>,
    /// What "do it" would write into the vessel's log.
    pub step: Option<Step>,
}

#[derive(Debug)]
pub struct Outcome {
    pub key: &'static str,
    pub label: String,
    pub amount: Amount,
    /// The plain values it lies between, where that can be said.
    pub range: Option<(f64, f64)>,
    /// May be empty.
    pub note: String,
}

#[derive(Clone, Debug)]
pub enum Amount {
    /// A plain value with its measure.
    Number(f64, &'static Measure),
    Words(String),
    When(Moment),
}

#[derive(Debug)]
pub struct Table {
    pub key: &'static str,
    pub title: String,
    pub columns: Vec<Column>,
    /// Each as long as `columns`.
    pub rows: Vec<Vec<Amount>>,
}

#[derive(Debug)]
pub struct Column {
    pub key: &'static str,
    pub label: String,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Formula {
    pub name: &'static str,
    pub source: &'static str,
}

/// A step that follows from the answer.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    pub what: What,
    pub doses: Vec<Dose>,
    /// For the log: "4.1 g potassium metabisulphite for 40 mg/L free".
    pub note: String,
    /// In the vessel after it, where that changes.
    pub volume: Option<Litres>,
    pub gravity: Option<Gravity>,
    /// How long to wait after it, and for what: "sweetening".
    pub wait: Option<(Span, &'static str)>,
}

impl Step {
    /// Nothing but what is done, in words.
    pub fn new(what: What, note: impl Into<String>) -> Step {
        Step {
            what,
            doses: Vec::new(),
            note: note.into(),
            volume: None,
            gravity: None,
            wait: None,
        }
    }
}

impl Answer {
    pub fn new(sentence: impl Into<String>) -> Answer {
        Answer {
            sentence: sentence.into(),
            ..Answer::default()
        }
    }

    pub fn result(mut self, outcome: Outcome) -> Answer {
        self.results.push(outcome);
        self
    }

    pub fn table(mut self, table: Table) -> Answer {
        self.tables.push(table);
        self
    }

    pub fn formula(mut self, formula: Formula) -> Answer {
        self.formulas.push(formula);
        self
    }

    pub fn how_sure(mut self, words: impl Into<String>) -> Answer {
        self.how_sure = words.into();
        self
    }

    pub fn caution(mut self, words: &'static str) -> Answer {
        self.cautions.push(words);
        self
    }

    pub fn step(mut self, step: Step) -> Answer {
        self.step = Some(step);
        self
    }
}

impl Amount {
    pub fn of<Q: Quantity>(value: Q) -> Amount {
        Amount::Number(value.get(), Q::MEASURE)
    }
}

/// A quantity that came out.
pub fn result<Q: Quantity>(key: &'static str, label: impl Into<String>, value: Q) -> Outcome {
    Outcome {
        key,
        label: label.into(),
        amount: Amount::of(value),
        range: None,
        note: String::new(),
    }
}

impl Outcome {
    /// Words that came out.
    pub fn words(key: &'static str, label: impl Into<String>, words: impl Into<String>) -> Outcome {
        Outcome {
            key,
            label: label.into(),
            amount: Amount::Words(words.into()),
            range: None,
            note: String::new(),
        }
    }

    pub fn when(key: &'static str, label: impl Into<String>, at: Moment) -> Outcome {
        Outcome {
            key,
            label: label.into(),
            amount: Amount::When(at),
            range: None,
            note: String::new(),
        }
    }

    /// In the unit of the value.
    pub fn between<Q: Quantity>(mut self, low: Q, high: Q) -> Outcome {
        self.range = Some((low.get(), high.get()));
        self
    }

    pub fn note(mut self, note: impl Into<String>) -> Outcome {
        self.note = note.into();
        self
    }

    /// After what is noted already.
    pub fn and_note(mut self, more: impl AsRef<str>) -> Outcome {
        if !self.note.is_empty() {
            self.note.push(' ');
        }
        self.note.push_str(more.as_ref());
        self
    }
}

/// A table with its columns as key and label.
pub fn table(
    key: &'static str,
    title: impl Into<String>,
    columns: &[(&'static str, &str)],
) -> Table {
    Table {
        key,
        title: title.into(),
        columns: columns
            .iter()
            .map(|(key, label)| Column {
                key,
                label: (*label).to_owned(),
            })
            .collect(),
        rows: Vec::new(),
    }
}

impl Table {
    pub fn row(mut self, row: Vec<Amount>) -> Table {
        debug_assert_eq!(row.len(), self.columns.len());
        self.rows.push(row);
        self
    }
}
