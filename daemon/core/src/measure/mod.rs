//! Quantities as people write and read them: one place for units, ranges and decimals.
//!
//! A [`Measure`] belongs to a type of [`crate::units`]; page, command line and programs read
//! and show every quantity through it. The plain value of a quantity is always in
//! [`Measure::unit`].

mod number;
pub mod written;

pub use number::split;

use crate::units::Preferences;

/// What a quantity is called, the range it is believed in, and how it may be written.
#[derive(Debug)]
pub struct Measure {
    pub name: &'static str,
    /// Unit of the plain value.
    pub unit: &'static str,
    pub low: f64,
    pub high: f64,
    pub written: &'static Written,
}

/// The units a quantity may be written in.
#[derive(Debug)]
pub struct Written {
    pub units: &'static [Unit],
    /// Which of them is meant by a bare number.
    pub bare: fn(Preferences) -> usize,
    /// Which of them a value is shown in.
    pub shown: fn(f64, Preferences) -> usize,
}

#[derive(Debug)]
pub struct Unit {
    /// As shown.
    pub sign: &'static str,
    /// As typed, the way [`split`] leaves it: small letters, no blanks, no "°", no point.
    pub names: &'static [&'static str],
    /// Decimals it is shown with.
    pub places: usize,
    /// Without zeros at the end: what was rounded to whole ones is not shown as finer.
    pub trimmed: bool,
    pub scale: Scale,
}

/// From what is written to the plain value.
#[derive(Debug)]
pub enum Scale {
    Times(f64),
    By {
        to_plain: fn(f64) -> f64,
        from_plain: fn(f64) -> f64,
    },
}

impl Scale {
    pub fn to_plain(&self, written: f64) -> f64 {
        match self {
            Scale::Times(each) => written * each,
            Scale::By { to_plain, .. } => to_plain(written),
        }
    }

    pub fn from_plain(&self, plain: f64) -> f64 {
        match self {
            Scale::Times(each) => plain / each,
            Scale::By { from_plain, .. } => from_plain(plain),
        }
    }
}

impl Measure {
    /// The plain value of what was typed, with or without its unit.
    ///
    /// # Errors
    /// What is wrong with it, to follow the field's name; the range in the unit that was typed.
    pub fn read(&self, text: &str, p: Preferences) -> Result<f64, String> {
        let (number, typed) = split(text)?;
        let units = self.written.units;
        let unit = if typed.is_empty() {
            Some(&units[(self.written.bare)(p)])
        } else {
            // A bare "gal" is the maker's own gallon, so the preferred unit is asked first.
            let preferred = &units[(self.written.bare)(p)];
            std::iter::once(preferred)
                .chain(units)
                .find(|u| u.names.contains(&typed.as_str()))
        };
        let Some(unit) = unit else {
            let known: Vec<&str> = self.signs().collect();
            return Err(match known.as_slice() {
                [] => format!("\"{typed}\" is not a unit read here; write the number alone"),
                known => format!(
                    "\"{typed}\" is not a unit read here; write {}",
                    either(known)
                ),
            });
        };
        let plain = unit.scale.to_plain(number);
        if self.holds(plain) {
            return Ok(plain);
        }
        let [low, high] = [self.low, self.high].map(|v| plain_number(unit.scale.from_plain(v)));
        let sign = spaced(unit.sign);
        Err(format!(
            "{} {number} is outside {low} to {high}{sign}",
            self.name
        ))
    }

    /// Whether the plain value is in range; what is not a number is not.
    pub(crate) fn holds(&self, plain: f64) -> bool {
        plain >= self.low && plain <= self.high
    }

    /// The units it may be written in.
    pub fn signs(&self) -> impl Iterator<Item = &'static str> {
        let read = self.written.units.iter().filter(|u| !u.names.is_empty());
        read.map(|u| u.sign).filter(|sign| !sign.is_empty())
    }

    /// With its unit: "1.0524", "12.94 °P", "4.1 kg", "350 g".
    pub fn show(&self, plain: f64, p: Preferences) -> String {
        let unit = &self.written.units[(self.written.shown)(plain, p)];
        let sign = if unit.sign == "SG" { "" } else { unit.sign };
        format!("{}{}", unit.number(plain), spaced(sign))
    }

    /// The bare number a form field is filled with; read back as a bare number.
    pub fn field(&self, plain: f64, p: Preferences) -> String {
        let unit = &self.written.units[(self.written.bare)(p)];
        trim(&unit.number(plain))
    }

    /// The unit of a bare number, as it stands beside a field.
    pub fn sign(&self, p: Preferences) -> &'static str {
        self.written.units[(self.written.bare)(p)].sign
    }
}

impl Unit {
    fn number(&self, plain: f64) -> String {
        let places = self.places;
        let unit = 10f64.powi(i32::try_from(places).unwrap_or(0));
        // Adding zero turns -0.0 into 0.0, so that no "-0.0" is ever shown.
        let rounded = (self.scale.from_plain(plain) * unit).round() / unit + 0.0;
        let text = format!("{rounded:.places$}");
        if self.trimmed { trim(&text) } else { text }
    }
}

/// Without zeros at the end of its decimals.
fn trim(number: &str) -> String {
    if number.contains('.') {
        number
            .trim_end_matches('0')
            .trim_end_matches('.')
            .to_owned()
    } else {
        number.to_owned()
    }
}

/// A limit as it stands in a sentence: no more digits than it has.
pub(crate) fn plain_number(v: f64) -> String {
    ((v * 1e4).round() / 1e4 + 0.0).to_string()
}

/// A unit after its number; nothing where there is none.
pub(crate) fn spaced(unit: &str) -> String {
    match unit {
        "" => String::new(),
        "%" => "%".to_owned(),
        unit => format!(" {unit}"),
    }
}

/// "A", "A or B", "A, B or C".
fn either(all: &[&str]) -> String {
    match all {
        [] => String::new(),
        [one] => (*one).to_owned(),
        [first @ .., last] => format!("{} or {last}", first.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{
        Celsius, Gravity, GravityScale, Kilograms, Litres, Ph, Preferences, Quantity,
        TemperatureScale, VolumeScale,
    };

    fn read<Q: Quantity>(text: &str) -> Result<f64, String> {
        Q::MEASURE.read(text, Preferences::default())
    }

    #[test]
    fn as_people_write_it() {
        for (text, grams) in [("350 g", 350.0), ("0,35 kg", 350.0), ("0.35", 350.0)] {
            assert!(
                (read::<Kilograms>(text).unwrap() * 1000.0 - grams).abs() < 1e-9,
                "{text}"
            );
        }
        assert!((read::<Kilograms>("1 lb").unwrap() - 0.453_592_37).abs() < 1e-12);
        assert!((read::<Gravity>("1052").unwrap() - 1.052).abs() < 1e-12);
        assert!((read::<Gravity>("24 °Bx").unwrap() - 1.101).abs() < 1e-3);
        assert_eq!(read::<Celsius>("68 F").map(|t| t.round()), Ok(20.0));
    }

    #[test]
    fn nonsense_names_value_and_range() {
        assert_eq!(read::<Ph>("12").unwrap_err(), "pH 12 is outside 2.5 to 7");
        assert_eq!(
            read::<Celsius>("500 F").unwrap_err(),
            "temperature 500 is outside -4 to 212 °F"
        );
        assert_eq!(
            read::<Kilograms>("-1").unwrap_err(),
            "mass -1 is outside 0 to 100000 kg"
        );
        assert_eq!(
            read::<Litres>("3 cups").unwrap_err(),
            "\"cups\" is not a unit read here; write L, mL, hL, US gal or imp gal"
        );
    }

    /// What a field is filled with is read back as the same, in every preference.
    #[test]
    fn fields_read_back() {
        for gravity in [
            GravityScale::SpecificGravity,
            GravityScale::Plato,
            GravityScale::Brix,
        ] {
            for temperature in [TemperatureScale::Celsius, TemperatureScale::Fahrenheit] {
                for volume in [
                    VolumeScale::Litres,
                    VolumeScale::UsGallons,
                    VolumeScale::ImperialGallons,
                ] {
                    let p = Preferences {
                        gravity,
                        temperature,
                        volume,
                        ..Preferences::default()
                    };
                    let back = |m: &Measure, v: f64| m.read(&m.field(v, p), p).unwrap();
                    assert!((back(Gravity::MEASURE, 1.0524) - 1.0524).abs() < 1e-4);
                    assert!((back(Celsius::MEASURE, 18.5) - 18.5).abs() < 0.05);
                    assert!((back(Litres::MEASURE, 18.9) - 18.9).abs() < 0.05);
                }
            }
        }
    }
}
