//! From a payload to readings and problems.
//!
//! Three forms are read: SenML JSON ([`senml`], the native one), any other JSON through a map of
//! pointers ([`json`]), and a bare number ([`number`]). Bad input is data: a value that cannot be
//! taken becomes a [`Problem`] naming what and where, the rest of the message still counts.
//!
//! To add a form: a module here with a function `fn(.., &mut Collector)`, a variant of
//! [`Format`], one arm in [`decode`], and its examples as tests.

mod collect;
pub mod hand;
pub mod json;
pub mod line;
mod look;
pub mod number;
pub mod object;
pub mod senml;
pub mod time;

pub use look::{Candidate, Looks, look};

use crate::feed::{FeedMap, Format};
use crate::reading::{Problem, ProblemKind, Reading};
use crate::time::Moment;
use collect::Collector;

/// Everything a payload yielded.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Decoded {
    pub readings: Vec<Reading>,
    pub problems: Vec<Problem>,
    /// Readings were left out because `received` was not known, which also is what a time of
    /// their own is checked against: decode again when it is.
    pub needs_time: bool,
}

/// Decodes and calibrates one payload by the feed's map. Never panics, whatever the bytes.
///
/// `received` is the wall time of arrival, `None` while the clock cannot be believed.
pub fn decode(map: &FeedMap, payload: &[u8], received: Option<Moment>) -> Decoded {
    decode_copy(map, payload, received, false)
}

/// As [`decode`]. `retained`: a broker had kept this message and hands it to every new
/// subscriber, so it may be of any age; only readings with times of their own are taken.
pub fn decode_copy(
    map: &FeedMap,
    payload: &[u8],
    received: Option<Moment>,
    retained: bool,
) -> Decoded {
    let mut out = Collector::new(&map.tilt_polynomial, received, retained);
    match text(payload) {
        Err(problem) => out.problem(problem),
        Ok(text) => match &map.format {
            Format::Senml { picks } => senml::decode(text, picks, &mut out),
            Format::Json { picks } => json::decode(text, picks, &mut out),
            Format::Number { quantity } => number::decode(text, *quantity, &mut out),
        },
    }
    out.finish()
}

fn text(payload: &[u8]) -> Result<&str, Problem> {
    std::str::from_utf8(payload).map_err(|e| {
        let detail = format!("byte {} is not UTF-8 text", e.valid_up_to() + 1);
        Problem::new(ProblemKind::Unreadable, detail)
    })
}

/// Parses JSON; nesting deeper than serde_json's limit of 128 is refused, not followed.
fn parse_json(text: &str) -> Result<serde_json::Value, Problem> {
    serde_json::from_str(text).map_err(|e| {
        Problem::new(
            ProblemKind::Unreadable,
            format!("not readable as JSON: {e}"),
        )
    })
}
