//! Times in payloads: RFC 3339 text, or Unix time as a number.

use serde_json::Value;

use crate::time::Moment;

/// Unix seconds reach 1e11 in the year 5138 and Unix milliseconds passed it in 1973, so this
/// parts the two without a guess.
const SECONDS_BELOW: f64 = 1e11;

/// Unix time in seconds or milliseconds.
pub fn from_unix(v: f64) -> Option<Moment> {
    let ms = if v.abs() < SECONDS_BELOW {
        v * 1000.0
    } else {
        v
    };
    (ms.is_finite() && ms.abs() < 1e15).then(|| Moment(ms.round() as i64))
}

/// A JSON value that should be a time.
pub(super) fn from_json(value: &Value) -> Result<Moment, String> {
    match value {
        Value::Number(n) => n
            .as_f64()
            .and_then(from_unix)
            .ok_or_else(|| format!("{n} is not a Unix time")),
        Value::String(text) => match text.trim().parse::<f64>() {
            Ok(number) => from_unix(number).ok_or_else(|| format!("\"{text}\" is not a Unix time")),
            Err(_) => Moment::parse_rfc3339(text),
        },
        other => Err(format!("{other} is not a time")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn seconds_milliseconds_text() {
        let want = Moment::parse_rfc3339("2026-11-25T12:00:00Z").unwrap();
        let s = want.0 / 1000;
        for v in [
            json!(s),
            json!(want.0),
            json!(s.to_string()),
            json!("2026-11-25T13:00:00+01:00"),
        ] {
            assert_eq!(from_json(&v), Ok(want), "{v}");
        }
        assert!(from_json(&json!("noon")).is_err());
        assert!(from_json(&json!([1])).is_err());
        assert!(from_json(&json!(1e300)).is_err());
    }
}
