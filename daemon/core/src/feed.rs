//! How one feed's messages are to be read. Chosen by the maker on the page (claiming a topic),
//! kept in the store as JSON; the format here is what `decode` follows.

use serde::{Deserialize, Serialize};

/// The map from a message to a reading.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct FeedMap {
    pub format: Format,
    /// Gravity from tilt: `SG = c0 + c1·a + c2·a² + …`, `a` in degrees. Empty: tilt is kept, not converted.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub tilt_polynomial: Vec<f64>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum Format {
    /// RFC 8428 SenML JSON. Which record is what follows from the last part of its resolved
    /// name (`gravity`, `temperature`, `tilt`, `battery`, `signal`) and its unit; `picks` may name others.
    Senml {
        #[serde(default)]
        picks: Vec<Pick>,
    },
    /// Any other JSON: each pick is an RFC 6901 pointer.
    Json { picks: Vec<Pick> },
    /// The payload is one number.
    Number { quantity: Quantity },
}

/// One value to take out of a message.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Pick {
    /// RFC 6901 JSON Pointer (`Json`), or the resolved record name (`Senml`).
    pub from: String,
    pub quantity: Quantity,
}

/// What a number means, with its unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quantity {
    GravitySg,
    GravityPlato,
    GravityBrix,
    /// kg/m³ at 20 °C.
    GravityDensity,
    TiltDegrees,
    TiltRadians,
    TemperatureCelsius,
    TemperatureKelvin,
    TemperatureFahrenheit,
    BatteryVolts,
    BatteryPercent,
    SignalDbm,
    SignalPercent,
    /// When: RFC 3339 text, or Unix time as a number (see `decode::time` for seconds or milliseconds).
    Time,
}

impl Quantity {
    pub const ALL: [Quantity; 14] = [
        Quantity::GravitySg,
        Quantity::GravityPlato,
        Quantity::GravityBrix,
        Quantity::GravityDensity,
        Quantity::TiltDegrees,
        Quantity::TiltRadians,
        Quantity::TemperatureCelsius,
        Quantity::TemperatureKelvin,
        Quantity::TemperatureFahrenheit,
        Quantity::BatteryVolts,
        Quantity::BatteryPercent,
        Quantity::SignalDbm,
        Quantity::SignalPercent,
        Quantity::Time,
    ];

    /// What the maker picks from on the claim form.
    pub fn label(self) -> &'static str {
        match self {
            Quantity::GravitySg => "gravity, SG",
            Quantity::GravityPlato => "gravity, °Plato",
            Quantity::GravityBrix => "gravity, °Brix",
            Quantity::GravityDensity => "gravity, kg/m³",
            Quantity::TiltDegrees => "tilt, degrees",
            Quantity::TiltRadians => "tilt, radians",
            Quantity::TemperatureCelsius => "temperature, °C",
            Quantity::TemperatureKelvin => "temperature, K",
            Quantity::TemperatureFahrenheit => "temperature, °F",
            Quantity::BatteryVolts => "battery, V",
            Quantity::BatteryPercent => "battery, %",
            Quantity::SignalDbm => "signal, dBm",
            Quantity::SignalPercent => "signal, %",
            Quantity::Time => "time",
        }
    }

    /// The name used in JSON, forms and the database.
    pub fn key(self) -> &'static str {
        match self {
            Quantity::GravitySg => "gravity-sg",
            Quantity::GravityPlato => "gravity-plato",
            Quantity::GravityBrix => "gravity-brix",
            Quantity::GravityDensity => "gravity-density",
            Quantity::TiltDegrees => "tilt-degrees",
            Quantity::TiltRadians => "tilt-radians",
            Quantity::TemperatureCelsius => "temperature-celsius",
            Quantity::TemperatureKelvin => "temperature-kelvin",
            Quantity::TemperatureFahrenheit => "temperature-fahrenheit",
            Quantity::BatteryVolts => "battery-volts",
            Quantity::BatteryPercent => "battery-percent",
            Quantity::SignalDbm => "signal-dbm",
            Quantity::SignalPercent => "signal-percent",
            Quantity::Time => "time",
        }
    }

    pub fn from_key(key: &str) -> Option<Quantity> {
        Quantity::ALL.into_iter().find(|q| q.key() == key)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_match_the_json_names() {
        for q in Quantity::ALL {
            assert_eq!(serde_json::to_value(q).unwrap(), q.key());
            assert_eq!(Quantity::from_key(q.key()), Some(q));
        }
    }
}
