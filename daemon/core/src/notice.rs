//! What the maker is told without asking.
//!
//! | part | says |
//! |---|---|
//! | here | what is told: the words of each kind |
//! | `wishes` | which kind goes by which way, for each vessel |
//! | `quiet` | when nothing but what presses may come |
//! | `post` | what goes together in one message, and what waits for more |
//! | `again` | what is told again, and what the maker answers |
//! | `summary` | the cellar in one message, daily or weekly |

pub mod again;
pub mod post;
pub mod quiet;
pub mod summary;
pub mod wishes;

use serde::{Deserialize, Serialize};

use crate::deed::{Deed, What};
use crate::hours::Hour;
use crate::show;
use crate::tasks::Task;
use crate::text::{self, Style, sentence};
use crate::time::{Moment, Span};
use crate::verdict::outcome::{Phase, Verdict};

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoticeKind {
    Settled,
    Stuck,
    /// Falling again after it had settled or was sweetened.
    Restarted,
    /// A feed that should speak has gone quiet (or its device said it is going away).
    FeedSilent,
    BatteryLow,
    /// A hand reading and the float cannot both be right.
    FloatDisagrees,
    /// A float sends one value over and over.
    FloatStuck,
    /// Outside the vessel's temperature band.
    Temperature,
    /// Something is to be done now that should not wait, or a wait is over.
    StepDue,
    /// The daemon itself did not run for a while.
    WasDown,
    /// No copy of the database could be made, or not carried on.
    Backup,
    /// The database could not be written for a while, or was damaged and replaced by a copy.
    Database,
    /// The cellar in one message, daily or weekly.
    Summary,
    /// Sent by hand to see whether a way out works.
    Test,
}

impl NoticeKind {
    pub const ALL: [NoticeKind; 14] = [
        NoticeKind::Settled,
        NoticeKind::Stuck,
        NoticeKind::Restarted,
        NoticeKind::FeedSilent,
        NoticeKind::BatteryLow,
        NoticeKind::FloatDisagrees,
        NoticeKind::FloatStuck,
        NoticeKind::Temperature,
        NoticeKind::StepDue,
        NoticeKind::WasDown,
        NoticeKind::Backup,
        NoticeKind::Database,
        NoticeKind::Summary,
        NoticeKind::Test,
    ];

    pub fn key(self) -> &'static str {
        match self {
            NoticeKind::Settled => "settled",
            NoticeKind::Stuck => "stuck",
            NoticeKind::Restarted => "restarted",
            NoticeKind::FeedSilent => "feed-silent",
            NoticeKind::BatteryLow => "battery-low",
            NoticeKind::FloatDisagrees => "float-disagrees",
            NoticeKind::FloatStuck => "float-stuck",
            NoticeKind::Temperature => "temperature",
            NoticeKind::StepDue => "step-due",
            NoticeKind::WasDown => "was-down",
            NoticeKind::Backup => "backup",
            NoticeKind::Database => "database",
            NoticeKind::Summary => "summary",
            NoticeKind::Test => "test",
        }
    }

    pub fn from_key(key: &str) -> Option<NoticeKind> {
        NoticeKind::ALL.into_iter().find(|k| k.key() == key)
    }

    /// As the page lists it.
    pub fn label(self) -> &'static str {
        match self {
            NoticeKind::Settled => "gravity has stopped falling",
            NoticeKind::Stuck => "stopped too high, or in the cold",
            NoticeKind::Restarted => "falling again",
            NoticeKind::FeedSilent => "a feed has gone quiet",
            NoticeKind::BatteryLow => "a battery runs low",
            NoticeKind::FloatDisagrees => "float and hand reading do not agree",
            NoticeKind::FloatStuck => "a float sends one value",
            NoticeKind::Temperature => "too warm or too cold",
            NoticeKind::StepDue => "something is to be done",
            NoticeKind::WasDown => "Ebbmark was down",
            NoticeKind::Backup => "no backup came about",
            NoticeKind::Database => "the database could not be written, or was damaged",
            NoticeKind::Summary => "the summary",
            NoticeKind::Test => "a test",
        }
    }

    /// Whether it stands for something that lasts, and so may be over before it is told. The others
    /// are of the past when they are made.
    pub fn lasts(self) -> bool {
        !matches!(
            self,
            NoticeKind::WasDown | NoticeKind::Database | NoticeKind::Summary | NoticeKind::Test
        )
    }

    /// Whether the curve says more than words.
    pub fn is_about_the_curve(self) -> bool {
        matches!(
            self,
            NoticeKind::Settled
                | NoticeKind::Stuck
                | NoticeKind::Restarted
                | NoticeKind::FloatDisagrees
        )
    }
}

/// A notice the verdict calls for. Texts are for the maker.
#[derive(Clone, Debug, PartialEq)]
pub struct Call {
    pub kind: NoticeKind,
    pub title: String,
    pub body: String,
}

/// Whether a notice may come at any hour and waits for no other: a mead that falls again after what
/// should have stopped it for good, where glass or a keg may be under pressure.
pub fn is_pressing(kind: NoticeKind, deeds: &[Deed]) -> bool {
    let shut = |deed: &Deed| {
        matches!(
            deed.what,
            What::Stabilise | What::Pasteurise | What::Seal | What::Carbonate
        )
    };
    kind == NoticeKind::Restarted && deeds.iter().any(shut)
}

/// A hand reading that the float does not agree with, and what to say about it.
pub fn on_doubt(verdict: &Verdict, vessel: &str, style: &Style) -> Option<(Moment, Call)> {
    let doubt = verdict.float.as_ref()?.disagrees?;
    let call = Call {
        kind: NoticeKind::FloatDisagrees,
        title: format!("{vessel}: float and hand reading do not agree"),
        body: text::disagreement(&doubt, verdict.at, style),
    };
    Some((doubt.at, call))
}

/// A float that sends one value over and over.
pub fn on_stuck_float(verdict: &Verdict, vessel: &str, style: &Style) -> Option<Call> {
    let since = verdict.float.as_ref()?.still_since?;
    Some(Call {
        kind: NoticeKind::FloatStuck,
        title: format!("{vessel}: its float sends one value"),
        body: format!(
            "The same value since {}, longer than even a still mead explains. Lift the float out, \
             rinse it and see that it swims free; until it moves again take hand readings.",
            show::day_and_time(since, verdict.at, style)
        ),
    })
}

/// A task that has fallen due.
pub fn on_task(task: &Task, vessel: &str) -> Call {
    Call {
        kind: NoticeKind::StepDue,
        title: format!("{vessel}: {}", task.title),
        body: task.reason.clone(),
    }
}

/// The daemon runs again after it did not from `last` to `back`. `None` when that was no longer
/// than `longest`, and when the clock says it was no time at all.
pub fn on_return(last: Moment, back: Moment, longest: Span, style: &Style) -> Option<Call> {
    let down = back.since(last);
    if down <= longest.max(Span::ZERO) {
        return None;
    }
    let when = |at| show::day_and_time(at, back, style);
    Some(Call {
        kind: NoticeKind::WasDown,
        title: format!("Ebbmark was down for {}", show::span(down)),
        body: format!(
            "From {} to {} nothing was taken in, judged or told. What a broker kept, or a float \
             sends again, comes in now; the rest of that time is missing. If nobody switched the \
             board off, see to its power and its disk.",
            when(last),
            when(back)
        ),
    })
}

/// Hours in which a float that is not stuck shows more than one value.
const MOVES_WITHIN: usize = 24;

/// Whether a float that was stuck has moved again. A verdict that rests on hand readings says
/// nothing of the float; its own readings do.
pub fn float_moves(hours: &[Hour]) -> bool {
    let latest = hours.iter().rev().filter_map(|h| h.gravity);
    let (low, high) = latest
        .take(MOVES_WITHIN)
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), g| {
            (low.min(g.min), high.max(g.max))
        });
    high - low > f64::EPSILON
}

/// What a change of phase is worth telling. Phases are those the verdicts remember, so a silence
/// between them changes nothing.
pub fn on_phase(
    before: Option<Phase>,
    verdict: &Verdict,
    vessel: &str,
    style: &Style,
) -> Option<Call> {
    let memory = verdict.memory.filter(|_| verdict.phase != Phase::NoData)?;
    if before == Some(memory.phase) {
        return None;
    }
    let (kind, title) = match memory.phase {
        Phase::Stuck | Phase::Resting if text::only_the_float(verdict).is_some() => (
            NoticeKind::Stuck,
            format!("{vessel}: it reads still, but its float may be stuck"),
        ),
        // A stabilised and sweetened mead is settled from the start; that is no news.
        Phase::Settled if text::is_sweetened(verdict) => return None,
        Phase::Settled => (
            NoticeKind::Settled,
            format!("{vessel}: gravity has stopped falling"),
        ),
        Phase::Stuck => (
            NoticeKind::Stuck,
            format!("{vessel}: it has stopped too high"),
        ),
        Phase::Resting => (
            NoticeKind::Stuck,
            format!("{vessel}: it has stopped in the cold"),
        ),
        Phase::Restarted => (
            NoticeKind::Restarted,
            format!("{vessel}: it is falling again"),
        ),
        _ => return None,
    };
    let mut body = sentence(verdict, style);
    match kind {
        NoticeKind::Settled => {
            let gates = &verdict.gates;
            let say = |name: &str, open: bool, why: &str| {
                format!(
                    "\n{name}: {} ({why})",
                    if open { "may be done now" } else { "not yet" }
                )
            };
            body += &say("Rack", gates.rack.open, &gates.rack.why);
            body += &say("Stabilise", gates.stabilise.open, &gates.stabilise.why);
            body += &say("Seal", gates.seal.open, &gates.seal.why);
        }
        NoticeKind::Restarted => {
            body += "\nIf it is sealed, keep away from glass under pressure, cool it and relieve it with care.";
        }
        _ => {}
    }
    Some(Call { kind, title, body })
}

#[cfg(test)]
mod tests {
    use jiff::tz::TimeZone;

    use super::*;
    use crate::units::Preferences;

    #[test]
    fn only_what_was_shut_presses_when_it_falls_again() {
        let at = Moment(1_795_600_000_000);
        let racked = Deed::new(at, What::Rack);
        let sealed = Deed::new(at, What::Seal);
        assert!(!is_pressing(
            NoticeKind::Restarted,
            std::slice::from_ref(&racked)
        ));
        assert!(is_pressing(
            NoticeKind::Restarted,
            &[racked, sealed.clone()]
        ));
        for kind in NoticeKind::ALL {
            let presses = is_pressing(kind, std::slice::from_ref(&sealed));
            assert_eq!(presses, kind == NoticeKind::Restarted);
        }
    }

    #[test]
    fn a_short_restart_is_no_news() {
        let style = Style {
            units: Preferences::default(),
            zone: &TimeZone::UTC,
        };
        let last = Moment(1_795_600_000_000);
        let told = |down| on_return(last, last + down, Span::minutes(30), &style);
        assert_eq!(told(Span::minutes(30)), None);
        // The clock was put back meanwhile.
        assert_eq!(told(Span::hours(-5)), None);
        let call = told(Span::hours(5)).unwrap();
        assert_eq!(call.title, "Ebbmark was down for 5 hours");
        assert!(
            call.body.contains("From today 09:46 to today 14:46"),
            "{}",
            call.body
        );
    }
}
