//! Numbers and times as this visitor likes to read them.

use ebbmark_core::show;
use ebbmark_core::text::Style;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{
    AbvPercent, Celsius, Gravity, GravityScale, Kilograms, Litres, Ph, Quantity,
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

    /// How much a gravity falls a day, of a number in this visitor's scale: "0.0042", "1.05 °P".
    pub fn a_day(&self, shown: f64) -> String {
        // A little below nought is no "-0.0000".
        let text = |places: usize| format!("{shown:.places$}");
        let plain = |text: String| match text.trim_start_matches('-').trim_matches(['0', '.']) {
            "" => text.trim_start_matches('-').to_owned(),
            _ => text,
        };
        match self.prefs.gravity {
            GravityScale::SpecificGravity => plain(text(4)),
            GravityScale::Plato | GravityScale::Brix => {
                format!("{} {}", plain(text(2)), self.gravity_unit())
            }
        }
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

    pub fn mass(&self, m: Kilograms) -> String {
        Kilograms::MEASURE.show(m.get(), self.prefs)
    }

    pub fn strength(&self, s: AbvPercent) -> String {
        AbvPercent::MEASURE.show(s.get(), self.prefs)
    }

    pub fn ph(&self, ph: Ph) -> String {
        Ph::MEASURE.show(ph.get(), self.prefs)
    }

    pub fn day(&self, at: Moment) -> String {
        show::day(at, self.now, &self.zone)
    }

    pub fn day_and_time(&self, at: Moment) -> String {
        show::day_and_time(at, self.now, &self.zone)
    }

    /// "1 Mar 2026": for what is read years later.
    pub fn date(&self, at: Moment) -> String {
        at.timestamp().map_or_else(String::new, |t| {
            self.zone.to_datetime(t).strftime("%-d %b %Y").to_string()
        })
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
        Gravity::MEASURE.sign(self.prefs)
    }

    pub fn temperature_unit(&self) -> &'static str {
        Celsius::MEASURE.sign(self.prefs)
    }

    pub fn volume_unit(&self) -> &'static str {
        Litres::MEASURE.sign(self.prefs)
    }

    /// The bare number a form field is filled with, in this visitor's scale.
    pub fn gravity_field(&self, g: Gravity) -> String {
        Gravity::MEASURE.field(g.get(), self.prefs)
    }

    pub fn temperature_field(&self, t: Celsius) -> String {
        Celsius::MEASURE.field(t.get(), self.prefs)
    }

    pub fn mass_unit(&self) -> &'static str {
        Kilograms::MEASURE.sign(self.prefs)
    }

    pub fn mass_field(&self, m: Kilograms) -> String {
        Kilograms::MEASURE.field(m.get(), self.prefs)
    }

    pub fn volume_field(&self, v: Litres) -> String {
        Litres::MEASURE.field(v.get(), self.prefs)
    }
}

/// The core speaks in clauses ("still falling; likely Fri 4 Dec"); on a page they stand alone.
pub(crate) fn as_sentence(clause: &str) -> String {
    let mut text = as_heading(clause);
    if !text.is_empty() && !text.ends_with(['.', '!', '?']) {
        text.push('.');
    }
    text
}

/// With a capital letter; "pH" keeps its own way of beginning.
pub(crate) fn as_heading(words: &str) -> String {
    let mut chars = words.chars();
    if chars.clone().nth(1).is_some_and(char::is_uppercase) {
        return words.to_owned();
    }
    let first = chars.next().map(char::to_uppercase).into_iter().flatten();
    first.chain(chars).collect()
}

#[cfg(test)]
mod tests {
    use ebbmark_core::units::Preferences;
    use jiff::tz::TimeZone;

    use super::*;

    #[test]
    fn a_fall_a_day_in_either_scale() {
        let mut visitor = Visitor::away(Moment(0), TimeZone::UTC, Preferences::default());
        let shown: Vec<String> = [0.004_21, -0.000_04, -0.0012, 0.01]
            .map(|by| visitor.a_day(by))
            .to_vec();
        assert_eq!(shown, ["0.0042", "0.0000", "-0.0012", "0.0100"]);
        visitor.prefs.gravity = GravityScale::Plato;
        assert_eq!(visitor.a_day(1.046), "1.05 °P");
        assert_eq!(visitor.a_day(-0.001), "0.00 °P");
    }
}
