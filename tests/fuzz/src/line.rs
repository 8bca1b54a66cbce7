//! Lines of the log that come as a message.

use ebbmark_core::decode::line::{Line, read, vessel_of};
use ebbmark_core::time::Span;
use ebbmark_core::topic;
use ebbmark_core::words::{LONGEST_NAME, LONGEST_NOTE};

use crate::{NOW, first_line};

/// The first byte says whether it was retained; the first line is the topic, the rest the payload.
pub fn run(data: &[u8]) {
    let Some((how, data)) = data.split_first() else {
        return;
    };
    let (name, payload) = first_line(data);
    if let Ok(name) = std::str::from_utf8(name)
        && topic::check(name, topic::LONGEST, topic::DEEPEST).is_ok()
    {
        assert!(!topic::is_ours(name) && name.len() <= usize::from(topic::LONGEST));
        assert!(vessel_of(name).is_none_or(|vessel| !vessel.is_empty() && !vessel.contains('/')));
    }
    let retained = how & 1 != 0;
    // Without a clock it waits or is refused, and is never dated.
    assert!(!matches!(read(payload, None, retained), Ok(Some(_))));
    match read(payload, Some(NOW), retained) {
        Err(problem) => assert!(!problem.detail.is_empty()),
        Ok(None) => panic!("it waits for a clock that is there"),
        Ok(Some(Line::Hand(hand))) => {
            assert!(hand.at <= NOW + Span::days(1));
            assert!(hand.note.chars().count() <= LONGEST_NOTE);
        }
        Ok(Some(Line::Deed(deed, _))) => {
            assert!(deed.at <= NOW + Span::days(1));
            assert!(deed.note.chars().count() <= LONGEST_NOTE);
            assert!(deed.doses.len() <= 20);
            for dose in &deed.doses {
                assert!(
                    dose.mass.get().is_finite() && dose.mass.get() >= 0.0,
                    "{dose:?}"
                );
                assert!(dose.name.chars().count() <= LONGEST_NAME);
            }
            // It is kept as JSON.
            let text = serde_json::to_string(&deed).expect("a deed is written as JSON");
            let again: ebbmark_core::deed::Deed =
                serde_json::from_str(&text).expect("what was written is read");
            assert_eq!(again, *deed);
        }
    }
}
