//! What the maker is told without asking.

use serde::{Deserialize, Serialize};

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
