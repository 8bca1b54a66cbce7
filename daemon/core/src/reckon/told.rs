//! An answer in words and plain values: what the page shows, `--json` prints and the HTTP API
//! sends. One shape for all three.
//!
//! `value`, `low`, `high` are in `unit`, which never changes for a key; `text` follows the maker's
//! preferences and may. A key is never renamed; further ones may come.

use serde::{Deserialize, Serialize};

use super::answer::{Amount, Answer, Formula, Step};
use super::given::{Cell, Cells, Given, Source};
use super::{Asker, Reckoning};
use crate::deed::{Deed, Dose};
use crate::show;

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Told {
    pub reckoning: String,
    pub title: String,
    pub sentence: String,
    pub inputs: Vec<ToldInput>,
    pub results: Vec<ToldResult>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub tables: Vec<ToldTable>,
    pub formulas: Vec<ToldFormula>,
    pub how_sure: String,
    pub cautions: Vec<String>,
    /// Why a shut gate was passed over; empty when none was.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub despite: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub step: Option<ToldStep>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct ToldInput {
    /// Under which path it may be sent: "ph", "parts.1.volume".
    pub path: String,
    pub label: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<f64>,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub unit: String,
    pub text: String,
    /// "typed", "usual", or where on record it stands.
    pub from: String,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct ToldResult {
    pub key: String,
    pub label: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub high: Option<f64>,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub unit: String,
    pub text: String,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub range: String,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub note: String,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct ToldTable {
    pub key: String,
    pub title: String,
    pub columns: Vec<ToldColumn>,
    pub rows: Vec<Vec<ToldCell>>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct ToldColumn {
    pub key: String,
    pub label: String,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct ToldCell {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<f64>,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub unit: String,
    pub text: String,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct ToldFormula {
    pub name: String,
    pub source: String,
}

/// What "do it" writes, and what has to be waited for then.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct ToldStep {
    pub deed: Deed,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wait: Option<ToldWait>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct ToldWait {
    /// RFC 3339.
    pub until: String,
    /// "sweetening".
    pub before: String,
    pub text: String,
}

pub(super) fn tell(
    reckoning: &Reckoning,
    given: &Given,
    answer: Answer,
    despite: String,
    asker: &Asker,
) -> Told {
    let mut inputs = Vec::new();
    tell_inputs(&given.cells, "", asker, &mut inputs);
    Told {
        reckoning: reckoning.key.to_owned(),
        title: reckoning.title.to_owned(),
        sentence: answer.sentence,
        inputs,
        results: answer
            .results
            .into_iter()
            .map(|outcome| {
                let cell = tell_amount(&outcome.amount, asker);
                let shown = |v: f64| match &outcome.amount {
                    Amount::Number(_, measure) => measure.show(v, asker.style.units),
                    _ => String::new(),
                };
                ToldResult {
                    key: outcome.key.to_owned(),
                    label: outcome.label,
                    range: outcome.range.map_or_else(String::new, |(low, high)| {
                        format!("{} to {}", shown(low), shown(high))
                    }),
                    value: cell.value,
                    low: outcome.range.and_then(|(low, _)| sayable(low)),
                    high: outcome.range.and_then(|(_, high)| sayable(high)),
                    unit: cell.unit,
                    text: cell.text,
                    note: outcome.note,
                }
            })
            .collect(),
        tables: answer
            .tables
            .into_iter()
            .map(|table| ToldTable {
                key: table.key.to_owned(),
                title: table.title,
                columns: table
                    .columns
                    .into_iter()
                    .map(|c| ToldColumn {
                        key: c.key.to_owned(),
                        label: c.label,
                    })
                    .collect(),
                rows: table
                    .rows
                    .iter()
                    .map(|row| row.iter().map(|a| tell_amount(a, asker)).collect())
                    .collect(),
            })
            .collect(),
        formulas: answer
            .formulas
            .into_iter()
            .map(|Formula { name, source }| ToldFormula {
                name: name.to_owned(),
                source: source.to_owned(),
            })
            .collect(),
        how_sure: answer.how_sure,
        cautions: answer.cautions.into_iter().map(str::to_owned).collect(),
        step: answer.step.map(|step| tell_step(step, &despite, asker)),
        despite,
    }
}

fn tell_inputs(cells: &Cells, prefix: &str, asker: &Asker, out: &mut Vec<ToldInput>) {
    for (field, cell, source) in cells {
        let amount = match cell {
            Cell::Number(v) => match &field.kind {
                super::Kind::Number(measure) => Amount::Number(*v, measure),
                _ => continue,
            },
            Cell::Choice(choice) => Amount::Words(choice.label.to_owned()),
            Cell::Words(words) => Amount::Words(words.clone()),
            Cell::When(at) => Amount::When(*at),
            Cell::Rows(rows) => {
                for (n, cells) in rows {
                    tell_inputs(cells, &format!("{prefix}{}.{n}.", field.key), asker, out);
                }
                continue;
            }
        };
        let told = tell_amount(&amount, asker);
        out.push(ToldInput {
            path: format!("{prefix}{}", field.key),
            label: field.label.to_owned(),
            value: told.value,
            unit: told.unit,
            text: told.text,
            from: match source {
                Source::Typed => "typed".to_owned(),
                Source::Usual => "usual".to_owned(),
                Source::Record(from) => from.clone(),
            },
        });
    }
}

/// A program is never handed what JSON cannot say.
fn sayable(v: f64) -> Option<f64> {
    v.is_finite().then_some(v)
}

fn tell_amount(amount: &Amount, asker: &Asker) -> ToldCell {
    match amount {
        Amount::Number(v, measure) => ToldCell {
            value: sayable(*v),
            unit: measure.unit.to_owned(),
            text: measure.show(*v, asker.style.units),
        },
        Amount::Words(words) => ToldCell {
            value: None,
            unit: String::new(),
            text: words.clone(),
        },
        Amount::When(at) => ToldCell {
            value: None,
            unit: String::new(),
            text: show::day_and_time(*at, asker.now, &asker.style),
        },
    }
}

fn tell_step(step: Step, despite: &str, asker: &Asker) -> ToldStep {
    let Step {
        what,
        doses,
        note,
        volume,
        gravity,
        wait,
    } = step;
    ToldStep {
        deed: Deed {
            gravity,
            note,
            volume,
            doses: doses
                .into_iter()
                .filter(|d: &Dose| d.mass.get() > 0.0)
                .collect(),
            despite: despite.to_owned(),
            ..Deed::new(asker.now, what)
        },
        wait: wait.map(|(span, before)| {
            let until = asker.now + span;
            ToldWait {
                until: until.to_rfc3339(),
                before: before.to_owned(),
                text: show::day_and_time(until, asker.now, &asker.style),
            }
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Asked, Known, Reckoning, reckon, result};
    use crate::reckon::Asker;
    use crate::text::Style;
    use crate::time::Moment;
    use crate::units::{Litres, Preferences};
    use jiff::tz::TimeZone;

    /// What JSON cannot say is left out of a range as it is of a value.
    #[test]
    fn a_range_without_an_end_has_no_number_there() {
        static ENDLESS: Reckoning = Reckoning {
            key: "endless",
            title: "Endless",
            says: "",
            gate: None,
            fields: &[],
            run: |_| {
                Ok(super::Answer::new("Done.").result(
                    result("volume", "Volume", Litres::computed(1.0))
                        .between(Litres::computed(0.5), Litres::computed(f64::INFINITY)),
                ))
            },
        };
        let asker = Asker {
            now: Moment(0),
            style: Style {
                units: Preferences::USUAL,
                zone: &TimeZone::UTC,
            },
        };
        let told = reckon(&ENDLESS, &Asked::default(), "", &Known::default(), &asker).unwrap();
        assert_eq!(
            (told.results[0].low, told.results[0].high),
            (Some(0.5), None)
        );
    }
}
