//! A hand reading that comes as a message, on the topic `cellar/<vessel>/hand`.
//!
//! Either a bare number, the gravity as read (SG), or a SenML pack with a record named `gravity`
//! (or `extract`) and if wanted `temperature`, the sample's, `reference`, the temperature the
//! hydrometer is marked for (both `Cel` or `K`; 20 °C when left out), and `ph`.

use super::{decode, decode_copy, number, parse_json, senml, text};
use crate::deed::{Deed, HandFacts, What};
use crate::density::correct_hand_reading;
use crate::feed::{FeedMap, Format, Pick, Quantity};
use crate::reading::{Problem, ProblemKind, TimeFrom};
use crate::time::Moment;
use crate::units::{Celsius, Gravity, OutOfRange, Ph};

/// A hydrometer without a mark is taken to be made for this, as is a sample of unsaid warmth.
pub const USUAL: Celsius = Celsius::computed(20.0);

#[derive(Clone, Debug, PartialEq)]
pub struct HandReading {
    pub at: Moment,
    pub time_from: TimeFrom,
    /// As read off the stem.
    pub read: Gravity,
    pub sample: Celsius,
    pub reference: Celsius,
    pub ph: Option<Ph>,
    pub note: String,
}

impl HandReading {
    pub fn facts(&self) -> HandFacts {
        HandFacts {
            read: self.read,
            sample: self.sample,
            reference: self.reference,
        }
    }

    /// The line of the log: gravity put right to 20 °C for the sample's and the stem's temperature,
    /// as far into the fall from `original` as it then is.
    ///
    /// # Errors
    /// Put right it is no gravity of a must or mead.
    pub fn deed(&self, original: Option<Gravity>) -> Result<Deed, OutOfRange> {
        let corrected = correct_hand_reading(self.read, self.sample, self.reference, original)?;
        Ok(Deed {
            gravity: Some(corrected),
            temperature: Some(self.sample),
            ph: self.ph,
            note: self.note.clone(),
            ..Deed::new(self.at, What::HandReading)
        })
    }
}

/// The vessel a topic speaks of, as it stands in the topic.
pub fn vessel_of(topic: &str) -> Option<&str> {
    let name = topic.strip_prefix("cellar/")?.strip_suffix("/hand")?;
    (!name.is_empty() && !name.contains('/')).then_some(name)
}

/// Reads such a message; `retained` as in [`decode_copy`]. `None`: it can only be read once
/// `received` is known.
///
/// # Errors
/// What is wrong with it; a hand reading is taken whole or not at all.
pub fn read(
    payload: &[u8],
    received: Option<Moment>,
    retained: bool,
) -> Result<Option<HandReading>, Problem> {
    let words = text(payload)?;
    let format = if number::parse(words).is_some() {
        Format::Number {
            quantity: Quantity::GravitySg,
        }
    } else {
        Format::Senml { picks: Vec::new() }
    };
    let map = FeedMap {
        format,
        tilt_polynomial: Vec::new(),
    };
    let got = decode_copy(&map, payload, received, retained);
    if let Some(problem) = got.problems.into_iter().next() {
        return Err(problem);
    }
    let reading = match got.readings.as_slice() {
        [one] => one,
        [] if got.needs_time => return Ok(None),
        _ => {
            let detail = "a hand reading has one gravity at one time";
            return Err(Problem::new(ProblemKind::Conflict, detail));
        }
    };
    let Some(gravity) = reading.gravity else {
        return Err(Problem::new(
            ProblemKind::Missing,
            "no gravity in this hand reading",
        ));
    };
    Ok(Some(HandReading {
        at: reading.at,
        time_from: reading.time_from,
        read: gravity,
        sample: reading.temperature.unwrap_or(USUAL),
        reference: reference(words)?.unwrap_or(USUAL),
        ph: ph(words)?,
        note: String::new(),
    }))
}

/// The record of that name, when there is one.
fn named(words: &str, name: &str) -> Result<Option<senml::Record>, Problem> {
    if number::parse(words).is_some() {
        return Ok(None);
    }
    let (records, _) = senml::resolve(&parse_json(words)?);
    let mut records = records.into_iter();
    Ok(records.find(|r| senml::last_part(&r.name) == name))
}

/// The record named `ph`, in SenML's unit `pH` or none.
fn ph(words: &str) -> Result<Option<Ph>, Problem> {
    let Some(record) = named(words, "ph")? else {
        return Ok(None);
    };
    if let Some(unit) = record.unit.filter(|unit| unit != "pH") {
        let detail = format!("{}: unit {unit} cannot be read for it", record.name);
        return Err(Problem::new(ProblemKind::WrongUnit, detail));
    }
    let Some(value) = record
        .value
        .and_then(|v| serde_json::Value::from(v).as_f64())
    else {
        let detail = format!("{}: no number in it", record.name);
        return Err(Problem::new(ProblemKind::Missing, detail));
    };
    Ph::new(value)
        .map(Some)
        .map_err(|e| Problem::new(ProblemKind::OutOfRange, format!("{}: {e}", record.name)))
}

/// The record named `reference`, which is no reading and so not among the decoded ones.
fn reference(words: &str) -> Result<Option<Celsius>, Problem> {
    let Some(record) = named(words, "reference")? else {
        return Ok(None);
    };
    let quantity = match record.unit.as_deref() {
        None | Some("Cel") => Quantity::TemperatureCelsius,
        Some("K") => Quantity::TemperatureKelvin,
        Some(unit) => {
            let detail = format!("{}: unit {unit} cannot be read for it", record.name);
            return Err(Problem::new(ProblemKind::WrongUnit, detail));
        }
    };
    let pick = Pick {
        from: record.name.clone(),
        quantity,
    };
    let map = FeedMap {
        format: Format::Senml { picks: vec![pick] },
        tilt_polynomial: Vec::new(),
    };
    // Alone, so that the sample's own temperature does not stand in its way.
    let value = record.value.map_or(serde_json::Value::Null, Into::into);
    let alone = serde_json::json!([{ "n": record.name, "v": value }]).to_string();
    let got = decode(&map, alone.as_bytes(), Some(Moment::EARLIEST_BELIEVABLE));
    match (
        got.readings.first().and_then(|r| r.temperature),
        got.problems.into_iter().next(),
    ) {
        (Some(t), _) => Ok(Some(t)),
        (None, Some(problem)) => Err(problem),
        (None, None) => Ok(None),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: Option<Moment> = Some(Moment(1_790_000_000_000));

    #[test]
    fn bare_or_with_its_circumstances() {
        let bare = read(b"1,012", NOW, false).unwrap().unwrap();
        assert_eq!(
            (bare.read.get(), bare.sample.get(), bare.at),
            (1.012, 20.0, NOW.unwrap())
        );
        let full = br#"[{"bn":"jar:","bt":1789990000,"n":"gravity","v":1.048},
            {"n":"temperature","u":"Cel","v":12.5},{"n":"reference","u":"K","v":288.7055}]"#;
        let full = read(full, NOW, false).unwrap().unwrap();
        assert_eq!(full.at, Moment(1_789_990_000_000));
        assert_eq!(full.sample.get(), 12.5);
        assert!((full.reference.get() - 15.5555).abs() < 1e-3);
        assert_eq!(full.ph, None);
        let sour = br#"[{"n":"jar:gravity","v":1.048},{"n":"jar:ph","u":"pH","v":3.42}]"#;
        let sour = read(sour, NOW, false).unwrap().unwrap();
        assert_eq!(sour.ph, Ph::new(3.42).ok());
    }

    #[test]
    fn whole_or_not_at_all() {
        let refused = |payload: &str| read(payload.as_bytes(), NOW, false).unwrap_err().kind;
        assert_eq!(refused("7"), ProblemKind::OutOfRange);
        assert_eq!(refused("sweet"), ProblemKind::Unreadable);
        assert_eq!(
            refused(r#"[{"n":"a:temperature","v":12}]"#),
            ProblemKind::Missing
        );
        let warm = r#"[{"n":"a:gravity","v":1.01},{"n":"a:reference","u":"V","v":3}]"#;
        assert_eq!(refused(warm), ProblemKind::WrongUnit);
        let hot = r#"[{"n":"a:gravity","v":1.01},{"n":"a:reference","v":300}]"#;
        assert_eq!(refused(hot), ProblemKind::OutOfRange);
        let lye = r#"[{"n":"a:gravity","v":1.01},{"n":"a:ph","v":12}]"#;
        assert_eq!(refused(lye), ProblemKind::OutOfRange);
        let volts = r#"[{"n":"a:gravity","v":1.01},{"n":"a:ph","u":"V","v":3}]"#;
        assert_eq!(refused(volts), ProblemKind::WrongUnit);
        assert_eq!(read(b"1.01", None, false), Ok(None));
        assert_eq!(
            read(b"sweet", None, false).unwrap_err().kind,
            ProblemKind::Unreadable
        );
    }

    #[test]
    fn topics() {
        assert_eq!(vessel_of("cellar/North cask/hand"), Some("North cask"));
        assert_eq!(vessel_of("cellar//hand"), None);
        assert_eq!(vessel_of("cellar/a/b/hand"), None);
        assert_eq!(vessel_of("loft/float"), None);
    }
}
