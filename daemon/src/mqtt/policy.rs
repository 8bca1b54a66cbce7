//! What clients may publish to and subscribe to.

use ebbmark_core::topic::{self, ROOT, TopicFault};

use crate::mqtt::filter;

use super::intake::Limits;

/// # Errors
/// Says what is wrong with the topic.
pub fn check_topic(topic: &str, limits: &Limits) -> Result<(), TopicFault> {
    topic::check(topic, limits.topic_bytes, limits.topic_levels)
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FilterFault {
    #[error("the filter is not well formed")]
    Malformed,
    #[error("shared subscriptions are not offered")]
    Shared,
    #[error("only topics under {ROOT}/ can be subscribed to here")]
    NotOurs,
    #[error("too many subscriptions")]
    TooMany,
}

/// # Errors
/// Says why the filter is not served.
pub fn check_filter(wanted: &str, limits: &Limits) -> Result<(), FilterFault> {
    if wanted.starts_with("$share/") {
        return Err(FilterFault::Shared);
    }
    if !filter::well_formed(wanted) || wanted.len() > limits.topic_bytes.into() {
        return Err(FilterFault::Malformed);
    }
    // `#` or `+/a` would ask for what others publish; it is refused rather than narrowed, so
    // that nobody waits for messages that never come.
    if !topic::is_ours(wanted) {
        return Err(FilterFault::NotOurs);
    }
    Ok(())
}

/// A refused topic as it may be shown: cut to the limit, controls replaced.
pub fn shown(topic: &str, most_bytes: u16) -> String {
    let mut shown: String = topic
        .chars()
        .map(|c| if c.is_control() { '\u{fffd}' } else { c })
        .collect();
    if shown.len() > most_bytes.into() {
        shown.truncate(shown.floor_char_boundary(most_bytes.into()));
        shown.push('…');
    }
    shown
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn filters() {
        let limits = Limits::default();
        let check = |wanted: &str| check_filter(wanted, &limits);
        for good in ["ebbmark/#", "ebbmark/+/state", "ebbmark/a", "ebbmark"] {
            assert_eq!(check(good), Ok(()), "{good}");
        }
        for foreign in ["#", "+/a", "cellar/#", "$SYS/#", "+"] {
            assert_eq!(check(foreign), Err(FilterFault::NotOurs), "{foreign}");
        }
        assert_eq!(check("$share/g/ebbmark/#"), Err(FilterFault::Shared));
        assert_eq!(check("ebbmark/#/a"), Err(FilterFault::Malformed));
        assert_eq!(check(""), Err(FilterFault::Malformed));
    }
}
