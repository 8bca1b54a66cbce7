//! Numbers, times and quantities as the maker likes to read them.

use jiff::tz::TimeZone;

use crate::time::{Moment, Span};
use crate::units::{Celsius, Gravity, Litres, Preferences};

/// "1.0524", "12.9 °P", "12.9 °Bx".
pub fn gravity(g: Gravity, _p: Preferences) -> String {
    format!("{:.4}", g.get())
}

/// A difference of gravity (SG in, SG or degrees out), sign kept: "0.0021", "0.5 °P".
pub fn gravity_step(sg: f64, _near: Gravity, _p: Preferences) -> String {
    format!("{sg:.4}")
}

/// "18.5 °C", "65.3 °F".
pub fn temperature(t: Celsius, _p: Preferences) -> String {
    format!("{:.1} °C", t.get())
}

/// "20 L", "5.3 US gal", "4.4 imp gal".
pub fn volume(v: Litres, _p: Preferences) -> String {
    format!("{:.1} L", v.get())
}

/// "Thu 3 Dec"; with the year when it is not the year of `now`.
pub fn day(at: Moment, _now: Moment, _zone: &TimeZone) -> String {
    at.to_rfc3339()
}

/// "Thu 3 Dec 14:05"; "today 14:05" on the day of `now`.
pub fn day_and_time(at: Moment, _now: Moment, _zone: &TimeZone) -> String {
    at.to_rfc3339()
}

/// "3 minutes", "5 hours", "9 days": one unit, rounded.
pub fn span(s: Span) -> String {
    format!("{:.1} days", s.as_days())
}
