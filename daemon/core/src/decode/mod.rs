//! From a payload to readings and problems.

use crate::feed::{FeedMap, Quantity};
use crate::reading::{Problem, Reading};
use crate::time::Moment;

/// Everything a payload yielded.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Decoded {
    pub readings: Vec<Reading>,
    pub problems: Vec<Problem>,
    /// Readings without a time of their own were left out because `received` was not known:
    /// decode again when it is.
    pub needs_time: bool,
}

/// Decodes and calibrates one payload by the feed's map. Never panics, whatever the bytes.
///
/// `received` is the wall time of arrival, `None` while the clock cannot be believed.
pub fn decode(_map: &FeedMap, _payload: &[u8], _received: Option<Moment>) -> Decoded {
    Decoded::default()
}

/// A number (or time) found in an unclaimed payload, offered to the maker on the claim form.
#[derive(Clone, Debug, PartialEq)]
pub struct Candidate {
    /// JSON Pointer, SenML record name, or empty for a bare number.
    pub from: String,
    /// As it stands in the payload.
    pub shown: String,
    pub guess: Option<Quantity>,
}

/// What a payload could be read as.
#[derive(Clone, Debug, PartialEq)]
pub enum Looks {
    Senml(Vec<Candidate>),
    Json(Vec<Candidate>),
    Number(Candidate),
    /// Nothing readable, with the reason.
    Nothing(String),
}

/// Looks into an unclaimed payload.
pub fn look(_payload: &[u8]) -> Looks {
    Looks::Nothing(String::new())
}
