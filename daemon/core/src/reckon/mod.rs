//! The maker's arithmetic: one function behind the page, the command line and the programs.
//!
//! A [`Reckoning`] declares its fields (what is asked, its unit and range, which fact of a vessel
//! fills it) and a function from what was [`Given`] to an [`Answer`]. The physics and chemistry
//! are not here: they are typed functions of other modules (`density`, …); a reckoning asks,
//! calls them, and says what came out, how sure that is, by which formula and with which caution.
//!
//! ```text
//! text by field ─ read (units, ranges, prefill) → Given ─ run → Answer ─ told → page, text, JSON
//! ```
//!
//! Fields travel as text under a path: `ph`, or `parts.1.volume` for the first row of a field that
//! has rows. An empty text is filled from the vessel's record ([`Known`]), then with what is usual;
//! the answer says of each where it came from.
//!
//! To add one: a module with a `pub static` [`Reckoning`], a line in [`ALL`], its published values
//! in `tests/published`, one use in `tests/e2e` and in the worked batch.

mod acid;
mod answer;
mod blend;
mod carbonate;
mod correct;
mod field;
mod fizz;
mod given;
mod gravity;
mod honey;
mod hydrometer;
mod known;
mod must;
mod nutrient;
mod pasteurise;
mod plain;
mod prime;
mod record;
mod refractometer;
mod room_gas;
mod rules;
mod scale;
mod sealed_risk;
mod share_out;
mod shown;
mod stabilise;
mod strength;
mod sulphite;
mod sulphur;
mod sweet;
mod sweeten;
mod told;

pub use answer::{Amount, Answer, Column, Formula, Outcome, Step, Table, result, table};
pub use field::{Choice, Field, Kind, Need};
pub use given::{Asked, Complaint, Complaints, Given, Source};
pub use known::{Fact, Filling, Known, Row};
pub use record::{Fermenting, Inherited, Record, known};
pub use shown::{Shown, shown};
pub use told::{Told, ToldInput, ToldResult, ToldTable};

use crate::text::Style;
use crate::time::Moment;
use crate::verdict::outcome::{Gate, Gates};
use crate::words::{self, LONGEST_NOTE};

/// Beside the fields: why a shut gate is passed over.
pub const DESPITE: &str = "despite";

/// One thing that can be reckoned.
#[derive(Debug)]
pub struct Reckoning {
    /// Its name in addresses, commands and JSON: small letters and hyphens, never changed.
    pub key: &'static str,
    pub title: &'static str,
    /// What it answers, in a sentence.
    pub says: &'static str,
    /// Which gate of the vessel must be open before it is reckoned for that vessel.
    pub gate: Option<Which>,
    pub fields: &'static [Field],
    pub run: fn(&Given) -> Result<Answer, Complaints>,
}

/// One of a vessel's gates.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Which {
    Rack,
    Stabilise,
    Seal,
}

impl Which {
    /// As in JSON: the name of its field there.
    pub fn key(self) -> &'static str {
        match self {
            Which::Rack => "rack",
            Which::Stabilise => "stabilise",
            Which::Seal => "seal",
        }
    }

    pub fn of(self, gates: &Gates) -> &Gate {
        match self {
            Which::Rack => &gates.rack,
            Which::Stabilise => &gates.stabilise,
            Which::Seal => &gates.seal,
        }
    }
}

/// In the order they are needed on a mead's way.
pub static ALL: &[&Reckoning] = &[
    &gravity::GRAVITY,
    &hydrometer::HYDROMETER,
    &refractometer::REFRACTOMETER,
    &honey::HONEY_MOISTURE,
    &must::MUST,
    &correct::CORRECT_MUST,
    &nutrient::NUTRIENT,
    &room_gas::ROOM_GAS,
    &strength::STRENGTH,
    &share_out::SHARE_OUT,
    &blend::BLEND,
    &acid::ACID,
    &stabilise::STABILISE,
    &sulphite::SULPHITE,
    &pasteurise::PASTEURISE,
    &sweeten::BENCH_TRIAL,
    &sweeten::SWEETEN,
    &carbonate::CARBONATE,
    &prime::PRIME,
    &sealed_risk::SEALED_RISK,
];

pub fn find(key: &str) -> Option<&'static Reckoning> {
    ALL.iter().copied().find(|r| r.key == key)
}

/// Who asks, and when: how numbers are read and shown, what "now" is.
#[derive(Clone, Copy, Debug)]
pub struct Asker<'a> {
    pub now: Moment,
    pub style: Style<'a>,
}

/// Why there is no answer.
#[derive(Clone, Debug, PartialEq)]
pub enum Refusal {
    /// Fields that are missing or cannot be.
    Fields(Complaints),
    /// The vessel's gate is shut. Reckoned all the same when the maker says why (`despite`).
    Shut { why: String },
}

impl std::fmt::Display for Refusal {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Refusal::Fields(complaints) => {
                let all: Vec<&str> = complaints.iter().map(|c| c.say.as_str()).collect();
                write!(f, "{}", all.join("; "))
            }
            Refusal::Shut { why } => write!(f, "the gate is shut: {why}"),
        }
    }
}

impl std::error::Error for Refusal {}

/// Reckons from fields as typed. `despite` is why a shut gate is passed over; empty when it is not.
///
/// # Errors
/// Every field that is missing or impossible, or the gate that is shut.
pub fn reckon(
    reckoning: &'static Reckoning,
    fields: &Asked,
    despite: &str,
    known: &Known,
    asker: &Asker,
) -> Result<Told, Refusal> {
    let despite = words::kept(despite.trim(), LONGEST_NOTE).map_err(|why| {
        let path = DESPITE.to_owned();
        let say = format!("Why all the same: {why}");
        Refusal::Fields(Complaint { path, say }.into())
    })?;
    let mut passed = String::new();
    if let (Some(which), Some(gates)) = (reckoning.gate, &known.gates) {
        let gate = which.of(gates);
        if !gate.open {
            let why = gate.why.clone();
            if despite.is_empty() {
                return Err(Refusal::Shut { why });
            }
            passed = format!("{despite} (the gate was shut: {why})");
        }
    }
    let given = Given::read(reckoning.fields, fields, known, asker).map_err(Refusal::Fields)?;
    let answer = (reckoning.run)(&given).map_err(Refusal::Fields)?;
    Ok(told::tell(reckoning, &given, answer, passed, asker))
}

#[cfg(test)]
pub(crate) mod tests {
    use jiff::tz::TimeZone;

    use super::*;
    use crate::units::Preferences;

    /// Reckons from pairs of field and text, as somebody without a vessel would.
    pub(crate) fn ask(key: &str, fields: &[(&str, &str)]) -> Result<Told, Refusal> {
        ask_knowing(key, fields, &Known::default())
    }

    pub(crate) fn ask_knowing(
        key: &str,
        fields: &[(&str, &str)],
        known: &Known,
    ) -> Result<Told, Refusal> {
        let asker = Asker {
            now: Moment::parse_rfc3339("2026-03-01T12:00:00Z").unwrap(),
            style: Style {
                units: Preferences::USUAL,
                zone: &TimeZone::UTC,
            },
        };
        let fields = Asked::new(
            fields
                .iter()
                .map(|(k, v)| ((*k).to_owned(), (*v).to_owned())),
        );
        reckon(
            find(key).expect("a reckoning of that name"),
            &fields,
            "",
            known,
            &asker,
        )
    }

    /// The plain value of a result.
    pub(crate) fn value(told: &Told, key: &str) -> f64 {
        let found = told.results.iter().find(|r| r.key == key);
        found
            .and_then(|r| r.value)
            .unwrap_or_else(|| panic!("no number {key} in {told:?}"))
    }

    /// Options of the command line and of the page that no field may be called.
    const TAKEN: [&str; 8] = [
        "vessel", "despite", "do", "json", "config", "help", "mark", "once",
    ];

    #[test]
    fn keys_are_names_for_addresses_and_commands() {
        let mut keys: Vec<&str> = ALL.iter().map(|r| r.key).collect();
        for reckoning in ALL {
            let all = reckoning.fields.iter().flat_map(|f| match &f.kind {
                Kind::Rows { of, .. } => of.iter().collect(),
                _ => vec![f],
            });
            for key in all.map(|f| f.key).chain([reckoning.key]) {
                assert!(
                    !key.is_empty()
                        && key
                            .chars()
                            .all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-'),
                    "{key}"
                );
            }
            for field in reckoning.fields {
                assert!(
                    !TAKEN.contains(&field.key),
                    "{} {}",
                    reckoning.key,
                    field.key
                );
                // What is usual must itself be readable and in range.
                if let (Need::Usual(text), Kind::Number(measure)) = (&field.need, &field.kind) {
                    measure
                        .read(text, Preferences::USUAL)
                        .unwrap_or_else(|e| panic!("{} {}: {e}", reckoning.key, field.key));
                }
            }
        }
        keys.sort_unstable();
        keys.dedup();
        assert_eq!(keys.len(), ALL.len());
    }

    #[test]
    fn a_shut_gate_refuses_unless_told_why_not() {
        static GATED: Reckoning = Reckoning {
            key: "gated",
            title: "Gated",
            says: "",
            gate: Some(Which::Stabilise),
            fields: &[],
            run: |_| Ok(Answer::new("Done.")),
        };
        let shut = Gate {
            open: false,
            why: "Still falling.".into(),
            opens: None,
            wants_reading: false,
            since: None,
        };
        let mut known = Known::default();
        known.gates = Some(Gates {
            rack: shut.clone(),
            stabilise: shut.clone(),
            seal: shut,
        });
        let asker = Asker {
            now: Moment(0),
            style: Style {
                units: Preferences::USUAL,
                zone: &TimeZone::UTC,
            },
        };
        let none = Asked::default();
        assert_eq!(
            reckon(&GATED, &none, " ", &known, &asker),
            Err(Refusal::Shut {
                why: "Still falling.".into()
            })
        );
        let told = reckon(&GATED, &none, "it is a trial jar", &known, &asker).unwrap();
        assert_eq!(
            told.despite,
            "it is a trial jar (the gate was shut: Still falling.)"
        );
        // Without a vessel there is no gate.
        assert!(reckon(&GATED, &none, "", &Known::default(), &asker).is_ok());
    }
}
