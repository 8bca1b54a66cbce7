//! The hub for what we tell others: the latest value of each of our own topics.
//!
//! Whoever listens keeps a mark of what it has seen and fetches what is newer. So a slow
//! listener skips values of a topic but always gets the latest, and never holds up a publisher.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use ebbmark_core::topic::is_ours;
use tokio::sync::watch;

/// Topics kept; beyond that the one longest unchanged is forgotten.
const MOST_TOPICS: usize = 1000;

/// Clone it freely; all clones are one hub.
#[derive(Clone)]
pub struct Outgoing {
    inner: Arc<Inner>,
}

struct Inner {
    latest: Mutex<Latest>,
    newest: watch::Sender<u64>,
}

#[derive(Default)]
struct Latest {
    serial: u64,
    topics: HashMap<Arc<str>, (u64, Arc<[u8]>)>,
}

/// The latest value of a topic. An empty payload says that there is none any more.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Value {
    pub topic: Arc<str>,
    pub payload: Arc<[u8]>,
    /// Grows with each publish to the hub.
    pub serial: u64,
}

impl Default for Outgoing {
    fn default() -> Self {
        Self::new()
    }
}

impl Outgoing {
    pub fn new() -> Outgoing {
        Outgoing {
            inner: Arc::new(Inner {
                latest: Mutex::default(),
                newest: watch::Sender::new(0),
            }),
        }
    }

    /// Sets the latest value of a topic and wakes the listeners. An empty payload clears it.
    ///
    /// A topic outside [`ebbmark_core::topic::ROOT`] or with wildcards is a mistake of ours: it is logged and dropped.
    pub fn publish(&self, topic: String, payload: Vec<u8>) {
        if !is_ours(&topic) || topic.contains(['+', '#', '\0']) {
            tracing::error!(topic, "not one of our outgoing topics, not published");
            return;
        }
        let mut latest = self.latest();
        latest.serial += 1;
        let serial = latest.serial;
        latest.topics.insert(topic.into(), (serial, payload.into()));
        if latest.topics.len() > MOST_TOPICS {
            latest.forget_oldest();
        }
        drop(latest);
        self.inner.newest.send_replace(serial);
    }

    /// Values newer than `serial`, oldest first.
    pub fn since(&self, serial: u64) -> Vec<Value> {
        let mut values: Vec<Value> = self
            .latest()
            .topics
            .iter()
            .filter(|(_, (at, _))| *at > serial)
            .map(|(topic, (at, payload))| Value {
                topic: topic.clone(),
                payload: payload.clone(),
                serial: *at,
            })
            .collect();
        values.sort_unstable_by_key(|value| value.serial);
        values
    }

    /// The latest value of one topic.
    pub fn get(&self, topic: &str) -> Option<Value> {
        let latest = self.latest();
        let (key, (serial, payload)) = latest.topics.get_key_value(topic)?;
        Some(Value {
            topic: key.clone(),
            payload: payload.clone(),
            serial: *serial,
        })
    }

    /// Changes whenever something is published; its value is the newest serial.
    pub fn watch(&self) -> watch::Receiver<u64> {
        self.inner.newest.subscribe()
    }

    fn latest(&self) -> MutexGuard<'_, Latest> {
        // Nothing in here can be left half done, so a poisoned lock is still sound.
        self.inner
            .latest
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }
}

impl Latest {
    fn forget_oldest(&mut self) {
        let oldest = self
            .topics
            .iter()
            .min_by_key(|(_, (serial, _))| *serial)
            .map(|(topic, _)| topic.clone());
        if let Some(topic) = oldest {
            self.topics.remove(&topic);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_latest_value_of_a_topic_is_kept() {
        let hub = Outgoing::new();
        hub.publish("ebbmark/a".into(), b"1".to_vec());
        hub.publish("ebbmark/b".into(), b"2".to_vec());
        hub.publish("ebbmark/a".into(), b"3".to_vec());
        let all = hub.since(0);
        let shown: Vec<(&str, &[u8])> = all.iter().map(|v| (&*v.topic, &*v.payload)).collect();
        assert_eq!(shown, [("ebbmark/b", &b"2"[..]), ("ebbmark/a", &b"3"[..])]);
        let mark = all.last().unwrap().serial;
        assert!(hub.since(mark).is_empty());
        hub.publish("ebbmark/b".into(), b"4".to_vec());
        assert_eq!(hub.since(mark).len(), 1);
    }

    #[test]
    fn the_number_of_topics_is_bounded() {
        let hub = Outgoing::new();
        for n in 0..=MOST_TOPICS {
            hub.publish(format!("ebbmark/{n}"), b"x".to_vec());
        }
        assert_eq!(hub.since(0).len(), MOST_TOPICS);
        assert!(hub.get("ebbmark/0").is_none());
        assert!(hub.get("ebbmark/1").is_some());
    }

    #[test]
    fn foreign_topics_are_dropped() {
        let hub = Outgoing::new();
        hub.publish("cellar/float".into(), b"1".to_vec());
        hub.publish("ebbmarks/a".into(), b"1".to_vec());
        hub.publish("ebbmark/+".into(), b"1".to_vec());
        assert!(hub.since(0).is_empty());
    }

    #[tokio::test]
    async fn listeners_are_woken() {
        let hub = Outgoing::new();
        let mut newest = hub.watch();
        hub.publish("ebbmark/a".into(), b"1".to_vec());
        newest.changed().await.unwrap();
        assert_eq!(*newest.borrow_and_update(), 1);
    }
}
