//! What clients may publish to and subscribe to.

use crate::mqtt::filter;
use crate::mqtt::outgoing::{self, ROOT};

use super::intake::Limits;

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TopicFault {
    #[error("the topic is empty")]
    Empty,
    #[error("the topic has {0} bytes, at most {1} are taken")]
    TooLong(usize, u16),
    #[error("the topic has {0} levels, at most {1} are taken")]
    TooDeep(usize, u16),
    #[error("the topic contains a wildcard")]
    Wildcard,
    #[error("the topic contains a NUL character")]
    Nul,
    #[error("topics beginning with $ belong to the server")]
    Dollar,
    #[error("topics under {ROOT}/ are the daemon's own")]
    Ours,
}

/// # Errors
/// Says what is wrong with the topic.
pub fn check_topic(topic: &str, limits: &Limits) -> Result<(), TopicFault> {
    if topic.is_empty() {
        return Err(TopicFault::Empty);
    }
    if topic.len() > limits.topic_bytes.into() {
        return Err(TopicFault::TooLong(topic.len(), limits.topic_bytes));
    }
    if topic.contains('\0') {
        return Err(TopicFault::Nul);
    }
    if topic.contains(['+', '#']) {
        return Err(TopicFault::Wildcard);
    }
    let levels = topic.split('/').count();
    if levels > limits.topic_levels.into() {
        return Err(TopicFault::TooDeep(levels, limits.topic_levels));
    }
    if topic.starts_with('$') {
        return Err(TopicFault::Dollar);
    }
    if outgoing::is_ours(topic) {
        return Err(TopicFault::Ours);
    }
    Ok(())
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
    if !outgoing::is_ours(wanted) {
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
    fn topics() {
        let limits = Limits::default();
        let check = |topic: &str| check_topic(topic, &limits);
        assert_eq!(check("cellar/float-1/reading"), Ok(()));
        assert_eq!(check("/"), Ok(()));
        assert_eq!(check(""), Err(TopicFault::Empty));
        assert_eq!(check("a/+/b"), Err(TopicFault::Wildcard));
        assert_eq!(check("a/#"), Err(TopicFault::Wildcard));
        assert_eq!(check("a\0b"), Err(TopicFault::Nul));
        assert_eq!(check("$SYS/a"), Err(TopicFault::Dollar));
        assert_eq!(check("ebbmark/a"), Err(TopicFault::Ours));
        assert_eq!(check("ebbmark"), Err(TopicFault::Ours));
        assert_eq!(check("ebbmarks/a"), Ok(()));
        assert_eq!(check(&"a".repeat(256)), Ok(()));
        assert_eq!(check(&"a".repeat(257)), Err(TopicFault::TooLong(257, 256)));
        assert_eq!(check(&"a/".repeat(15)), Ok(()));
        assert_eq!(check(&"a/".repeat(16)), Err(TopicFault::TooDeep(17, 16)));
    }

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
