//! Any JSON, read through a map of RFC 6901 pointers.

use serde_json::Value;

use super::collect::Collector;
use super::{number, parse_json, time};
use crate::feed::{Pick, Quantity};
use crate::reading::{Problem, ProblemKind};

pub(super) fn decode(text: &str, picks: &[Pick], out: &mut Collector) {
    let root = match parse_json(text) {
        Ok(root) => root,
        Err(problem) => return out.problem(problem),
    };
    let mut at = None;
    for pick in picks.iter().filter(|p| p.quantity == Quantity::Time) {
        match root.pointer(&pick.from).map(time::from_json) {
            Some(Ok(t)) => match out.checked_time(t, &pick.from) {
                Some(t) => at = Some(t),
                // A time that was given and cannot be: the arrival time would be a guess.
                None => return,
            },
            Some(Err(why)) => {
                let detail = format!("{}: {why}", pick.from);
                return out.problem(Problem::new(ProblemKind::BadTime, detail));
            }
            None => {
                let detail = format!("{}: no such field", pick.from);
                return out.problem(Problem::new(ProblemKind::Missing, detail));
            }
        }
    }
    for pick in picks.iter().filter(|p| p.quantity != Quantity::Time) {
        let place = &pick.from;
        match root.pointer(place) {
            None => {
                let detail = format!("{place}: no such field");
                out.problem(Problem::new(ProblemKind::Missing, detail));
            }
            Some(value) => match as_number(value) {
                Some(v) => out.value(at, pick.quantity, v, place),
                None => {
                    let detail = format!("{place}: {} is not a number", brief(value));
                    out.problem(Problem::new(ProblemKind::WrongType, detail));
                }
            },
        }
    }
}

/// A number, or text that is one ("1.052" in quotes is common from small firmwares).
pub(super) fn as_number(value: &Value) -> Option<f64> {
    match value {
        Value::Number(n) => n.as_f64(),
        Value::String(text) => number::parse(text),
        _ => None,
    }
}

pub(super) fn brief(value: &Value) -> String {
    let text = value.to_string();
    if text.chars().count() <= 40 {
        return text;
    }
    text.chars().take(39).chain(['…']).collect()
}
