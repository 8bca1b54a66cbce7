//! A line of the log in words, as page and command line say it.

use crate::deed::{Deed, Dose, HandFacts, What};
use crate::show;
use crate::units::Preferences;

/// "hand reading: 1.0526 (read 1.052 in a sample of 24.0 °C, hydrometer marked for 20.0 °C)",
/// "added, 1.0310 after it: scalded first [2.400 kg quince]".
pub fn in_words(deed: &Deed, hand: Option<&HandFacts>, p: Preferences) -> String {
    let mut words = deed.what.label().to_owned();
    match (hand, deed.gravity) {
        (Some(hand), Some(g)) => {
            words += &format!(
                ": {} (read {} in a sample of {}, hydrometer marked for {})",
                show::of(g, p),
                show::of(hand.read, p),
                show::of(hand.sample, p),
                show::of(hand.reference, p)
            );
        }
        (None, Some(g)) if deed.what == What::TestFerment => {
            words += &format!(": {} in the jar", show::of(g, p));
        }
        (None, Some(g)) => words += &format!(", {} after it", show::of(g, p)),
        (_, None) => {}
    }
    if let (None, Some(t)) = (hand, deed.temperature) {
        words += &format!(", at {}", show::of(t, p));
    }
    if let Some(ph) = deed.ph {
        words += &format!(", pH {}", show::of(ph, p));
    }
    if let Some(volume) = deed.volume {
        words += &format!(", {} in the vessel after it", show::volume(volume, p));
    }
    if !deed.note.is_empty() {
        words += &format!(": {}", deed.note);
    }
    let doses = deed.doses.iter().map(|d| dose(d, p));
    // A note written by a reckoning says them itself.
    let doses: Vec<String> = doses.filter(|d| !deed.note.contains(d)).collect();
    if !doses.is_empty() {
        words += &format!(" [{}]", doses.join(", "));
    }
    if !deed.despite.is_empty() {
        words += &format!(". Done all the same: {}", deed.despite);
    }
    words
}

/// "2.4 kg quince".
pub fn dose(dose: &Dose, p: Preferences) -> String {
    let mass = show::of(dose.mass, p);
    if dose.name.is_empty() {
        format!("{mass} {}", dose.of.label())
    } else {
        format!("{mass} {}", dose.name)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::deed::Substance;
    use crate::time::Moment;
    use crate::units::{Celsius, Gravity, Kilograms, Litres, Ph};

    #[test]
    fn a_line_says_all_it_has() {
        let quince = Dose {
            name: "quince".into(),
            ..Dose::of(Substance::Fruit, Kilograms::computed(2.4))
        };
        let deed = Deed {
            gravity: Some(Gravity::computed(1.031)),
            temperature: Some(Celsius::computed(18.0)),
            ph: Some(Ph::computed(3.6)),
            volume: Some(Litres::computed(9.5)),
            note: "scalded".into(),
            doses: vec![
                quince,
                Dose::of(Substance::Water, Kilograms::computed(0.25)),
            ],
            despite: "could not wait".into(),
            ..Deed::new(Moment(0), What::Addition)
        };
        assert_eq!(
            in_words(&deed, None, Preferences::USUAL),
            "added, 1.0310 after it, at 18.0 °C, pH 3.60, 9.5 L in the vessel after it: scalded \
             [2.400 kg quince, 250 g water]. Done all the same: could not wait"
        );
    }

    #[test]
    fn a_test_ferment_says_that_it_is_a_jar() {
        let deed = Deed {
            gravity: Some(Gravity::computed(0.996)),
            note: "clear of gas".into(),
            ..Deed::new(Moment(0), What::TestFerment)
        };
        assert_eq!(
            in_words(&deed, None, Preferences::USUAL),
            "test ferment: 0.9960 in the jar: clear of gas"
        );
    }

    #[test]
    fn a_hand_reading_says_what_it_was_made_of() {
        let hand = HandFacts {
            read: Gravity::computed(1.052),
            sample: Celsius::computed(24.0),
            reference: Celsius::computed(20.0),
        };
        let deed = Deed {
            gravity: Some(Gravity::computed(1.0526)),
            temperature: Some(hand.sample),
            ..Deed::new(Moment(0), What::HandReading)
        };
        assert_eq!(
            in_words(&deed, Some(&hand), Preferences::USUAL),
            "hand reading: 1.0526 (read 1.0520 in a sample of 24.0 °C, hydrometer marked for 20.0 °C)"
        );
    }
}
