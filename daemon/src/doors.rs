//! How many may be connected at a time, in all and from one address.
//!
//! Whoever has not yet said what it wants gives way to whoever comes after it: a device says so
//! within moments, and connections opened only to be left open must not keep it out.

use std::collections::{HashMap, VecDeque};
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio_util::sync::CancellationToken;

pub struct Doors {
    inside: Mutex<Inside>,
    most: usize,
    most_per_address: usize,
}

#[derive(Default)]
struct Inside {
    serial: u64,
    all: usize,
    by_address: HashMap<IpAddr, usize>,
    /// The longest waiting first.
    strangers: VecDeque<Stranger>,
}

struct Stranger {
    serial: u64,
    address: IpAddr,
    give_way: CancellationToken,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Full {
    All,
    Address,
}

/// Counts as one connection until dropped, or until it has given way.
pub struct Place {
    doors: Arc<Doors>,
    address: IpAddr,
    serial: u64,
    /// Cancelled when this one has to go for another.
    pub give_way: CancellationToken,
}

impl Doors {
    pub fn new(most: u16, most_per_address: u16) -> Arc<Doors> {
        Arc::new(Doors {
            inside: Mutex::default(),
            most: most.into(),
            most_per_address: most_per_address.into(),
        })
    }

    /// # Errors
    /// Says which limit is reached, by connections of which none can be asked to give way.
    pub fn enter(self: &Arc<Doors>, address: IpAddr) -> Result<Place, Full> {
        // An IPv4 client on an IPv6 socket is the same client.
        let address = address.to_canonical();
        let mut inside = self.inside();
        let here = inside.by_address.get(&address).copied().unwrap_or_default();
        if here >= self.most_per_address && !inside.make_way(|other| other.address == address) {
            return Err(Full::Address);
        }
        if inside.all >= self.most && !inside.make_way(|_| true) {
            return Err(Full::All);
        }
        inside.serial += 1;
        let place = Place {
            doors: self.clone(),
            address,
            serial: inside.serial,
            give_way: CancellationToken::new(),
        };
        *inside.by_address.entry(address).or_default() += 1;
        inside.all += 1;
        inside.strangers.push_back(Stranger {
            serial: place.serial,
            address,
            give_way: place.give_way.clone(),
        });
        Ok(place)
    }

    fn inside(&self) -> MutexGuard<'_, Inside> {
        // Nothing in here can be left half done, so a poisoned lock is still sound.
        self.inside.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Inside {
    /// Sends the longest waiting of these away, if there is one.
    fn make_way(&mut self, which: impl Fn(&Stranger) -> bool) -> bool {
        let Some(at) = self.strangers.iter().position(which) else {
            return false;
        };
        if let Some(stranger) = self.strangers.remove(at) {
            stranger.give_way.cancel();
            self.left(stranger.address);
        }
        true
    }

    fn left(&mut self, address: IpAddr) {
        self.all = self.all.saturating_sub(1);
        if let Some(here) = self.by_address.get_mut(&address) {
            *here = here.saturating_sub(1);
            if *here == 0 {
                self.by_address.remove(&address);
            }
        }
    }

    fn forget(&mut self, serial: u64) {
        // Serials only grow along the queue.
        if let Ok(at) = self.strangers.binary_search_by_key(&serial, |s| s.serial) {
            self.strangers.remove(at);
        }
    }
}

impl Place {
    /// It has said what it wants, and need no longer give way.
    pub fn is_known(&self) {
        self.doors.inside().forget(self.serial);
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut inside = self.doors.inside();
        // Whoever gave way was counted out then.
        if !self.give_way.is_cancelled() {
            inside.forget(self.serial);
            inside.left(self.address);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ONE: [u8; 4] = [192, 0, 2, 1];
    const OTHER: [u8; 4] = [192, 0, 2, 2];
    const THIRD: [u8; 4] = [192, 0, 2, 3];

    fn known(doors: &Arc<Doors>, address: impl Into<IpAddr>) -> Place {
        let place = doors.enter(address.into()).ok().unwrap();
        place.is_known();
        place
    }

    #[test]
    fn both_limits_hold_and_leaving_makes_room() {
        let doors = Doors::new(3, 2);
        let same: IpAddr = "::ffff:192.0.2.1".parse().unwrap();
        let first = known(&doors, ONE);
        let _second = known(&doors, same);
        assert_eq!(doors.enter(ONE.into()).err(), Some(Full::Address));
        let _third = known(&doors, OTHER);
        assert_eq!(doors.enter(THIRD.into()).err(), Some(Full::All));
        drop(first);
        assert!(doors.enter(ONE.into()).is_ok());
    }

    #[test]
    fn who_has_said_nothing_gives_way_the_longest_waiting_first() {
        let doors = Doors::new(3, 3);
        let silent: Vec<Place> = (0..3).map(|_| doors.enter(ONE.into()).unwrap()).collect();
        let float = known(&doors, OTHER);
        assert!(silent[0].give_way.is_cancelled());
        assert!(!silent[1].give_way.is_cancelled());
        // Leaving after having given way counts nobody out a second time.
        drop(silent);
        let _two = [known(&doors, OTHER), known(&doors, OTHER)];
        assert!(!float.give_way.is_cancelled());
        assert_eq!(doors.enter(ONE.into()).err(), Some(Full::All));
    }

    #[test]
    fn one_address_gives_way_to_itself() {
        let doors = Doors::new(9, 1);
        let silent = doors.enter(ONE.into()).unwrap();
        let elsewhere = doors.enter(OTHER.into()).unwrap();
        let _float = known(&doors, ONE);
        assert!(silent.give_way.is_cancelled());
        assert!(!elsewhere.give_way.is_cancelled());
    }
}
