//! What a message turns into: readings, and problems that are shown rather than swallowed.

use serde::{Deserialize, Serialize};

use crate::time::Moment;
use crate::units::{Battery, Celsius, Degrees, Gravity, Signal};

/// One moment's measurements from one feed. At least one field besides `at` is set.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    pub at: Moment,
    /// Whether the sender said when, or we took the time of arrival.
    pub time_from: TimeFrom,
    pub gravity: Option<Gravity>,
    pub temperature: Option<Celsius>,
    pub tilt: Option<Degrees>,
    pub battery: Option<Battery>,
    pub signal: Option<Signal>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TimeFrom {
    Payload,
    Arrival,
}

/// Something in a message that could not be taken, with what and where.
/// A problem never hides the rest of its message: the good readings still go in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    pub kind: ProblemKind,
    /// One readable line: what was wrong and where ("/gravity: gravity 7 is outside 0.95 to 1.25 SG").
    pub detail: String,
}

/// Problems are counted by kind on the feed's page.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ProblemKind {
    /// Not JSON, not UTF-8, cut short, or nested too deep.
    Unreadable,
    /// A field the feed's map names is not in the message.
    Missing,
    /// A field is there but is not a number (or not a time).
    WrongType,
    /// A unit we cannot read for that quantity.
    WrongUnit,
    /// A number no cellar can produce, or not a number at all.
    OutOfRange,
    /// A time before the project existed or well ahead of our clock.
    BadTime,
    /// The same message came again.
    Duplicate,
    /// Another value for an instant already known; the first one stands.
    Conflict,
    /// Nothing in the message is a reading.
    Empty,
}

impl Problem {
    pub fn new(kind: ProblemKind, detail: impl Into<String>) -> Problem {
        Problem {
            kind,
            detail: detail.into(),
        }
    }
}
