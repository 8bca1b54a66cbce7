//! A float in a vessel over time: the messages it sends, in the order they go out.

use std::collections::VecDeque;

use ebbmark_core::time::{Moment, Span};

use crate::float::{Fate, Faults, Float};
use crate::message::Wording;
use crate::plant::{Plant, Truth};

/// A fermentation with a float in it.
#[derive(Clone, Debug)]
pub struct Watched {
    /// When the plant was at hour 0.
    pub pitched: Moment,
    pub plant: Plant,
    pub faults: Faults,
    pub seed: u64,
    /// When the float went in, and how often it speaks.
    pub float_in: Moment,
    pub every: Span,
    pub wording: Wording,
}

/// One message on its way.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    /// When it goes out.
    pub due: Moment,
    /// The time it speaks of.
    pub at: Moment,
    pub payload: Vec<u8>,
}

impl Watched {
    pub fn truth_at(&self, at: Moment) -> Truth {
        self.plant
            .clone()
            .advance(at.since(self.pitched).as_hours())
    }

    /// Every message from the float's first on, without end.
    pub fn messages(&self) -> Messages {
        Messages {
            float: Float::new(self.faults, self.seed),
            next: self.float_in,
            watched: self.clone(),
            ready: VecDeque::new(),
            held: None,
        }
    }
}

/// See [`Watched::messages`].
#[derive(Clone, Debug)]
pub struct Messages {
    watched: Watched,
    float: Float,
    next: Moment,
    ready: VecDeque<Message>,
    /// A late message, until the one after it has gone.
    held: Option<Message>,
}

impl Messages {
    fn mark(&mut self) {
        let at = self.next;
        self.next = at + self.watched.every;
        let truth = self
            .watched
            .plant
            .advance(at.since(self.watched.pitched).as_hours());
        let days = at.since(self.watched.float_in).as_days();
        let sensed = self.float.sense(&truth, days);
        let message = Message {
            due: at,
            at,
            payload: self.watched.wording.payload(at, &sensed),
        };
        match self.float.fate() {
            Fate::Arrives => self.ready.push_back(message),
            Fate::Lost => {}
            Fate::Twice => self.ready.extend([message.clone(), message]),
            Fate::Late => {
                // Two late ones in a row: the older goes out now.
                self.ready.extend(self.held.replace(message));
                return;
            }
            Fate::Garbage => self.ready.push_back(Message {
                payload: self.float.spoil(message.payload),
                ..message
            }),
        }
        if let Some(late) = self.held.take() {
            self.ready.push_back(Message { due: at, ..late });
        }
    }
}

impl Iterator for Messages {
    type Item = Message;

    fn next(&mut self) -> Option<Message> {
        loop {
            if let Some(message) = self.ready.pop_front() {
                return Some(message);
            }
            self.mark();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plant::{Must, Temperatures};

    fn watched(faults: Faults) -> Watched {
        Watched {
            pitched: Moment(0),
            plant: Plant::new(Must::plain(220.0, 170.0), Temperatures::steady(20.0), &[]),
            faults,
            seed: 4,
            float_in: Moment(Span::hours(1).0),
            every: Span::minutes(15),
            wording: Wording::Nested,
        }
    }

    #[test]
    fn a_good_radio_sends_every_quarter_hour_in_order() {
        let sent: Vec<Message> = watched(Faults::NONE).messages().take(100).collect();
        for (i, m) in sent.iter().enumerate() {
            assert_eq!(m.at, Moment(Span::minutes(60 + 15 * i as i64).0));
            assert_eq!(m.due, m.at);
        }
    }

    #[test]
    fn late_ones_come_after_their_follower_and_none_is_invented() {
        let faults = Faults {
            late_chance: 0.2,
            twice_chance: 0.1,
            ..Faults::NONE
        };
        let sent: Vec<Message> = watched(faults).messages().take(2000).collect();
        assert!(sent.windows(2).all(|w| w[0].due <= w[1].due));
        let backwards = sent.windows(2).filter(|w| w[1].at < w[0].at).count();
        let doubled = sent.windows(2).filter(|w| w[1] == w[0]).count();
        assert!(backwards > 100, "{backwards}");
        assert!(doubled > 100, "{doubled}");
        let mut times: Vec<Moment> = sent.iter().map(|m| m.at).collect();
        times.sort_unstable();
        times.dedup();
        // Nothing is lost for good: every mark but perhaps the last is there.
        let marks = times
            .windows(2)
            .filter(|w| w[1].since(w[0]) != Span::minutes(15));
        assert!(marks.count() <= 1);
    }

    #[test]
    fn the_same_seed_sends_the_same_bytes() {
        let a: Vec<Message> = watched(Faults::ORDINARY).messages().take(500).collect();
        let b: Vec<Message> = watched(Faults::ORDINARY).messages().take(500).collect();
        assert_eq!(a, b);
        let other = Watched {
            seed: 5,
            ..watched(Faults::ORDINARY)
        };
        assert_ne!(a, other.messages().take(500).collect::<Vec<_>>());
    }
}
