//! Which topics readings may come on, the same for every way in.

/// The first level of every topic of the daemon's own. Clients may subscribe below it, never
/// publish.
pub const ROOT: &str = "ebbmark";

/// As long as topics are in practice, in bytes; MQTT itself allows 65,535.
pub const LONGEST: u16 = 256;
/// As many levels as topics have in practice.
pub const DEEPEST: u16 = 16;

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
pub fn check(topic: &str, longest: u16, deepest: u16) -> Result<(), TopicFault> {
    if topic.is_empty() {
        return Err(TopicFault::Empty);
    }
    if topic.len() > longest.into() {
        return Err(TopicFault::TooLong(topic.len(), longest));
    }
    if topic.contains('\0') {
        return Err(TopicFault::Nul);
    }
    if topic.contains(['+', '#']) {
        return Err(TopicFault::Wildcard);
    }
    let levels = topic.split('/').count();
    if levels > deepest.into() {
        return Err(TopicFault::TooDeep(levels, deepest));
    }
    if topic.starts_with('$') {
        return Err(TopicFault::Dollar);
    }
    if is_ours(topic) {
        return Err(TopicFault::Ours);
    }
    Ok(())
}

/// Whether a topic (or filter) lies in our own part of the tree.
pub fn is_ours(topic: &str) -> bool {
    topic
        .strip_prefix(ROOT)
        .is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn topics() {
        let check = |topic: &str| check(topic, LONGEST, DEEPEST);
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
}
