//! Topic filters: which are well formed, and which topics they take in.

/// Whether a filter is well formed: `+` and `#` fill a whole level, `#` only the last one.
pub fn well_formed(filter: &str) -> bool {
    if filter.is_empty() || filter.len() > usize::from(u16::MAX) || filter.contains('\0') {
        return false;
    }
    let mut levels = filter.split('/').peekable();
    while let Some(level) = levels.next() {
        let wild = level.contains(['+', '#']);
        if wild && level.len() != 1 {
            return false;
        }
        if level == "#" && levels.peek().is_some() {
            return false;
        }
    }
    true
}

/// Whether a well-formed filter takes in a topic.
pub fn takes_in(filter: &str, topic: &str) -> bool {
    // A wildcard at the root does not reach the server's own `$` topics.
    if topic.starts_with('$') && filter.starts_with(['+', '#']) {
        return false;
    }
    let mut wanted = filter.split('/');
    let mut given = topic.split('/');
    loop {
        match (wanted.next(), given.next()) {
            // `a/#` also takes in `a` itself.
            (Some("#"), _) => return true,
            (Some("+"), Some(_)) => {}
            (Some(want), Some(have)) if want == have => {}
            (None, None) => return true,
            _ => return false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Examples of MQTT 3.1.1 (OASIS Standard, 29 October 2014), section 4.7.
    #[test]
    fn examples_of_the_standard() {
        for topic in [
            "sport/tennis/player1",
            "sport/tennis/player1/ranking",
            "sport/tennis/player1/score/wimbledon",
        ] {
            assert!(takes_in("sport/tennis/player1/#", topic), "{topic}");
        }
        assert!(takes_in("sport/#", "sport"));
        for good in ["#", "sport/tennis/#", "+", "+/tennis/#", "sport/+/player1"] {
            assert!(well_formed(good), "{good}");
        }
        for bad in ["sport/tennis#", "sport/tennis/#/ranking", "sport+", ""] {
            assert!(!well_formed(bad), "{bad}");
        }
        assert!(takes_in("sport/tennis/+", "sport/tennis/player1"));
        assert!(!takes_in("sport/tennis/+", "sport/tennis/player1/ranking"));
        assert!(!takes_in("sport/+", "sport"));
        assert!(takes_in("sport/+", "sport/"));
        assert!(takes_in("+/+", "/finance"));
        assert!(takes_in("/+", "/finance"));
        assert!(!takes_in("+", "/finance"));
        assert!(!takes_in("#", "$SYS/monitor"));
        assert!(!takes_in("+/monitor/Clients", "$SYS/monitor/Clients"));
        assert!(takes_in("$SYS/#", "$SYS/monitor"));
    }
}
