//! The fields of every reckoning, as they come from a form, a program or the command line.

use ebbmark_core::reckon::{ALL, Asked, Asker, Known, Refusal, reckon};
use ebbmark_core::text::Style;
use ebbmark_core::units::Preferences;
use jiff::tz::TimeZone;

use crate::NOW;

/// The first byte says which reckoning; each line after it is `field=text`.
pub fn run(data: &[u8]) {
    let Some((which, data)) = data.split_first() else {
        return;
    };
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    let reckoning = ALL[usize::from(*which) % ALL.len()];
    let asker = Asker {
        now: NOW,
        style: Style {
            units: Preferences::USUAL,
            zone: &TimeZone::UTC,
        },
    };
    let pairs = text
        .lines()
        .filter_map(|line| line.split_once('='))
        .map(|(field, value)| (field.to_owned(), value.to_owned()));
    let asked = Asked::new(pairs);
    // Where something is not asked for it is said, never left out.
    let _ = asked.stranger(reckoning.fields);
    match reckon(reckoning, &asked, "", &Known::default(), &asker) {
        Ok(told) => {
            assert!(!told.sentence.is_empty());
            for result in &told.results {
                for number in [result.value, result.low, result.high]
                    .into_iter()
                    .flatten()
                {
                    assert!(number.is_finite(), "{} of {}", result.key, reckoning.key);
                }
            }
            for cell in told.tables.iter().flat_map(|t| t.rows.iter().flatten()) {
                assert!(cell.value.is_none_or(f64::is_finite), "{}", reckoning.key);
            }
            serde_json::to_string(&told).expect("an answer is written as JSON");
        }
        Err(Refusal::Fields(complaints)) => {
            assert!(complaints.iter().count() > 0);
            assert!(complaints.iter().all(|c| !c.say.is_empty()));
        }
        Err(Refusal::Shut { .. }) => panic!("no gate is known here"),
    }
}
