//! What comes in from the cellar.

use crate::text::Style;

use super::Line;
use crate::show;
use crate::time::{Moment, Span};

/// A feed that is in a vessel.
#[derive(Clone, Debug, PartialEq)]
pub struct Heard {
    pub name: String,
    pub last: Option<Moment>,
    /// How long it may be quiet ([`crate::watch::silence_limit`]).
    pub limit: Span,
}

pub(super) fn feed(feed: &Heard, now: Moment, style: &Style) -> Line {
    let line = Line::good("feed", format!("feed {}", feed.name), "");
    let Some(last) = feed.last else {
        return line.look_at(
            "No reading has come from it yet.",
            "The feeds page shows whether its messages come and what could not be read of them.",
        );
    };
    let age = now.since(last);
    if age > feed.limit {
        return line.look_at(
            format!(
                "Its last reading came {}, {} ago; so long it should not be quiet.",
                show::day_and_time(last, now, style),
                show::span(age)
            ),
            "Look at its battery, its place and the network.",
        );
    }
    let ago = show::span(Span(age.0.max(0)));
    Line {
        says: format!("Its last reading came {ago} ago."),
        ..line
    }
}

/// Named in the line at most; the feeds page has all.
const NAMED: usize = 3;

pub(super) fn topics(unclaimed: &[String]) -> Line {
    let line = Line::good("topics", "topics", "Every topic that is heard is claimed.");
    let named = unclaimed.iter().take(NAMED).cloned().collect::<Vec<_>>();
    let named = named.join(", ");
    let says = match unclaimed.len() {
        0 => return line,
        1 => format!("One is heard that nobody has claimed: {named}."),
        n if n > NAMED => format!("{n} are heard that nobody has claimed, such as {named}."),
        n => format!("{n} are heard that nobody has claimed: {named}."),
    };
    line.look_at(
        says,
        "On the feeds page, say what their numbers mean and to which vessel they belong; what came in before is read too.",
    )
}
