//! Numbers and times as this visitor likes to read them.

use ebbmark_core::density;
use ebbmark_core::show;
use ebbmark_core::text::Style;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{
    Celsius, Gravity, GravityScale, LITRES_PER_IMPERIAL_GALLON, LITRES_PER_US_GALLON, Litres,
    TemperatureScale, VolumeScale,
};
use ebbmark_core::verdict::outcome::Range;

use crate::visitor::Visitor;

impl Visitor {
    /// How the core is to put numbers and times into its sentences.
    pub fn style(&self) -> Style<'_> {
        Style {
            units: self.prefs,
            zone: &self.zone,
        }
    }

    pub fn gravity(&self, g: Gravity) -> String {
        show::gravity(g, self.prefs)
    }

    /// A fall or rise of gravity, near the gravity it happened at.
    pub fn step(&self, sg: f64, near: Gravity) -> String {
        show::gravity_step(sg, near, self.prefs)
    }

    /// "0.0021 (0.0018 to 0.0024)".
    pub fn step_range(&self, r: Range<f64>, near: Gravity) -> String {
        let [mid, low, high] = [r.mid, r.low, r.high].map(|sg| self.step(sg, near));
        format!("{mid} ({low} to {high})")
    }

    pub fn temperature(&self, t: Celsius) -> String {
        show::temperature(t, self.prefs)
    }

    /// A difference of temperature, in the degrees this visitor reads.
    pub fn warmth(&self, by_kelvin: f64) -> String {
        show::temperature_step(by_kelvin, self.prefs)
    }

    pub fn volume(&self, v: Litres) -> String {
        show::volume(v, self.prefs)
    }

    pub fn day(&self, at: Moment) -> String {
        show::day(at, self.now, &self.zone)
    }

    pub fn day_and_time(&self, at: Moment) -> String {
        show::day_and_time(at, self.now, &self.zone)
    }

    /// "14:05" here.
    pub fn clock(&self, at: Moment) -> String {
        at.timestamp().map_or_else(String::new, |t| {
            self.zone.to_datetime(t).strftime("%H:%M").to_string()
        })
    }

    /// "12 minutes ago".
    pub fn ago(&self, at: Moment) -> String {
        let gone = self.now.since(at);
        if gone < Span::minutes(1) {
            "just now".to_owned()
        } else {
            format!("{} ago", show::span(gone))
        }
    }

    pub fn gravity_unit(&self) -> &'static str {
        match self.prefs.gravity {
            GravityScale::SpecificGravity => "SG",
            GravityScale::Plato => "°P",
            GravityScale::Brix => "°Bx",
        }
    }

    pub fn temperature_unit(&self) -> &'static str {
        match self.prefs.temperature {
            TemperatureScale::Celsius => "°C",
            TemperatureScale::Fahrenheit => "°F",
        }
    }

    pub fn volume_unit(&self) -> &'static str {
        match self.prefs.volume {
            VolumeScale::Litres => "L",
            VolumeScale::UsGallons => "US gal",
            VolumeScale::ImperialGallons => "imp gal",
        }
    }

    /// The bare number a form field is filled with, in this visitor's scale.
    pub fn gravity_field(&self, g: Gravity) -> String {
        match self.prefs.gravity {
            GravityScale::SpecificGravity => trimmed(g.get(), 4),
            GravityScale::Plato | GravityScale::Brix => {
                trimmed(density::plato_from_gravity(g).get(), 2)
            }
        }
    }

    pub fn temperature_field(&self, t: Celsius) -> String {
        match self.prefs.temperature {
            TemperatureScale::Celsius => trimmed(t.get(), 1),
            TemperatureScale::Fahrenheit => trimmed(t.fahrenheit(), 1),
        }
    }

    pub fn volume_field(&self, v: Litres) -> String {
        let each = match self.prefs.volume {
            VolumeScale::Litres => 1.0,
            VolumeScale::UsGallons => LITRES_PER_US_GALLON,
            VolumeScale::ImperialGallons => LITRES_PER_IMPERIAL_GALLON,
        };
        trimmed(v.get() / each, 2)
    }
}

/// The core speaks in clauses ("still falling; likely Fri 4 Dec"); on a page they stand alone.
pub(crate) fn as_sentence(clause: &str) -> String {
    let mut chars = clause.chars();
    let mut text: String = chars
        .next()
        .map(char::to_uppercase)
        .into_iter()
        .flatten()
        .collect();
    text.push_str(chars.as_str());
    if !text.is_empty() && !text.ends_with(['.', '!', '?']) {
        text.push('.');
    }
    text
}

/// At most `places` decimals, without zeros at the end beyond the first.
fn trimmed(value: f64, places: usize) -> String {
    let text = format!("{value:.places$}");
    let short = text.trim_end_matches('0').trim_end_matches('.');
    short.to_owned()
}
