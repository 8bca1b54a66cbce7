//! Looking into a payload nobody has claimed: which numbers are in it, and what could they be?

use serde_json::Value;

use super::{json, number, parse_json, senml, text, time};
use crate::feed::Quantity;
use crate::time::Moment;

/// A number (or time) found in an unclaimed payload, offered to the maker on the claim form.
#[derive(Clone, Debug, PartialEq)]
pub struct Candidate {
    /// JSON Pointer, SenML record name, or empty for a bare number.
    pub from: String,
    /// As it stands in the payload.
    pub shown: String,
    /// What it is likely to be. Only a suggestion: the maker decides.
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

/// Most numbers offered from one payload; a form longer than this helps nobody.
const MOST: usize = 40;

/// Looks into an unclaimed payload.
pub fn look(payload: &[u8]) -> Looks {
    let text = match text(payload) {
        Ok(text) => text,
        Err(problem) => return Looks::Nothing(problem.detail),
    };
    if let Some(v) = number::parse(text) {
        let shown = text.trim().to_string();
        return Looks::Number(Candidate {
            from: String::new(),
            shown,
            guess: guess("", v),
        });
    }
    let root = match parse_json(text) {
        Ok(root) => root,
        Err(problem) => return Looks::Nothing(problem.detail),
    };
    if is_senml(&root) {
        let (records, _) = senml::resolve(&root);
        let candidates = records.iter().filter_map(|r| {
            let v = r.value?;
            let unit = r.unit.as_deref().unwrap_or("");
            let shown = format!("{v} {unit}").trim_end().to_string();
            Some(Candidate {
                from: r.name.clone(),
                shown,
                guess: senml::quantity(r)
                    .and_then(Result::ok)
                    .or_else(|| of_unit(unit))
                    .or_else(|| guess(&r.name, v)),
            })
        });
        return Looks::Senml(candidates.take(MOST).collect());
    }
    let mut found = Vec::new();
    walk(&root, &mut String::new(), &mut found);
    if found.is_empty() {
        return Looks::Nothing("no number in this message".into());
    }
    Looks::Json(found)
}

fn is_senml(root: &Value) -> bool {
    let has = |r: &Value, f: &str| r.get(f).is_some();
    root.as_array().is_some_and(|records| {
        records.first().is_some_and(|r| {
            (has(r, "n") || has(r, "bn"))
                && ["v", "vs", "vb", "vd", "s", "bv"].iter().any(|f| has(r, f))
        })
    })
}

fn walk(value: &Value, path: &mut String, found: &mut Vec<Candidate>) {
    if found.len() >= MOST {
        return;
    }
    let mut step = |part: &str, inner: &Value, found: &mut Vec<Candidate>| {
        let length = path.len();
        path.push('/');
        // RFC 6901 section 3.
        path.push_str(&part.replace('~', "~0").replace('/', "~1"));
        walk(inner, path, found);
        path.truncate(length);
    };
    match value {
        Value::Object(fields) => {
            for (key, inner) in fields {
                step(key, inner, found);
            }
        }
        Value::Array(items) => {
            for (i, inner) in items.iter().enumerate() {
                step(&i.to_string(), inner, found);
            }
        }
        _ => {
            let guess = match json::as_number(value) {
                Some(v) => guess(path, v),
                None if is_time(value) => Some(Quantity::Time),
                None => return,
            };
            found.push(Candidate {
                from: path.clone(),
                shown: json::brief(value),
                guess,
            });
        }
    }
}

fn is_time(value: &Value) -> bool {
    matches!(value, Value::String(_)) && time::from_json(value).is_ok()
}

/// Units of SenML that settle what it is, whatever else it is called.
fn of_unit(unit: &str) -> Option<Quantity> {
    match unit {
        "%EL" => Some(Quantity::BatteryPercent),
        "Cel" => Some(Quantity::TemperatureCelsius),
        "K" => Some(Quantity::TemperatureKelvin),
        "kg/m3" => Some(Quantity::GravityDensity),
        _ => None,
    }
}

/// What a number with this name could be. The name decides, the size only confirms; a number
/// with a name that says nothing is guessed only when it can hardly be anything else.
fn guess(name: &str, v: f64) -> Option<Quantity> {
    use Quantity::*;
    let name = name.to_lowercase();
    let says = |words: &[&str]| words.iter().any(|w| name.contains(w));
    let sg = (0.95..=1.25).contains(&v);
    let density = (950.0..=1250.0).contains(&v);
    if says(&["time", "date", "stamp"]) || name.ends_with("/at") || name.ends_with("/ts") {
        let at = time::from_unix(v)?;
        return (at >= Moment::EARLIEST_BELIEVABLE).then_some(Time);
    }
    if says(&["volt", "batt"]) {
        return Some(if v <= 15.0 && !says(&["percent", "pct", "level", "%"]) {
            BatteryVolts
        } else {
            BatteryPercent
        });
    }
    if says(&["signal", "rssi", "dbm"]) {
        return Some(if v < 0.0 { SignalDbm } else { SignalPercent });
    }
    if says(&["temp"]) {
        return Some(match v {
            _ if v > 200.0 => TemperatureKelvin,
            _ if v > 45.0 => TemperatureFahrenheit,
            _ => TemperatureCelsius,
        });
    }
    if says(&["tilt", "angle"]) {
        return Some(TiltDegrees);
    }
    if says(&["plato", "extract"]) {
        return Some(GravityPlato);
    }
    if says(&["brix"]) {
        return Some(GravityBrix);
    }
    if says(&["gravity", "density", "sg"]) && density {
        return Some(GravityDensity);
    }
    (sg && v != 1.0).then_some(GravitySg)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_numbers_with_pointers() {
        let Looks::Json(found) = look(
            br#"{"who":"bob","probe":{"temp":"18.5","a/b":1.052},"when":"2026-11-25T08:00:00Z","n":[3]}"#,
        ) else {
            panic!("JSON");
        };
        let seen: Vec<_> = found.iter().map(|c| (c.from.as_str(), c.guess)).collect();
        assert!(seen.contains(&("/probe/temp", Some(Quantity::TemperatureCelsius))));
        assert!(seen.contains(&("/probe/a~1b", Some(Quantity::GravitySg))));
        assert!(seen.contains(&("/when", Some(Quantity::Time))));
        assert!(seen.contains(&("/n/0", None)));
        assert_eq!(seen.len(), 4);
    }

    /// Units of RFC 8428 section 12.1.
    #[test]
    fn a_unit_settles_what_it_is() {
        let of = |payload: &str| match look(payload.as_bytes()) {
            Looks::Senml(found) | Looks::Json(found) => found[0].guess,
            other => panic!("{other:?}"),
        };
        let nearly_empty = of(r#"[{"n":"jar:battery","u":"%EL","v":12}]"#);
        assert_eq!(nearly_empty, Some(Quantity::BatteryPercent));
        let cold = of(r#"[{"n":"jar:inside","u":"K","v":283.1}]"#);
        assert_eq!(cold, Some(Quantity::TemperatureKelvin));
        let volts = of(r#"[{"n":"jar:battery","u":"V","v":3.9}]"#);
        assert_eq!(volts, Some(Quantity::BatteryVolts));
        let turned = of(r#"[{"n":"jar:tilt","u":"rad","v":0.4}]"#);
        assert_eq!(turned, Some(Quantity::TiltRadians));
        let named = of(r#"{"battery-percent":12}"#);
        assert_eq!(named, Some(Quantity::BatteryPercent));
    }

    #[test]
    fn tells_the_forms_apart() {
        assert!(matches!(look(b"1,052"), Looks::Number(_)));
        assert!(matches!(
            look(br#"[{"n":"float:gravity","v":1.05}]"#),
            Looks::Senml(_)
        ));
        assert!(matches!(look(br#"[{"x":1.05}]"#), Looks::Json(_)));
        assert!(matches!(look(b"hello"), Looks::Nothing(_)));
        assert!(matches!(look(&[0xff, 0xfe]), Looks::Nothing(_)));
        assert!(matches!(look(br#"{"a":"b"}"#), Looks::Nothing(_)));
    }
}
