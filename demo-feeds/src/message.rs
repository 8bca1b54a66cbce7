//! How each float of the invented cellar words its message. Every message says its own time, so
//! that simulated time is honoured. The field names are invented.

use ebbmark_core::density::plato_from_gravity;
use ebbmark_core::feed::{FeedMap, Format, Pick, Quantity};
use ebbmark_core::time::Moment;
use ebbmark_core::units::Gravity;
use serde_json::{Value, json};

use crate::float::Sensed;

/// A float's way of speaking.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Wording {
    /// RFC 8428 with plain record names: needs no picks.
    Senml { device: &'static str },
    /// RFC 8428 with extract in °P under a name of its own.
    SenmlPlato { device: &'static str },
    /// Nested JSON, RFC 3339 time.
    Nested,
    /// Flat JSON with the angle the float leans at, Unix milliseconds.
    Tilt,
}

/// Gravity from the angle in degrees, for [`Wording::Tilt`]: rises over 0 to 90°.
const TILT: [f64; 3] = [0.970, 0.0008, 0.000_012];

impl Wording {
    /// The map the maker would have made when claiming the topic.
    pub fn map(self) -> FeedMap {
        let pick = |from: &str, quantity| Pick {
            from: from.to_owned(),
            quantity,
        };
        let format = match self {
            Wording::Senml { .. } => Format::Senml { picks: Vec::new() },
            Wording::SenmlPlato { device } => Format::Senml {
                picks: vec![
                    pick(&format!("{device}extract"), Quantity::GravityPlato),
                    pick(
                        &format!("{device}temperature"),
                        Quantity::TemperatureCelsius,
                    ),
                    pick(&format!("{device}battery"), Quantity::BatteryPercent),
                ],
            },
            Wording::Nested => Format::Json {
                picks: vec![
                    pick("/seen/when", Quantity::Time),
                    pick("/must/weight", Quantity::GravitySg),
                    pick("/must/warmth", Quantity::TemperatureCelsius),
                    pick("/self/cell", Quantity::BatteryPercent),
                    pick("/self/radio", Quantity::SignalDbm),
                ],
            },
            Wording::Tilt => Format::Json {
                picks: vec![
                    pick("/t", Quantity::Time),
                    pick("/lean", Quantity::TiltDegrees),
                    pick("/warm", Quantity::TemperatureCelsius),
                    pick("/cell", Quantity::BatteryVolts),
                ],
            },
        };
        FeedMap {
            format,
            tilt_polynomial: match self {
                Wording::Tilt => TILT.to_vec(),
                _ => Vec::new(),
            },
        }
    }

    pub fn payload(self, at: Moment, sensed: &Sensed) -> Vec<u8> {
        let value = match self {
            Wording::Senml { device } => json!([
                {"bn": device, "bt": seconds(at), "n": "gravity", "v": decimals(sensed.gravity, 4)},
                {"n": "temperature", "u": "Cel", "v": decimals(sensed.temperature, 2)},
                {"n": "battery", "u": "%EL", "v": sensed.battery_percent},
            ]),
            Wording::SenmlPlato { device } => {
                let plato = plato_from_gravity(Gravity::computed(sensed.gravity)).get();
                json!([
                    {"bn": device, "bt": seconds(at), "n": "extract", "v": decimals(plato, 2)},
                    {"n": "temperature", "u": "Cel", "v": decimals(sensed.temperature, 2)},
                    {"n": "battery", "u": "%EL", "v": sensed.battery_percent},
                ])
            }
            Wording::Nested => json!({
                "seen": {"when": at.to_rfc3339()},
                "must": {
                    "weight": decimals(sensed.gravity, 4),
                    "warmth": decimals(sensed.temperature, 1),
                },
                "self": {"cell": sensed.battery_percent, "radio": sensed.signal_dbm},
            }),
            Wording::Tilt => json!({
                "t": at.0,
                "lean": decimals(lean(sensed.gravity), 2),
                "warm": decimals(sensed.temperature, 1),
                // A lithium cell's 3.2 V when empty to 4.2 V when full.
                "cell": decimals(3.2 + sensed.battery_percent / 100.0, 2),
            }),
        };
        value.to_string().into_bytes()
    }
}

/// The angle at which the float shows this gravity: the rising root of [`TILT`].
fn lean(gravity: f64) -> f64 {
    let [c, b, a] = TILT;
    ((b * b - 4.0 * a * (c - gravity)).max(0.0).sqrt() - b) / (2.0 * a)
}

/// SenML times are in seconds; whole when they can be.
fn seconds(at: Moment) -> Value {
    if at.0 % 1000 == 0 {
        json!(at.0 / 1000)
    } else {
        json!(at.0 as f64 / 1000.0)
    }
}

fn decimals(value: f64, places: i32) -> f64 {
    let scale = 10f64.powi(places);
    (value * scale).round() / scale
}

#[cfg(test)]
mod tests {
    use super::*;

    const SENSED: Sensed = Sensed {
        gravity: 1.05231,
        temperature: 18.4375,
        battery_percent: 83.0,
        signal_dbm: -71.0,
    };

    fn parsed(wording: Wording) -> Value {
        serde_json::from_slice(&wording.payload(Moment(1_767_225_600_000), &SENSED)).unwrap()
    }

    #[test]
    fn senml_is_senml() {
        let v = parsed(Wording::Senml { device: "loft:" });
        assert_eq!(v[0]["bn"], "loft:");
        assert_eq!(v[0]["bt"], 1_767_225_600);
        assert_eq!(v[0]["v"], 1.0523);
        assert_eq!(v[1]["u"], "Cel");
    }

    #[test]
    fn every_pointer_of_a_map_is_in_its_message() {
        for wording in [Wording::Nested, Wording::Tilt] {
            let v = parsed(wording);
            let Format::Json { picks } = wording.map().format else {
                panic!("JSON expected");
            };
            for pick in picks {
                assert!(v.pointer(&pick.from).is_some(), "{}", pick.from);
            }
        }
        let plato = Wording::SenmlPlato { device: "stair/" };
        let v = parsed(plato);
        let Format::Senml { picks } = plato.map().format else {
            panic!("SenML expected");
        };
        for pick in picks {
            let names = v.as_array().unwrap().iter();
            assert_eq!(
                names
                    .filter(|r| format!("stair/{}", r["n"].as_str().unwrap()) == pick.from)
                    .count(),
                1
            );
        }
    }

    #[test]
    fn the_lean_gives_the_gravity_back() {
        for gravity in [0.985, 1.0, 1.05, 1.12] {
            let a = lean(gravity);
            assert!((0.0..90.0).contains(&a), "{a}");
            let back = TILT[0] + TILT[1] * a + TILT[2] * a * a;
            assert!((back - gravity).abs() < 1e-12);
        }
    }
}
