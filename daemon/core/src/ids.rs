//! Identifiers. Newtypes so that a feed is never looked up by a vessel's number.

use serde::{Deserialize, Serialize};

macro_rules! id {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub i64);

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                self.0.fmt(f)
            }
        }
    };
}

id!(/// A container: carboy, tank, keg.
    VesselId);
id!(/// One mead, from pitch to glass.
    BatchId);
id!(/// One stream of readings.
    FeedId);
id!(/// A raw payload as it came in.
    RawId);
id!(/// A line in the log of what was done.
    EntryId);
id!(/// A notice to the maker.
    NoticeId);
id!(/// What a program or a sender shows to be let in.
    TokenId);
