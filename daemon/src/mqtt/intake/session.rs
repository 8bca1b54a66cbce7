//! Who is connected under which client id, and what is kept for those who will come back.
//!
//! Sessions live in memory. After a restart of the daemon a client is truthfully told that
//! there is none. Nothing is lost by that on our side: what was acknowledged is on disk, and
//! what was not comes again, where the store recognises it.

use std::collections::{HashMap, HashSet};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use super::subscriber::Subscriber;

/// What MQTT calls session state.
#[derive(Default)]
pub struct Session {
    pub subscriber: Subscriber,
    /// QoS 2 messages stored and answered with PUBREC, not yet released by the client.
    pub unreleased: HashSet<u16>,
}

pub struct Sessions {
    inner: Mutex<Inner>,
    most_parked: usize,
}

#[derive(Default)]
struct Inner {
    serial: u64,
    live: HashMap<String, Live>,
    parked: HashMap<String, Parked>,
    /// Wills waiting out their delay.
    wills: HashMap<String, CancellationToken>,
}

struct Live {
    serial: u64,
    give_way: CancellationToken,
    gone: CancellationToken,
}

struct Parked {
    session: Session,
    until: Instant,
}

/// The right to a client id, held while connected.
pub struct Seat {
    sessions: Arc<Sessions>,
    client_id: String,
    serial: u64,
    /// Another connection has come under this client id.
    pub give_way: CancellationToken,
    gone: CancellationToken,
}

impl Sessions {
    pub fn new(most_parked: u16) -> Arc<Sessions> {
        Arc::new(Sessions {
            inner: Mutex::default(),
            most_parked: most_parked.into(),
        })
    }

    /// Takes the seat of a client id; whoever sits there is asked to go, and waited for.
    pub async fn take_seat(self: &Arc<Sessions>, client_id: &str) -> Seat {
        loop {
            match self.try_seat(client_id) {
                Ok(seat) => return seat,
                Err(gone) => gone.cancelled().await,
            }
        }
    }

    fn try_seat(self: &Arc<Sessions>, client_id: &str) -> Result<Seat, CancellationToken> {
        let mut inner = self.inner();
        if let Some(sitting) = inner.live.get(client_id) {
            sitting.give_way.cancel();
            return Err(sitting.gone.clone());
        }
        // The client is back, so its will is void.
        if let Some(will) = inner.wills.remove(client_id) {
            will.cancel();
        }
        inner.serial += 1;
        let live = Live {
            serial: inner.serial,
            give_way: CancellationToken::new(),
            gone: CancellationToken::new(),
        };
        let seat = Seat {
            sessions: self.clone(),
            client_id: client_id.to_owned(),
            serial: live.serial,
            give_way: live.give_way.clone(),
            gone: live.gone.clone(),
        };
        inner.live.insert(client_id.to_owned(), live);
        Ok(seat)
    }

    /// A token that is cancelled if the client comes back. `None`: as many wills wait as sessions
    /// may be kept, and this one cannot wait with them.
    pub fn delay_will(&self, client_id: &str) -> Option<CancellationToken> {
        let mut inner = self.inner();
        if inner.wills.len() >= self.most_parked {
            return None;
        }
        let back = CancellationToken::new();
        inner.wills.insert(client_id.to_owned(), back.clone());
        Some(back)
    }

    pub fn will_is_out(&self, client_id: &str) {
        self.inner().wills.remove(client_id);
    }

    fn inner(&self) -> MutexGuard<'_, Inner> {
        // Nothing in here can be left half done, so a poisoned lock is still sound.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Seat {
    /// The session kept from last time, if there is one.
    pub fn resume(&self, now: Instant) -> Option<Session> {
        let parked = self.sessions.inner().parked.remove(&self.client_id)?;
        (parked.until > now).then_some(parked.session)
    }

    pub fn forget(&self) {
        self.sessions.inner().parked.remove(&self.client_id);
    }

    /// Keeps the session for a time.
    pub fn park(&self, session: Session, keep: Duration, now: Instant) {
        let mut inner = self.sessions.inner();
        inner.parked.retain(|_, parked| parked.until > now);
        if inner.parked.len() >= self.sessions.most_parked {
            // Never full for long; the one that would end first goes.
            let first = inner
                .parked
                .iter()
                .min_by_key(|(_, parked)| parked.until)
                .map(|(client_id, _)| client_id.clone());
            if let Some(client_id) = first {
                inner.parked.remove(&client_id);
            }
        }
        if self.sessions.most_parked > 0 {
            let until = now + keep;
            inner
                .parked
                .insert(self.client_id.clone(), Parked { session, until });
        }
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        let mut inner = self.sessions.inner();
        if inner
            .live
            .get(&self.client_id)
            .is_some_and(|live| live.serial == self.serial)
        {
            inner.live.remove(&self.client_id);
        }
        self.gone.cancel();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn with_unreleased(id: u16) -> Session {
        Session {
            unreleased: HashSet::from([id]),
            ..Session::default()
        }
    }

    #[tokio::test]
    async fn a_second_connection_waits_for_the_first_to_go() {
        let sessions = Sessions::new(4);
        let first = sessions.take_seat("a").await;
        let give_way = first.give_way.clone();
        let second = tokio::spawn({
            let sessions = sessions.clone();
            async move { sessions.take_seat("a").await }
        });
        give_way.cancelled().await;
        assert!(!second.is_finished());
        first.park(with_unreleased(7), Duration::from_secs(60), Instant::now());
        drop(first);
        let second = second.await.unwrap();
        let resumed = second.resume(Instant::now()).unwrap();
        assert_eq!(resumed.unreleased, HashSet::from([7]));
        assert!(!second.give_way.is_cancelled());
    }

    #[tokio::test]
    async fn sessions_end_and_are_bounded() {
        let sessions = Sessions::new(2);
        let now = Instant::now();
        let second = Duration::from_secs(1);
        for (client, keep) in [("a", second), ("b", 2 * second), ("c", 3 * second)] {
            let seat = sessions.take_seat(client).await;
            seat.park(Session::default(), keep, now);
        }
        assert!(sessions.take_seat("a").await.resume(now).is_none());
        let late = now + 2 * second;
        assert!(sessions.take_seat("b").await.resume(late).is_none());
        assert!(sessions.take_seat("c").await.resume(late).is_some());
    }

    #[tokio::test]
    async fn coming_back_voids_a_waiting_will() {
        let sessions = Sessions::new(2);
        let back = sessions.delay_will("a").unwrap();
        assert!(!back.is_cancelled());
        assert!(sessions.delay_will("b").is_some());
        assert!(sessions.delay_will("c").is_none());
        let _seat = sessions.take_seat("a").await;
        assert!(back.is_cancelled());
    }
}
