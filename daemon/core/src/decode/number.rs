//! A payload that is one number.

use super::collect::Collector;
use crate::feed::Quantity;
use crate::reading::{Problem, ProblemKind};

pub(super) fn decode(text: &str, quantity: Quantity, out: &mut Collector) {
    match parse(text) {
        Some(v) => out.value(None, quantity, v, "payload"),
        None => {
            let shown: String = text.trim().chars().take(40).collect();
            out.problem(Problem::new(
                ProblemKind::WrongType,
                format!("payload: \"{shown}\" is not a number"),
            ));
        }
    }
}

/// A number with decimal point or comma; spaces around it do not matter.
pub fn parse(text: &str) -> Option<f64> {
    let text = text.trim();
    match text.parse::<f64>() {
        Ok(v) => Some(v),
        Err(_) if text.matches(',').count() == 1 && !text.contains('.') => {
            text.replace(',', ".").parse().ok()
        }
        Err(_) => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn point_or_comma() {
        assert_eq!(parse(" 1.052\n"), Some(1.052));
        assert_eq!(parse("1,052"), Some(1.052));
        assert_eq!(parse("1,052.3"), None);
        assert_eq!(parse("1,0,5"), None);
        assert_eq!(parse("heavy"), None);
    }
}
