//! What one client has subscribed to, and which of our values it is still owed.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use mqtt_protocol_core::mqtt::packet::Qos;

use crate::mqtt::filter;
use crate::mqtt::outgoing::{Outgoing, Value};

/// QoS 1 messages under way to one client.
const WINDOW: u16 = 20;

#[derive(Default)]
pub struct Subscriber {
    filters: Vec<Subscription>,
    /// Serial of the newest value looked at.
    seen: u64,
    /// At most one value per topic: a newer one takes the older one's place.
    due: BTreeMap<Arc<str>, Due>,
    unacknowledged: HashMap<u16, Value>,
}

pub struct Subscription {
    pub filter: String,
    pub qos: Qos,
    /// MQTT 5: pass on the retain flag as the publisher set it, which for us is always set.
    pub retain_as_published: bool,
}

struct Due {
    value: Value,
    retain: bool,
}

/// The next message to send.
pub struct Message {
    pub value: Value,
    pub qos: Qos,
    pub retain: bool,
}

impl Subscriber {
    pub fn is_listening(&self) -> bool {
        !self.filters.is_empty()
    }

    pub fn subscriptions(&self) -> usize {
        self.filters.len()
    }

    pub fn has(&self, filter: &str) -> bool {
        self.filters.iter().any(|known| known.filter == filter)
    }

    /// Adds a subscription or replaces the one with the same filter.
    pub fn subscribe(&mut self, subscription: Subscription, hub: &Outgoing) {
        // What was published so far is not news for the new filter.
        self.catch_up(hub);
        self.unsubscribe(&subscription.filter);
        self.filters.push(subscription);
    }

    /// Whether there was such a subscription.
    pub fn unsubscribe(&mut self, filter: &str) -> bool {
        let before = self.filters.len();
        self.filters.retain(|known| known.filter != filter);
        before != self.filters.len()
    }

    /// Queues the present values of the filter's topics, as retained ones.
    pub fn owe_retained(&mut self, filter: &str, hub: &Outgoing) {
        for value in hub.since(0) {
            if !value.payload.is_empty() && filter::takes_in(filter, &value.topic) {
                self.due.insert(
                    value.topic.clone(),
                    Due {
                        value,
                        retain: true,
                    },
                );
            }
        }
    }

    /// Queues what was published since the last look.
    pub fn catch_up(&mut self, hub: &Outgoing) {
        for value in hub.since(self.seen) {
            self.seen = value.serial;
            let retain = match self.interest(&value.topic) {
                None => continue,
                Some(interest) => interest.retain_as_published,
            };
            self.due.insert(value.topic.clone(), Due { value, retain });
        }
    }

    /// The next message that may go out now. A QoS 1 message must then be [`Subscriber::sent`].
    pub fn next(&mut self, receive_maximum: u16) -> Option<Message> {
        let window = usize::from(receive_maximum.min(WINDOW));
        while let Some(entry) = self.due.first_entry() {
            let Some(interest) = interest(&self.filters, entry.key()) else {
                entry.remove();
                continue;
            };
            if interest.qos != Qos::AtMostOnce && self.unacknowledged.len() >= window {
                return None;
            }
            let due = entry.remove();
            return Some(Message {
                value: due.value,
                qos: interest.qos,
                retain: due.retain,
            });
        }
        None
    }

    pub fn sent(&mut self, id: u16, value: Value) {
        self.unacknowledged.insert(id, value);
    }

    pub fn acknowledged(&mut self, id: u16) {
        self.unacknowledged.remove(&id);
    }

    /// The connection is gone: what it did not acknowledge is owed again, unless there is a
    /// newer value. It goes out under a new packet id; for values of which only the latest
    /// counts, a client cannot tell the difference.
    pub fn rewind(&mut self) {
        for (_, value) in self.unacknowledged.drain() {
            self.due.entry(value.topic.clone()).or_insert(Due {
                value,
                retain: false,
            });
        }
    }

    fn interest(&self, topic: &str) -> Option<Interest> {
        interest(&self.filters, topic)
    }
}

struct Interest {
    qos: Qos,
    retain_as_published: bool,
}

/// How a topic is wanted, over all filters that take it in.
fn interest(filters: &[Subscription], topic: &str) -> Option<Interest> {
    filters
        .iter()
        .filter(|known| filter::takes_in(&known.filter, topic))
        .map(|known| Interest {
            qos: known.qos,
            retain_as_published: known.retain_as_published,
        })
        .reduce(|a, b| Interest {
            qos: if a.qos == Qos::AtMostOnce {
                b.qos
            } else {
                a.qos
            },
            retain_as_published: a.retain_as_published || b.retain_as_published,
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn subscription(filter: &str, qos: Qos) -> Subscription {
        Subscription {
            filter: filter.into(),
            qos,
            retain_as_published: false,
        }
    }

    fn drain(subscriber: &mut Subscriber, window: u16) -> Vec<(String, Vec<u8>, bool)> {
        let mut out = Vec::new();
        while let Some(message) = subscriber.next(window) {
            if message.qos == Qos::AtLeastOnce {
                let id = (1..)
                    .find(|id| !subscriber.unacknowledged.contains_key(id))
                    .unwrap();
                subscriber.sent(id, message.value.clone());
            }
            out.push((
                message.value.topic.to_string(),
                message.value.payload.to_vec(),
                message.retain,
            ));
        }
        out
    }

    #[test]
    fn a_new_subscription_gets_present_values_retained_and_later_ones_not() {
        let hub = Outgoing::new();
        hub.publish("ebbmark/a".into(), b"1".to_vec());
        hub.publish("ebbmark/gone".into(), Vec::new());
        let mut subscriber = Subscriber::default();
        subscriber.subscribe(subscription("ebbmark/#", Qos::AtMostOnce), &hub);
        subscriber.owe_retained("ebbmark/#", &hub);
        assert_eq!(
            drain(&mut subscriber, 20),
            [("ebbmark/a".into(), b"1".to_vec(), true)]
        );
        hub.publish("ebbmark/a".into(), b"2".to_vec());
        hub.publish("ebbmark/a".into(), b"3".to_vec());
        subscriber.catch_up(&hub);
        assert_eq!(
            drain(&mut subscriber, 20),
            [("ebbmark/a".into(), b"3".to_vec(), false)]
        );
    }

    #[test]
    fn qos_1_keeps_to_the_window_and_comes_again_after_a_break() {
        let hub = Outgoing::new();
        let mut subscriber = Subscriber::default();
        subscriber.subscribe(subscription("ebbmark/+", Qos::AtLeastOnce), &hub);
        for n in 0..5 {
            hub.publish(format!("ebbmark/{n}"), b"x".to_vec());
        }
        subscriber.catch_up(&hub);
        assert_eq!(drain(&mut subscriber, 2).len(), 2);
        subscriber.acknowledged(1);
        assert_eq!(drain(&mut subscriber, 2).len(), 1);
        subscriber.rewind();
        // Five values, of which one was acknowledged.
        assert_eq!(drain(&mut subscriber, 20).len(), 4);
    }

    #[test]
    fn what_nobody_wants_any_more_is_not_sent() {
        let hub = Outgoing::new();
        let mut subscriber = Subscriber::default();
        subscriber.subscribe(subscription("ebbmark/#", Qos::AtMostOnce), &hub);
        hub.publish("ebbmark/a".into(), b"1".to_vec());
        subscriber.catch_up(&hub);
        assert!(subscriber.unsubscribe("ebbmark/#"));
        assert!(!subscriber.unsubscribe("ebbmark/#"));
        assert!(subscriber.next(20).is_none());
    }
}
