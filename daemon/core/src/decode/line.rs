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
//!
//! A test ferment has the `gravity` of its jar at 20 °C, and neither `ph`, `volume`, `doses` nor
//! `despite`.

use super::hand::{HandReading, USUAL};
use super::object::Object;
use super::{parse_json, text};
use crate::deed::{self, Deed, Dose, Substance, Unfit, What};
use crate::reading::{Problem, ProblemKind, TimeFrom};
use crate::time::Moment;
use crate::words::{LONGEST_NAME, LONGEST_NOTE};

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
    let fields = Object::whole(&value)?;
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
    if what == What::TestFerment {
        fields.none_of(&["ph", "volume", "doses", "despite"], "a test ferment")?;
    }
    let deed = Deed {
        gravity,
        temperature,
        ph,
        note,
        volume: fields.quantity("volume")?,
        doses: doses(&fields)?,
        despite: fields.words("despite", LONGEST_NOTE)?,
        ..Deed::new(at, what)
    };
    deed.check().map_err(unfit)?;
    Ok(Some(Line::Deed(Box::new(deed), time_from)))
}

fn unfit(why: Unfit) -> Problem {
    let kind = match why {
        Unfit::NoGravity => ProblemKind::Missing,
        Unfit::Stray { .. } => ProblemKind::Conflict,
    };
    Problem::new(kind, format!("{}: {why}", why.field()))
}

fn when(
    fields: &Object<'_>,
    received: Option<Moment>,
    retained: bool,
) -> Result<Option<(Moment, TimeFrom)>, Problem> {
    let bad = |detail: &str| Problem::new(ProblemKind::BadTime, detail);
    let said = fields.when("at")?;
    // Without a clock of our own there is nothing to hold the sender's against.
    let Some(received) = received else {
        return Ok(None);
    };
    match said {
        Some(at) => match deed::dated(at, received) {
            Ok(()) => Ok(Some((at, TimeFrom::Payload))),
            Err(why) => Err(bad(&format!("at: it {why}"))),
        },
        None if retained => Err(bad("at: a retained line of the log has to say when")),
        None => Ok(Some((received, TimeFrom::Arrival))),
    }
}

fn doses(fields: &Object<'_>) -> Result<Vec<Dose>, Problem> {
    let read = |fields: &Object<'_>| {
        fields.only(&DOSE_KEYS)?;
        Ok(Dose {
            of: fields.key(
                "of",
                Substance::from_key,
                &Substance::ALL.map(Substance::key),
            )?,
            mass: fields.needed("mass")?,
            name: fields.words("name", LONGEST_NAME)?,
            extract: fields.quantity("extract")?,
        })
    };
    fields.list("doses", MOST_DOSES)?.iter().map(read).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Gravity;

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
        let (jar, _) = deed(r#"{"what":"test-ferment","gravity":0.996,"note":"clear of gas"}"#);
        assert_eq!((jar.gravity, jar.read()), (Gravity::new(0.996).ok(), None));
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
                r#"{"what":"test-ferment","note":"clear"}"#,
                ProblemKind::Missing,
                "gravity: a test ferment",
            ),
            (
                r#"{"what":"test-ferment","gravity":0.996,"doses":[{"of":"honey","mass":1}]}"#,
                ProblemKind::Conflict,
                "doses: this does not go",
            ),
            (
                r#"{"what":"test-ferment","gravity":0.996,"volume":0.5}"#,
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
