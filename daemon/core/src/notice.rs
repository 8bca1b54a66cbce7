//! What the maker is told without asking.

use serde::{Deserialize, Serialize};

use crate::text::{Style, sentence};
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
    /// Outside the vessel's temperature band.
    Temperature,
    /// Sent by hand to see whether a way out works.
    Test,
}

impl NoticeKind {
    pub const ALL: [NoticeKind; 7] = [
        NoticeKind::Settled,
        NoticeKind::Stuck,
        NoticeKind::Restarted,
        NoticeKind::FeedSilent,
        NoticeKind::BatteryLow,
        NoticeKind::Temperature,
        NoticeKind::Test,
    ];

    pub fn key(self) -> &'static str {
        match self {
            NoticeKind::Settled => "settled",
            NoticeKind::Stuck => "stuck",
            NoticeKind::Restarted => "restarted",
            NoticeKind::FeedSilent => "feed-silent",
            NoticeKind::BatteryLow => "battery-low",
            NoticeKind::Temperature => "temperature",
            NoticeKind::Test => "test",
        }
    }

    pub fn from_key(key: &str) -> Option<NoticeKind> {
        NoticeKind::ALL.into_iter().find(|k| k.key() == key)
    }
}

/// A notice the verdict calls for. Texts are for the maker.
#[derive(Clone, Debug, PartialEq)]
pub struct Call {
    pub kind: NoticeKind,
    pub title: String,
    pub body: String,
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
        // A stabilised and sweetened mead is settled from the start; that is no news.
        Phase::Settled if memory.flat_from == Some(memory.stretch) => return None,
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
