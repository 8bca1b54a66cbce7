//! SenML JSON (RFC 8428), the native form.
//!
//! A pack is resolved as in section 4.6: base name, base time, base unit, base value and their
//! like are carried from record to record; a time below 2^28 s is relative to the arrival.
//! What a record measures follows from the last part of its name and its unit:
//!
//! | name ends in | units (registered) |
//! |---|---|
//! | `gravity` | `/` or none: SG 20/20; `kg/m3` |
//! | `extract` | `%` or none: mass per cent (°Plato, °Brix) |
//! | `temperature`, `temp` | `Cel` or none, `K` |
//! | `tilt` | `deg` or none, `rad` |
//! | `battery` | `%EL`, `%`, `V` |
//! | `signal` | `dBm`, `dBW`, `%` |

use serde_json::{Map, Value};

use super::collect::Collector;
use super::json::brief;
use super::parse_json;
use crate::feed::{Pick, Quantity};
use crate::reading::{Problem, ProblemKind};
use crate::time::Moment;

/// A record with its base fields resolved.
#[derive(Clone, Debug, PartialEq)]
pub struct Record {
    pub name: String,
    pub unit: Option<String>,
    /// Seconds, absolute or relative to now as in the pack; 0 means now.
    pub time: f64,
    /// `None` for a record with a text, Boolean or data value, or with a sum only.
    pub value: Option<f64>,
}

/// RFC 8428 section 4.5.3: below this many seconds a time is relative to now.
const ABSOLUTE_FROM: f64 = 268_435_456.0;
/// The version this reads (section 4.4).
const VERSION: f64 = 10.0;

pub(super) fn decode(text: &str, picks: &[Pick], out: &mut Collector) {
    let root = match parse_json(text) {
        Ok(root) => root,
        Err(problem) => return out.problem(problem),
    };
    let (records, problems) = resolve(&root);
    problems.into_iter().for_each(|p| out.problem(p));
    for record in &records {
        let picked = picks
            .iter()
            .find(|p| p.from == record.name)
            .map(|p| Ok(p.quantity));
        let quantity = match picked.or_else(|| quantity(record)) {
            None => continue,
            Some(Ok(q)) => q,
            Some(Err(problem)) => {
                out.problem(problem);
                continue;
            }
        };
        let Some(mut value) = record.value else {
            let detail = format!("{}: no number in this record", record.name);
            out.problem(Problem::new(ProblemKind::WrongType, detail));
            continue;
        };
        if quantity == Quantity::SignalDbm && record.unit.as_deref() == Some("dBW") {
            value += 30.0;
        }
        let at = match moment(record.time, out) {
            Ok(at) => at,
            Err(Unknown) => continue,
        };
        let at = match at.map(|t| out.checked_time(t, &record.name)) {
            Some(None) => continue,
            Some(Some(t)) => Some(t),
            None => None,
        };
        out.value(at, quantity, value, &record.name);
    }
}

/// A relative time while our own clock is not believable, or in a copy of unknown age.
struct Unknown;

/// `None`: at arrival.
fn moment(time: f64, out: &mut Collector) -> Result<Option<Moment>, Unknown> {
    if time >= ABSOLUTE_FROM {
        return Ok(Some(Moment((time * 1000.0).round().min(9e15) as i64)));
    }
    if time == 0.0 {
        return Ok(None);
    }
    match out.sent() {
        Some(now) => Ok(Some(Moment(now.0 + (time * 1000.0).round() as i64))),
        None => {
            // Marks the message as waiting for time, or as ageless.
            out.value(None, Quantity::Time, 0.0, "");
            Err(Unknown)
        }
    }
}

/// The last part of a name: `urn:dev:ow:10e2073a01080063:temperature` is `temperature`.
pub(super) fn last_part(name: &str) -> &str {
    name.rsplit([':', '/', '.', '_']).next().unwrap_or(name)
}

/// `None` for a record that is not ours to read.
pub(super) fn quantity(record: &Record) -> Option<Result<Quantity, Problem>> {
    use Quantity::*;
    let unit = record.unit.as_deref();
    let found = match (last_part(&record.name), unit) {
        ("gravity", None | Some("/")) => GravitySg,
        ("gravity", Some("kg/m3")) => GravityDensity,
        ("extract", None | Some("%")) => GravityPlato,
        ("temperature" | "temp", None | Some("Cel")) => TemperatureCelsius,
        ("temperature" | "temp", Some("K")) => TemperatureKelvin,
        ("tilt", None | Some("deg")) => TiltDegrees,
        ("tilt", Some("rad")) => TiltRadians,
        ("battery", Some("%EL" | "%")) => BatteryPercent,
        ("battery", Some("V")) => BatteryVolts,
        ("signal", None | Some("dBm" | "dBW")) => SignalDbm,
        ("signal", Some("%")) => SignalPercent,
        ("gravity" | "extract" | "temperature" | "temp" | "tilt" | "battery" | "signal", unit) => {
            let unit = unit.unwrap_or("none");
            let detail = format!("{}: unit {unit} cannot be read for it", record.name);
            return Some(Err(Problem::new(ProblemKind::WrongUnit, detail)));
        }
        _ => return None,
    };
    Some(Ok(found))
}

/// Base fields carried from record to record.
#[derive(Default)]
struct Base {
    name: String,
    time: f64,
    unit: Option<String>,
    value: f64,
}

/// Resolves a pack (RFC 8428 section 4.6). Records that break the rules are left out and named.
pub fn resolve(root: &Value) -> (Vec<Record>, Vec<Problem>) {
    let Value::Array(items) = root else {
        let detail = "a SenML pack is a JSON array of records".to_string();
        return (
            Vec::new(),
            vec![Problem::new(ProblemKind::Unreadable, detail)],
        );
    };
    let mut base = Base::default();
    let mut records = Vec::new();
    let mut problems = Vec::new();
    for (i, item) in items.iter().enumerate() {
        match item.as_object() {
            None => problems.push(wrong(i, "", item, "is not a record")),
            Some(fields) => match record(i, fields, &mut base) {
                Ok(record) => records.push(record),
                Err(problem) => problems.push(problem),
            },
        }
    }
    (records, problems)
}

fn wrong(i: usize, field: &str, value: &Value, why: &str) -> Problem {
    let place = if field.is_empty() {
        format!("/{i}")
    } else {
        format!("/{i}/{field}")
    };
    Problem::new(
        ProblemKind::WrongType,
        format!("{place}: {} {why}", brief(value)),
    )
}

fn record(i: usize, fields: &Map<String, Value>, base: &mut Base) -> Result<Record, Problem> {
    let number = |field: &str| match fields.get(field) {
        None => Ok(None),
        Some(v) => v
            .as_f64()
            .map(Some)
            .ok_or_else(|| wrong(i, field, v, "is not a number")),
    };
    let text = |field: &str| match fields.get(field) {
        None => Ok(None),
        Some(Value::String(s)) => Ok(Some(s.as_str())),
        Some(v) => Err(wrong(i, field, v, "is not text")),
    };
    if let Some(version) = number("bver")?
        && version > VERSION
    {
        let detail = format!("/{i}/bver: SenML version {version} is newer than {VERSION}");
        return Err(Problem::new(ProblemKind::Unreadable, detail));
    }
    if let Some(field) = fields.keys().find(|k| k.ends_with('_')) {
        let detail = format!("/{i}/{field}: a field that must be understood and is not");
        return Err(Problem::new(ProblemKind::Unreadable, detail));
    }
    if let Some(name) = text("bn")? {
        base.name = name.to_string();
    }
    if let Some(time) = number("bt")? {
        base.time = time;
    }
    if let Some(unit) = text("bu")? {
        base.unit = Some(unit.to_string());
    }
    if let Some(value) = number("bv")? {
        base.value = value;
    }
    number("bs")?;
    let name = format!("{}{}", base.name, text("n")?.unwrap_or(""));
    if !valid_name(&name) {
        let shown = Value::String(name);
        return Err(wrong(
            i,
            "n",
            &shown,
            "is not a SenML name (letters, digits, - : . / _)",
        ));
    }
    let value = match number("v")? {
        Some(v) => Some(base.value + v),
        // A base value alone is the value of a record without one (section 4.1).
        None if fields.contains_key("bv") && !has_other_value(fields) => Some(base.value),
        None => None,
    };
    Ok(Record {
        name,
        unit: text("u")?.map(str::to_string).or_else(|| base.unit.clone()),
        time: base.time + number("t")?.unwrap_or(0.0),
        value,
    })
}

fn has_other_value(fields: &Map<String, Value>) -> bool {
    ["vs", "vb", "vd", "s"]
        .iter()
        .any(|f| fields.contains_key(*f))
}

/// Section 4.5.1.
fn valid_name(name: &str) -> bool {
    let allowed = |c: char| c.is_ascii_alphanumeric() || "-:./_".contains(c);
    name.starts_with(|c: char| c.is_ascii_alphanumeric()) && name.chars().all(allowed)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pack(text: &str) -> Vec<Record> {
        let (records, problems) = resolve(&serde_json::from_str(text).unwrap());
        assert_eq!(problems, vec![]);
        records
    }

    fn rec(name: &str, unit: &str, time: f64, value: f64) -> Record {
        Record {
            name: name.into(),
            unit: Some(unit.into()),
            time,
            value: Some(value),
        }
    }

    /// RFC 8428 section 5.1.1.
    #[test]
    fn single_data_point() {
        let records = pack(r#"[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]"#);
        assert_eq!(
            records,
            [rec("urn:dev:ow:10e2073a01080063", "Cel", 0.0, 23.1)]
        );
    }

    /// RFC 8428 section 5.1.2, both examples.
    #[test]
    fn multiple_data_points() {
        let records = pack(
            r#"[
            {"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
            {"n":"current","u":"A","v":1.2}
            ]"#,
        );
        assert_eq!(
            records,
            [
                rec("urn:dev:ow:10e2073a01080063:voltage", "V", 0.0, 120.1),
                rec("urn:dev:ow:10e2073a01080063:current", "A", 0.0, 1.2),
            ]
        );
        let records = pack(
            r#"[
            {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
             "bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
            {"n":"current","t":-5,"v":1.2},
            {"n":"current","t":-4,"v":1.3},
            {"n":"current","t":-3,"v":1.4},
            {"n":"current","t":-2,"v":1.5},
            {"n":"current","t":-1,"v":1.6},
            {"n":"current","v":1.7}
            ]"#,
        );
        let name = "urn:dev:ow:10e2073a0108006:current";
        assert_eq!(records.len(), 7);
        assert_eq!(
            records[0],
            rec(
                "urn:dev:ow:10e2073a0108006:voltage",
                "V",
                1.276020076001e9,
                120.1
            )
        );
        assert_eq!(records[1], rec(name, "A", 1.276020076001e9 - 5.0, 1.2));
        assert_eq!(records[6], rec(name, "A", 1.276020076001e9, 1.7));
    }

    /// RFC 8428 sections 5.1.3 and 5.1.4 (the same measurements, resolved).
    #[test]
    fn multiple_measurements() {
        let records = pack(
            r#"[
            {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
            {"u":"lon","v":24.30621},
            {"u":"lat","v":60.07965},
            {"t":60,"v":20.3},
            {"u":"lon","t":60,"v":24.30622},
            {"u":"lat","t":60,"v":60.07965},
            {"t":120,"v":20.7},
            {"u":"lon","t":120,"v":24.30623},
            {"u":"lat","t":120,"v":60.07966},
            {"u":"%EL","t":150,"v":98},
            {"t":180,"v":21.2},
            {"u":"lon","t":180,"v":24.30628},
            {"u":"lat","t":180,"v":60.07967}
            ]"#,
        );
        let name = "urn:dev:ow:10e2073a01080063";
        assert_eq!(records.len(), 13);
        assert_eq!(records[0], rec(name, "%RH", 1.320067464e9, 20.0));
        assert_eq!(records[1], rec(name, "lon", 1.320067464e9, 24.30621));
        assert_eq!(records[3], rec(name, "%RH", 1.320067524e9, 20.3));
        assert_eq!(records[9], rec(name, "%EL", 1.320067614e9, 98.0));
        assert_eq!(records[12], rec(name, "lat", 1.320067644e9, 60.07967));
    }

    /// RFC 8428 section 5.1.5: other data types stand beside a number.
    #[test]
    fn multiple_data_types() {
        let records = pack(
            r#"[
            {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
            {"n":"label","vs":"Machine Room"},
            {"n":"open","vb":false},
            {"n":"nfc-reader","vd":"aGkgCg"}
            ]"#,
        );
        let values: Vec<_> = records.iter().map(|r| r.value).collect();
        assert_eq!(values, [Some(23.1), None, None, None]);
    }

    /// RFC 8428 section 5.1.6: a base name that changes within the pack.
    #[test]
    fn collection_of_resources() {
        let records = pack(
            r#"[
            {"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},
            {"n":"humidity","u":"%RH","v":30},
            {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
            {"n":"humidity","u":"%RH","v":67}
            ]"#,
        );
        assert_eq!(
            records[0],
            rec("2001:db8::2/temperature", "Cel", 1.320078429e9, 25.2)
        );
        assert_eq!(
            records[3],
            rec("2001:db8::1/humidity", "%RH", 1.320078429e9, 67.0)
        );
    }

    #[test]
    fn rules_that_are_broken_are_named() {
        let check = |text: &str, want: &str| {
            let (records, problems) = resolve(&serde_json::from_str(text).unwrap());
            assert_eq!(records, vec![], "{text}");
            assert!(
                problems[0].detail.contains(want),
                "{text}: {}",
                problems[0].detail
            );
        };
        check(r#"{"n":"a","v":1}"#, "array");
        check(r#"[7]"#, "/0: 7 is not a record");
        check(r#"[{"n":"a","v":"1"}]"#, "/0/v: \"1\" is not a number");
        check(r#"[{"bver":11,"n":"a","v":1}]"#, "version 11");
        check(r#"[{"n":"a","v":1,"foo_":2}]"#, "/0/foo_");
        check(r#"[{"n":"-a","v":1}]"#, "not a SenML name");
        check(r#"[{"v":1}]"#, "not a SenML name");
    }

    #[test]
    fn base_value_is_added() {
        let records = pack(r#"[{"bn":"a:","bv":1,"n":"gravity","v":0.05},{"n":"b","v":-0.5}]"#);
        assert_eq!(records[0].value, Some(1.05));
        assert_eq!(records[1].value, Some(0.5));
    }
}
