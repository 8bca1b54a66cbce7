//! Takes the fields of one form as quantities, gathering everything that is wrong with it.

use ebbmark_core::deed::{self, EARLIEST};
use ebbmark_core::time::{Moment, read_local};
use ebbmark_core::units::{AbvPercent, Celsius, Gravity, Litres, Quantity};
use ebbmark_core::words::{self, LONGEST_NAME, LONGEST_NOTE};
use jiff::tz::TimeZone;

use super::{Complaint, Fields};
use crate::visitor::Visitor;

pub(crate) struct Take<'a> {
    fields: &'a Fields,
    visitor: &'a Visitor,
    complaints: Vec<Complaint>,
}

impl<'a> Take<'a> {
    pub fn new(fields: &'a Fields, visitor: &'a Visitor) -> Take<'a> {
        Take {
            fields,
            visitor,
            complaints: Vec::new(),
        }
    }

    /// The form's content, unless something was wrong on the way.
    pub fn finish<T>(self, content: Option<T>) -> Result<T, Vec<Complaint>> {
        match content {
            Some(content) if self.complaints.is_empty() => Ok(content),
            _ => Err(self.complaints),
        }
    }

    pub fn complain(&mut self, field: &str, say: impl Into<String>) {
        self.complaints.push(Complaint {
            field: field.to_owned(),
            say: say.into(),
        });
    }

    /// `None` with a complaint when the field is empty.
    pub fn need<T>(
        &mut self,
        field: &str,
        label: &str,
        take: impl FnOnce(&mut Self, &str, &str) -> Option<T>,
    ) -> Option<T> {
        if self.fields.get(field).is_empty() {
            self.complain(field, format!("{label}: this is needed"));
            return None;
        }
        take(self, field, label)
    }

    pub fn gravity(&mut self, field: &str, label: &str) -> Option<Gravity> {
        self.quantity(field, label)
    }

    pub fn temperature(&mut self, field: &str, label: &str) -> Option<Celsius> {
        self.quantity(field, label)
    }

    pub fn volume(&mut self, field: &str, label: &str) -> Option<Litres> {
        let volume: Litres = self.quantity(field, label)?;
        if volume.get() <= 0.0 {
            self.complain(field, format!("{label}: volume 0 must be above nothing"));
            return None;
        }
        Some(volume)
    }

    pub fn strength(&mut self, field: &str, label: &str) -> Option<AbvPercent> {
        self.quantity(field, label)
    }

    /// `None` when the field is empty, or with a complaint.
    pub fn quantity<Q: Quantity>(&mut self, field: &str, label: &str) -> Option<Q> {
        let text = self.fields.get(field);
        if text.is_empty() {
            return None;
        }
        let read = Q::MEASURE
            .read(text, self.visitor.prefs)
            .and_then(|value| Q::new(value).map_err(|e| e.to_string()));
        match read {
            Ok(quantity) => Some(quantity),
            Err(why) => {
                self.complain(field, format!("{label}: {why}"));
                None
            }
        }
    }

    /// A whole number; `None` when the field is empty, or with a complaint.
    pub fn count(
        &mut self,
        field: &str,
        label: &str,
        range: std::ops::RangeInclusive<u16>,
    ) -> Option<u16> {
        let text = self.fields.get(field);
        if text.is_empty() {
            return None;
        }
        let read = text.parse().ok().filter(|n| range.contains(n));
        if read.is_none() {
            let (low, high) = range.into_inner();
            self.complain(
                field,
                format!("{label}: \"{text}\" is not a whole number from {low} to {high}"),
            );
        }
        read
    }

    /// Plain numbers in order, separated by blanks or semicolons; none when the field is empty.
    pub fn numbers(&mut self, field: &str, label: &str, most: usize) -> Vec<f64> {
        let text = self.fields.get(field);
        let mut numbers = Vec::new();
        for part in text
            .split([' ', ';', '\t', '\n', '\r'])
            .filter(|p| !p.is_empty())
        {
            // Not as a measure: coefficients come as 1.2e-5.
            match part.replace(',', ".").parse::<f64>() {
                Ok(n) if n.is_finite() => numbers.push(n),
                _ => {
                    self.complain(field, format!("{label}: \"{part}\" is not a number"));
                    return Vec::new();
                }
            }
        }
        if numbers.len() > most {
            self.complain(field, format!("{label}: at most {most} numbers"));
        }
        numbers
    }

    /// When something was done; empty means now.
    pub fn when(&mut self, field: &str, label: &str) -> Option<Moment> {
        let text = self.fields.get(field);
        if text.is_empty() {
            return Some(self.visitor.now);
        }
        match read_when(text, &self.visitor.zone, self.visitor.now) {
            Ok(at) => Some(at),
            Err(why) => {
                self.complain(field, format!("{label}: {why}"));
                None
            }
        }
    }

    /// The beginning of a day; empty means today's.
    pub fn day(&mut self, field: &str, label: &str) -> Option<Moment> {
        let text = self.fields.get(field);
        let day = if text.is_empty() {
            let now = local_text(self.visitor.now, &self.visitor.zone);
            now.split('T').next().unwrap_or_default().to_owned()
        } else {
            text.to_owned()
        };
        match read_local(&day, &self.visitor.zone) {
            Ok(at) if at >= EARLIEST => Some(at),
            Ok(_) => {
                self.complain(
                    field,
                    format!("{label}: \"{text}\" is before the year 2000"),
                );
                None
            }
            Err(_) => {
                self.complain(
                    field,
                    format!("{label}: \"{text}\" is not a day like 2026-03-01"),
                );
                None
            }
        }
    }

    pub fn name(&mut self, field: &str, label: &str) -> Option<String> {
        self.need(field, label, |take, field, label| {
            take.text(field, label, LONGEST_NAME)
        })
    }

    /// A line that may be empty.
    pub fn line(&mut self, field: &str, label: &str) -> Option<String> {
        self.text(field, label, LONGEST_NAME)
    }

    pub fn note(&mut self, field: &str, label: &str) -> Option<String> {
        self.text(field, label, LONGEST_NOTE)
    }

    fn text(&mut self, field: &str, label: &str, most: usize) -> Option<String> {
        match words::kept(self.fields.get(field), most) {
            Ok(text) => Some(text),
            Err(why) => {
                self.complain(field, format!("{label}: {why}"));
                None
            }
        }
    }

    /// One of a list of choices.
    pub fn choice<T>(
        &mut self,
        field: &str,
        label: &str,
        from_key: impl FnOnce(&str) -> Option<T>,
    ) -> Option<T> {
        let chosen = from_key(self.fields.get(field));
        if chosen.is_none() {
            self.complain(field, format!("{label}: choose one of the list"));
        }
        chosen
    }
}

fn read_when(text: &str, zone: &TimeZone, now: Moment) -> Result<Moment, String> {
    let at = read_local(text, zone)?;
    deed::dated(at, now).map_err(|why| format!("\"{text}\" {why}"))?;
    Ok(at.min(now))
}

/// An instant as a date-and-time field takes it, in local time.
pub(crate) fn local_text(at: Moment, zone: &TimeZone) -> String {
    ebbmark_core::time::local_text(at, zone).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use ebbmark_core::density;
    use ebbmark_core::units::{GravityScale, Plato, Preferences, TemperatureScale, VolumeScale};

    use super::*;
    use crate::visitor::Standing;

    fn visitor(gravity: GravityScale, temperature: TemperatureScale) -> Visitor {
        Visitor {
            standing: Standing::Unlocked,
            prefs: Preferences {
                gravity,
                temperature,
                volume: VolumeScale::UsGallons,
                ..Preferences::default()
            },
            zone: TimeZone::get("Europe/Warsaw").unwrap(),
            now: Moment::parse_rfc3339("2026-03-01T12:00:00Z").unwrap(),
            told: 0,
            starting: false,
            path: "/".to_owned(),
        }
    }

    fn metric() -> Visitor {
        visitor(GravityScale::SpecificGravity, TemperatureScale::Celsius)
    }

    fn fields(pairs: &[(&str, &str)]) -> Fields {
        Fields::new(
            pairs
                .iter()
                .map(|(k, v)| ((*k).to_owned(), (*v).to_owned()))
                .collect(),
        )
    }

    #[test]
    fn gravity_as_people_write_it() {
        for text in ["1.052", "1,052", " 1.052 SG ", "1052"] {
            let (v, f) = (metric(), fields(&[("g", text)]));
            let g = Take::new(&f, &v).gravity("g", "Gravity").unwrap();
            assert!((g.get() - 1.052).abs() < 1e-12, "{text}");
        }
        let (v, f) = (
            visitor(GravityScale::Plato, TemperatureScale::Celsius),
            fields(&[("g", "12,9")]),
        );
        let g = Take::new(&f, &v).gravity("g", "Gravity").unwrap();
        let expected = density::gravity_from_plato(Plato::new(12.9).unwrap()).unwrap();
        assert!((g.get() - expected.get()).abs() < 1e-12);
    }

    #[test]
    fn temperature_follows_the_scale_unless_a_unit_is_typed() {
        let v = visitor(GravityScale::SpecificGravity, TemperatureScale::Fahrenheit);
        for (text, celsius) in [("68", 20.0), ("20 °C", 20.0), ("68F", 20.0)] {
            let f = fields(&[("t", text)]);
            let t = Take::new(&f, &v).temperature("t", "Sample").unwrap();
            assert!((t.get() - celsius).abs() < 1e-9, "{text}");
        }
    }

    #[test]
    fn nonsense_names_the_field_and_the_range() {
        let v = metric();
        let f = fields(&[
            ("g", "7"),
            ("t", "500"),
            ("v", "-3"),
            ("s", "14 proof"),
            ("e", ""),
        ]);
        let mut take = Take::new(&f, &v);
        take.gravity("g", "Gravity as read");
        take.temperature("t", "Temperature of the sample");
        take.volume("v", "Volume");
        take.strength("s", "Tolerance");
        take.need("e", "Original gravity", Take::gravity);
        let complaints = take.finish(Some(())).unwrap_err();
        let said: Vec<&str> = complaints.iter().map(|c| c.say.as_str()).collect();
        assert_eq!(
            said,
            [
                "Gravity as read: gravity 7 is outside 0.95 to 1.25 SG",
                "Temperature of the sample: temperature 500 is outside -20 to 100 °C",
                "Volume: volume -3 is outside 0 to 26417.2052 US gal",
                "Tolerance: \"proof\" is not a unit read here; write % vol",
                "Original gravity: this is needed",
            ]
        );
        assert_eq!(complaints[0].field, "g");
    }

    #[test]
    fn gallons_are_the_makers_gallons() {
        let v = metric();
        let f = fields(&[("a", "5 gal"), ("b", "5 imp gal"), ("c", "18,9 l")]);
        let mut take = Take::new(&f, &v);
        let litres = ["a", "b", "c"].map(|n| take.volume(n, "Volume").unwrap().get());
        assert!((litres[0] - 18.927_058_92).abs() < 1e-9);
        assert!((litres[1] - 22.730_45).abs() < 1e-9);
        assert!((litres[2] - 18.9).abs() < 1e-12);
    }

    #[test]
    fn times_are_local_and_not_in_the_future() {
        let v = metric();
        let zone = v.zone.clone();
        // Warsaw is one hour ahead of UTC in winter.
        let at = read_when("2026-02-28T06:30", &zone, v.now).unwrap();
        assert_eq!(at.to_rfc3339(), "2026-02-28T05:30:00Z");
        assert_eq!(local_text(at, &zone), "2026-02-28T06:30");
        assert!(
            read_when("2026-03-02T06:30", &zone, v.now)
                .unwrap_err()
                .contains("still to come")
        );
        assert!(
            read_when("0026-03-02T06:30", &zone, v.now)
                .unwrap_err()
                .contains("2000")
        );
        assert!(read_when("yesterday", &zone, v.now).is_err());
        let f = fields(&[]);
        assert_eq!(Take::new(&f, &v).when("at", "When"), Some(v.now));
    }

    #[test]
    fn coefficients() {
        let v = metric();
        let f = fields(&[("p", "0,98 1.2e-3; -4e-6"), ("q", "1 two")]);
        let mut take = Take::new(&f, &v);
        assert_eq!(take.numbers("p", "Curve", 6), [0.98, 1.2e-3, -4e-6]);
        assert!(take.numbers("q", "Curve", 6).is_empty());
        let complaints = take.finish(Some(())).unwrap_err();
        assert_eq!(complaints[0].say, "Curve: \"two\" is not a number");
    }
}
