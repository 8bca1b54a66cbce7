//! A line of the log that comes as a message: on the topic `cellar/<vessel>/log`, or posted.
//!
//! A JSON object. `what` (a key of [`What`]) is needed. `at` is RFC 3339, else the time of
//! arrival. `gravity` (SG), `temperature` (°C), `ph` and `volume` (L) are what was measured after
//! it, `note` is words, `doses` are what was weighed in: each `of` (a key of [`Substance`]),
//! `mass` (kg), and if wanted `name` and `extract` (per cent by mass). A quantity is a number in
//! the unit said here, or text with a unit as a form takes it ("350 g"). `despite` is why it was
//! done while the gate was shut.
//!
//! A hand reading has `gravity` as read off the stem, `temperature` of the sample and `reference`,
//! what the hydrometer is marked for (20 °C when left out).

use serde_json::{Map, Value};

use super::hand::{HandReading, USUAL};
use super::{parse_json, text};
use crate::deed::{AHEAD, Deed, Dose, EARLIEST, Substance, What};
use crate::reading::{Problem, ProblemKind, TimeFrom};
use crate::time::Moment;
use crate::units::{Preferences, Quantity};
use crate::words::{self, LONGEST_NAME, LONGEST_NOTE};

/// Weighed in at one time.
const MOST_DOSES: usize = 20;

const KEYS: [&str; 10] = [
    "what",
    "at",
    "gravity",
    "temperature",
    "reference",
    "ph",
    "volume",
    "note",
    "doses",
    "despite",
];
const DOSE_KEYS: [&str; 4] = ["of", "mass", "name", "extract"];

#[derive(Clone, Debug, PartialEq)]
pub enum Line {
    Hand(HandReading),
    /// With the clock its time is from.
    Deed(Box<Deed>, TimeFrom),
}

/// The vessel a topic speaks of, as it stands in the topic.
pub fn vessel_of(topic: &str) -> Option<&str> {
    let name = topic.strip_prefix("cellar/")?.strip_suffix("/log")?;
    (!name.is_empty() && !name.contains('/')).then_some(name)
}

/// Reads such a message; `retained` as in [`super::decode_copy`]. `None`: it can only be read
/// once `received` is known.
///
/// # Errors
/// What is wrong with it and where; a line is taken whole or not at all.
pub fn read(
    payload: &[u8],
    received: Option<Moment>,
    retained: bool,
) -> Result<Option<Line>, Problem> {
    let value = parse_json(text(payload)?)?;
    let Value::Object(object) = value else {
        let detail = "a line of the log is a JSON object";
        return Err(Problem::new(ProblemKind::Unreadable, detail));
    };
    let fields = Fields {
        object: &object,
        place: String::new(),
    };
    fields.only(&KEYS)?;
    let what = fields.key("what", What::from_key, &What::ALL.map(What::key))?;
    let Some((at, time_from)) = when(&fields, received, retained)? else {
        return Ok(None);
    };
    let gravity = fields.quantity("gravity")?;
    let temperature = fields.quantity("temperature")?;
    let ph = fields.quantity("ph")?;
    let note = fields.words("note", LONGEST_NOTE)?;
    if what == What::HandReading {
        fields.none_of(&["volume", "doses", "despite"], "a hand reading")?;
        return Ok(Some(Line::Hand(HandReading {
            at,
            time_from,
            read: gravity.ok_or_else(|| fields.missing("gravity"))?,
            sample: temperature.unwrap_or(USUAL),
            reference: fields.quantity("reference")?.unwrap_or(USUAL),
            ph,
            note,
        })));
    }
    fields.none_of(&["reference"], "anything but a hand reading")?;
    let deed = Deed {
        gravity,
        temperature,
        ph,
        note,
        volume: fields.quantity("volume")?,
        doses: doses(&object)?,
        despite: fields.words("despite", LONGEST_NOTE)?,
        ..Deed::new(at, what)
    };
    Ok(Some(Line::Deed(Box::new(deed), time_from)))
}

fn when(
    fields: &Fields<'_>,
    received: Option<Moment>,
    retained: bool,
) -> Result<Option<(Moment, TimeFrom)>, Problem> {
    let bad = |detail: String| Problem::new(ProblemKind::BadTime, detail);
    let said = match fields.object.get("at") {
        None | Some(Value::Null) => None,
        Some(Value::String(text)) => {
            Some(Moment::parse_rfc3339(text).map_err(|why| bad(format!("at: {why}")))?)
        }
        Some(other) => return Err(bad(format!("at: {other} is not RFC 3339 text"))),
    };
    // Without a clock of our own there is nothing to hold the sender's against.
    let Some(received) = received else {
        return Ok(None);
    };
    match said {
        Some(at) if at < EARLIEST || at > received + AHEAD => Err(bad(format!(
            "at: {} is before 2000 or still to come",
            at.to_rfc3339()
        ))),
        Some(at) => Ok(Some((at, TimeFrom::Payload))),
        None if retained => Err(bad(
            "a retained line of the log has to say at what time".to_owned()
        )),
        None => Ok(Some((received, TimeFrom::Arrival))),
    }
}

fn doses(object: &Map<String, Value>) -> Result<Vec<Dose>, Problem> {
    let wrong = |detail: String| Problem::new(ProblemKind::WrongType, detail);
    let list = match object.get("doses") {
        None | Some(Value::Null) => return Ok(Vec::new()),
        Some(Value::Array(list)) if list.len() <= MOST_DOSES => list,
        Some(Value::Array(_)) => return Err(wrong(format!("doses: at most {MOST_DOSES}"))),
        Some(_) => return Err(wrong("doses: a list is needed".to_owned())),
    };
    let read = |(n, value): (usize, &Value)| {
        let place = format!("doses/{n}");
        let Value::Object(object) = value else {
            return Err(wrong(format!("{place}: an object is needed")));
        };
        let fields = Fields {
            object,
            place: place + "/",
        };
        fields.only(&DOSE_KEYS)?;
        Ok(Dose {
            of: fields.key(
                "of",
                Substance::from_key,
                &Substance::ALL.map(Substance::key),
            )?,
            mass: fields
                .quantity("mass")?
                .ok_or_else(|| fields.missing("mass"))?,
            name: fields.words("name", LONGEST_NAME)?,
            extract: fields.quantity("extract")?,
        })
    };
    list.iter().enumerate().map(read).collect()
}

/// An object, and what its fields' names follow in a complaint.
struct Fields<'a> {
    object: &'a Map<String, Value>,
    place: String,
}

impl Fields<'_> {
    fn wrong(&self, kind: ProblemKind, name: &str, why: &str) -> Problem {
        Problem::new(kind, format!("{}{name}: {why}", self.place))
    }

    fn missing(&self, name: &str) -> Problem {
        self.wrong(ProblemKind::Missing, name, "this is needed")
    }

    /// A name mistyped is not left out in silence.
    fn only(&self, known: &[&str]) -> Result<(), Problem> {
        match self.object.keys().find(|k| !known.contains(&k.as_str())) {
            None => Ok(()),
            Some(stranger) => {
                let why = format!("this is not read; there are {}", known.join(", "));
                Err(self.wrong(ProblemKind::Unreadable, stranger, &why))
            }
        }
    }

    fn none_of(&self, names: &[&str], with: &str) -> Result<(), Problem> {
        match names.iter().find(|name| self.object.contains_key(**name)) {
            None => Ok(()),
            Some(name) => {
                let why = format!("this does not go with {with}");
                Err(self.wrong(ProblemKind::Conflict, name, &why))
            }
        }
    }

    fn key<T>(
        &self,
        name: &str,
        from_key: impl FnOnce(&str) -> Option<T>,
        all: &[&str],
    ) -> Result<T, Problem> {
        let text = match self.object.get(name) {
            None | Some(Value::Null) => return Err(self.missing(name)),
            Some(value) => value.as_str().unwrap_or_default(),
        };
        from_key(text).ok_or_else(|| {
            let why = format!("it has to be one of {}", all.join(", "));
            self.wrong(ProblemKind::WrongType, name, &why)
        })
    }

    fn quantity<Q: Quantity>(&self, name: &str) -> Result<Option<Q>, Problem> {
        let read = match self.object.get(name) {
            None | Some(Value::Null) => return Ok(None),
            Some(Value::Number(number)) => Ok(number.as_f64().unwrap_or(f64::NAN)),
            Some(Value::String(text)) => Q::MEASURE.read(text, Preferences::USUAL),
            Some(_) => {
                let why = "a number is needed, or text with a unit";
                return Err(self.wrong(ProblemKind::WrongType, name, why));
            }
        };
        read.and_then(|v| Q::new(v).map_err(|e| e.to_string()))
            .map(Some)
            .map_err(|why| self.wrong(ProblemKind::OutOfRange, name, &why))
    }

    fn words(&self, name: &str, most: usize) -> Result<String, Problem> {
        let text = match self.object.get(name) {
            None | Some(Value::Null) => return Ok(String::new()),
            Some(Value::String(text)) => text,
            Some(_) => return Err(self.wrong(ProblemKind::WrongType, name, "text is needed")),
        };
        words::kept(text, most).map_err(|why| self.wrong(ProblemKind::OutOfRange, name, &why))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: Option<Moment> = Some(Moment(1_790_000_000_000));

    fn deed(payload: &str) -> (Deed, TimeFrom) {
        match read(payload.as_bytes(), NOW, false) {
            Ok(Some(Line::Deed(deed, from))) => (*deed, from),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn all_that_a_line_may_say() {
        let (line, from) = deed(
            r#"{"what": "addition", "at": "2026-09-20T18:30:00+02:00", "gravity": 1.031,
                "temperature": "64.4 °F", "ph": 3.6, "volume": 9.5, "note": "scalded first",
                "doses": [{"of": "fruit", "mass": "2400 g", "name": "quince", "extract": 10.5},
                          {"of": "water", "mass": 0.25}]}"#,
        );
        assert_eq!(from, TimeFrom::Payload);
        assert_eq!(line.at.to_rfc3339(), "2026-09-20T16:30:00Z");
        assert_eq!(line.what, What::Addition);
        assert_eq!(line.gravity.unwrap().get(), 1.031);
        assert!((line.temperature.unwrap().get() - 18.0).abs() < 1e-9);
        assert_eq!(line.volume.unwrap().get(), 9.5);
        assert_eq!(line.doses[0].mass.get(), 2.4);
        assert_eq!(line.doses[0].name, "quince");
        assert_eq!(line.doses[1].of, Substance::Water);
        assert_eq!(deed(r#"{"what":"rouse"}"#).1, TimeFrom::Arrival);
    }

    #[test]
    fn a_hand_reading_is_one_to_be_put_right() {
        let payload = br#"{"what": "hand-reading", "gravity": 1.012, "temperature": 17}"#;
        let Ok(Some(Line::Hand(hand))) = read(payload, NOW, false) else {
            panic!("no hand reading")
        };
        assert_eq!(
            (hand.sample.get(), hand.reference.get(), hand.at),
            (17.0, 20.0, NOW.unwrap())
        );
    }

    #[test]
    fn what_is_wrong_and_where() {
        let refused = |payload: &str| {
            let problem = read(payload.as_bytes(), NOW, false).unwrap_err();
            (problem.kind, problem.detail)
        };
        let cases = [
            ("[]", ProblemKind::Unreadable, "object"),
            ("{", ProblemKind::Unreadable, "JSON"),
            ("{}", ProblemKind::Missing, "what: this is needed"),
            (r#"{"what":"stir"}"#, ProblemKind::WrongType, "rouse"),
            (
                r#"{"what":"rouse","notes":"x"}"#,
                ProblemKind::Unreadable,
                "notes: this is not read",
            ),
            (
                r#"{"what":"rouse","gravity":7}"#,
                ProblemKind::OutOfRange,
                "gravity: gravity 7",
            ),
            (
                r#"{"what":"rouse","at":"2027-01-01T00:00:00Z"}"#,
                ProblemKind::BadTime,
                "still to come",
            ),
            (
                r#"{"what":"rouse","at":5}"#,
                ProblemKind::BadTime,
                "RFC 3339",
            ),
            (
                r#"{"what":"addition","doses":[{"of":"honey","mass":1},{"of":"fruit"}]}"#,
                ProblemKind::Missing,
                "doses/1/mass",
            ),
            (
                r#"{"what":"addition","doses":[{"of":"gold","mass":1}]}"#,
                ProblemKind::WrongType,
                "doses/0/of",
            ),
            (
                r#"{"what":"hand-reading"}"#,
                ProblemKind::Missing,
                "gravity",
            ),
            (
                r#"{"what":"hand-reading","gravity":1.01,"volume":3}"#,
                ProblemKind::Conflict,
                "volume",
            ),
            (
                r#"{"what":"rack","reference":20}"#,
                ProblemKind::Conflict,
                "reference",
            ),
        ];
        for (payload, kind, words) in cases {
            let (found, detail) = refused(payload);
            assert_eq!(found, kind, "{payload}: {detail}");
            assert!(detail.contains(words), "{payload}: {detail}");
        }
        let long = format!(r#"{{"what":"remark","note":"{}"}}"#, "x".repeat(501));
        assert_eq!(refused(&long).1, "note: at most 500 characters");
    }

    #[test]
    fn without_a_clock_it_waits_and_a_kept_copy_has_to_say_when() {
        let bare = br#"{"what":"rouse"}"#;
        assert_eq!(read(bare, None, false), Ok(None));
        assert_eq!(
            read(bare, NOW, true).unwrap_err().kind,
            ProblemKind::BadTime
        );
        let dated = br#"{"what":"rouse","at":"2026-09-20T16:30:00Z"}"#;
        assert_eq!(read(dated, None, false), Ok(None));
        assert!(matches!(
            read(dated, NOW, true),
            Ok(Some(Line::Deed(_, TimeFrom::Payload)))
        ));
    }

    #[test]
    fn topics() {
        assert_eq!(vessel_of("cellar/North cask/log"), Some("North cask"));
        assert_eq!(vessel_of("cellar//log"), None);
        assert_eq!(vessel_of("cellar/a/b/log"), None);
        assert_eq!(vessel_of("cellar/a/hand"), None);
    }
}
