//! How many may be connected at a time, in all and from one address.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

pub struct Doors {
    inside: Mutex<Inside>,
    most: usize,
    most_per_address: usize,
}

#[derive(Default)]
struct Inside {
    all: usize,
    by_address: HashMap<IpAddr, usize>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Full {
    All,
    Address,
}

/// Counts as one connection until dropped.
pub struct Place {
    doors: Arc<Doors>,
    address: IpAddr,
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
    /// Says which limit is reached.
    pub fn enter(self: &Arc<Doors>, address: IpAddr) -> Result<Place, Full> {
        // An IPv4 client on an IPv6 socket is the same client.
        let address = address.to_canonical();
        let mut inside = self.inside();
        if inside.all >= self.most {
            return Err(Full::All);
        }
        let here = inside.by_address.entry(address).or_default();
        if *here >= self.most_per_address {
            return Err(Full::Address);
        }
        *here += 1;
        inside.all += 1;
        Ok(Place {
            doors: self.clone(),
            address,
        })
    }

    fn inside(&self) -> MutexGuard<'_, Inside> {
        // Nothing in here can be left half done, so a poisoned lock is still sound.
        self.inside.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut inside = self.doors.inside();
        inside.all = inside.all.saturating_sub(1);
        if let Some(here) = inside.by_address.get_mut(&self.address) {
            *here = here.saturating_sub(1);
            if *here == 0 {
                inside.by_address.remove(&self.address);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_limits_hold_and_leaving_makes_room() {
        let doors = Doors::new(3, 2);
        let one: IpAddr = "192.0.2.1".parse().unwrap();
        let same: IpAddr = "::ffff:192.0.2.1".parse().unwrap();
        let other: IpAddr = "192.0.2.2".parse().unwrap();
        let third: IpAddr = "192.0.2.3".parse().unwrap();
        let first = doors.enter(one).unwrap();
        let _second = doors.enter(same).unwrap();
        assert_eq!(doors.enter(one).err(), Some(Full::Address));
        let _third = doors.enter(other).unwrap();
        assert_eq!(doors.enter(third).err(), Some(Full::All));
        drop(first);
        assert!(doors.enter(one).is_ok());
    }
}
