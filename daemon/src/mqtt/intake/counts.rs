//! What the intake has seen since it started, for the metrics.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};
use std::time::Instant;

use super::told::Told;

/// Why something was refused. One counter each.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// More connections than allowed, in all or from one address.
    TooManyConnections,
    /// Wrong or missing user name or password.
    Credentials,
    /// A password that was not looked at, after too many wrong ones.
    TooManyGuesses,
    /// CONNECT did not come in time, or was not one we can serve.
    Connect,
    /// Bytes that are not MQTT, or not allowed there.
    Protocol,
    /// Larger than the limit.
    TooLarge,
    /// A topic one may not publish to.
    Topic,
    /// A filter one may not subscribe to.
    Subscription,
    /// The store could not take it.
    Store,
}

impl Refusal {
    pub const ALL: [Refusal; 9] = [
        Refusal::TooManyConnections,
        Refusal::Credentials,
        Refusal::TooManyGuesses,
        Refusal::Connect,
        Refusal::Protocol,
        Refusal::TooLarge,
        Refusal::Topic,
        Refusal::Subscription,
        Refusal::Store,
    ];

    /// A stable name for labels.
    pub fn key(self) -> &'static str {
        match self {
            Refusal::TooManyConnections => "too-many-connections",
            Refusal::Credentials => "credentials",
            Refusal::TooManyGuesses => "too-many-guesses",
            Refusal::Connect => "connect",
            Refusal::Protocol => "protocol",
            Refusal::TooLarge => "too-large",
            Refusal::Topic => "topic",
            Refusal::Subscription => "subscription",
            Refusal::Store => "store",
        }
    }
}

#[derive(Debug, Default)]
pub struct IntakeCounts {
    connections: AtomicU64,
    accepted: AtomicU64,
    messages: AtomicU64,
    payload_bytes: AtomicU64,
    refused: [AtomicU64; Refusal::ALL.len()],
    told: Told,
}

impl IntakeCounts {
    /// Open connections, greeted or not.
    pub fn connections(&self) -> u64 {
        self.connections.load(Relaxed)
    }
    /// Clients greeted since the start.
    pub fn accepted(&self) -> u64 {
        self.accepted.load(Relaxed)
    }
    /// Messages handed to the store.
    pub fn messages(&self) -> u64 {
        self.messages.load(Relaxed)
    }
    /// Their payloads' bytes.
    pub fn payload_bytes(&self) -> u64 {
        self.payload_bytes.load(Relaxed)
    }
    pub fn refused(&self, why: Refusal) -> u64 {
        self.slot(why).load(Relaxed)
    }

    /// Each refusal's name with its count.
    pub fn all_refused(&self) -> Vec<(&'static str, u64)> {
        let each = Refusal::ALL.into_iter();
        each.map(|why| (why.key(), self.refused(why))).collect()
    }

    pub(super) fn open(self: &Arc<IntakeCounts>) -> Open {
        self.connections.fetch_add(1, Relaxed);
        Open(self.clone())
    }
    pub(super) fn greeted(&self) {
        self.accepted.fetch_add(1, Relaxed);
    }
    pub(super) fn message(&self, payload_bytes: usize) {
        self.messages.fetch_add(1, Relaxed);
        let bytes = u64::try_from(payload_bytes).unwrap_or(u64::MAX);
        self.payload_bytes.fetch_add(bytes, Relaxed);
    }
    pub(super) fn refuse(&self, why: Refusal) {
        self.slot(why).fetch_add(1, Relaxed);
    }

    /// Whether one more refusal may go into the log.
    pub(super) fn may_tell(&self) -> bool {
        self.told.may_tell(Instant::now())
    }

    fn slot(&self, why: Refusal) -> &AtomicU64 {
        &self.refused[why as usize]
    }
}

/// Counts as an open connection until dropped, however it ends.
pub(super) struct Open(Arc<IntakeCounts>);

impl Drop for Open {
    fn drop(&mut self) {
        self.0.connections.fetch_sub(1, Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_refusal_has_its_own_counter_and_name() {
        let counts = IntakeCounts::default();
        for (at, why) in Refusal::ALL.into_iter().enumerate() {
            assert_eq!(why as usize, at);
            counts.refuse(why);
            assert_eq!(counts.refused(why), 1);
        }
        let mut names = Refusal::ALL.map(Refusal::key);
        names.sort_unstable();
        assert!(names.windows(2).all(|pair| pair[0] != pair[1]));
    }
}
