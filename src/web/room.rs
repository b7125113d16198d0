//! Room for large bodies. There is little, so that memory is bounded; and whoever sends one a byte at
//! a time must not keep it from those who file a plan.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Mutex, PoisonError};

use tokio::sync::{Semaphore, SemaphorePermit};

use super::heads::whose;

/// So many larger bodies are read at once: 8 MB, however many clients send them.
const MOST: usize = 32;
/// One address's share. A web server in front, on this machine, speaks for many.
const MOST_BY_ADDRESS: usize = 4;

/// The room that there is.
pub(super) struct Rooms {
    all: Semaphore,
    taken: Mutex<BTreeMap<IpAddr, usize>>,
}

/// Room for one large body, until it is dropped.
pub(super) struct Room {
    rooms: &'static Rooms,
    address: Option<IpAddr>,
    _one_of_all: Option<SemaphorePermit<'static>>,
}

impl Rooms {
    pub(super) const fn new() -> Self {
        Rooms { all: Semaphore::const_new(MOST), taken: Mutex::new(BTreeMap::new()) }
    }

    /// Waits for room; `None` for an address that has its share.
    pub(super) async fn one(&'static self, from: Option<IpAddr>) -> Option<Room> {
        let address = from.filter(|from| !from.to_canonical().is_loopback()).map(whose);
        if let Some(address) = address {
            let mut taken = self.taken.lock().unwrap_or_else(PoisonError::into_inner);
            let own = taken.entry(address).or_default();
            if *own >= MOST_BY_ADDRESS {
                return None;
            }
            *own += 1;
        }
        // From here on the share is given back, whatever ends the waiting.
        let mut room = Room { rooms: self, address, _one_of_all: None };
        // It never closes.
        room._one_of_all = self.all.acquire().await.ok();
        Some(room)
    }
}

impl Drop for Room {
    fn drop(&mut self) {
        let Some(address) = self.address else { return };
        let mut taken = self.rooms.taken.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(own) = taken.get_mut(&address) {
            *own -= 1;
            if *own == 0 {
                taken.remove(&address);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn from(text: &str) -> Option<IpAddr> {
        Some(text.parse().unwrap())
    }

    #[tokio::test]
    async fn one_address_keeps_no_other_from_filing() {
        static ROOMS: Rooms = Rooms::new();
        let mut held = Vec::new();
        while let Some(room) = ROOMS.one(from("192.0.2.1")).await {
            held.push(room);
        }
        assert_eq!(held.len(), MOST_BY_ADDRESS);
        let other = ROOMS.one(from("192.0.2.2")).await;
        assert!(other.is_some());
        for _ in 0..MOST - MOST_BY_ADDRESS - 1 {
            held.push(ROOMS.one(from("::1")).await.unwrap());
        }
        let late = std::time::Duration::from_millis(20);
        assert!(tokio::time::timeout(late, ROOMS.one(from("192.0.2.3"))).await.is_err(), "full");
        drop((held, other));
        assert!(ROOMS.taken.lock().unwrap().is_empty(), "given back, by who only waited too");
    }
}
