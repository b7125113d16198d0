//! Who has a connection, and who loses it when there are too many.

use std::cmp::Reverse;
use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use rustix::process::{Resource, getrlimit};
use tokio_util::sync::CancellationToken;

use super::heads::whose;

/// Half of what a process may usually open (1024): the letters and the database need theirs.
const MOST: usize = 512;
/// So many files are theirs, where a process may open fewer.
const KEPT_FOR_LETTERS: usize = 128;
/// However few it may open, somebody must be able to check in.
const FEWEST: usize = 4;
/// One address's share. A web server in front, on this machine, speaks for many.
const MOST_BY_ADDRESS: usize = 64;

/// All connections.
#[derive(Clone)]
pub(super) struct Seats {
    taken: Arc<Mutex<Taken>>,
    most: usize,
}

/// As many as the process may have beside its letters and its database.
impl Default for Seats {
    fn default() -> Self {
        let may_open = getrlimit(Resource::Nofile).current;
        Self::within(may_open.and_then(|most| usize::try_from(most).ok()).unwrap_or(usize::MAX))
    }
}

#[derive(Default)]
struct Taken {
    /// Counts what happens: a smaller number was earlier.
    counted: u64,
    by_number: BTreeMap<u64, Taker>,
}

struct Taker {
    address: IpAddr,
    /// What it has still to say, and since when; nothing while it is answered.
    owes: Option<(Owed, u64)>,
    given_up: CancellationToken,
}

/// What somebody who has a seat has not said yet; of one address, who owes more goes first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Owed {
    /// A handshake, or the head of a request.
    Head,
    /// The body of a request whose head is there. A person's comes with it.
    Body,
}

/// One connection's seat, until it is dropped.
pub(super) struct Seat {
    seats: Seats,
    number: u64,
    given_up: CancellationToken,
}

impl Seats {
    /// Where the process may have so many files open.
    fn within(may_open: usize) -> Self {
        let most = may_open.saturating_sub(KEPT_FOR_LETTERS).clamp(FEWEST, MOST);
        Seats { taken: Arc::default(), most }
    }

    /// A seat for who comes from here; where none is left, that of somebody silent. `None` while
    /// all are being answered.
    pub(super) fn take(&self, from: IpAddr) -> Option<Seat> {
        let address = whose(from);
        let mut taken = self.lock();
        let own = taken.by_number.values().filter(|one| one.address == address).count();
        let has_its_share = own >= MOST_BY_ADDRESS && !from.to_canonical().is_loopback();
        if has_its_share {
            taken.give_up(Some(address))?;
        } else if taken.by_number.len() >= self.most {
            taken.give_up(None)?;
        }
        let (number, given_up) = (taken.count(), CancellationToken::new());
        let taker = Taker { address, owes: Some((Owed::Head, number)), given_up: given_up.clone() };
        taken.by_number.insert(number, taker);
        Some(Seat { seats: self.clone(), number, given_up })
    }

    fn lock(&self) -> MutexGuard<'_, Taken> {
        self.taken.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Taken {
    fn count(&mut self) -> u64 {
        self.counted += 1;
        self.counted
    }

    /// Takes a seat of this address, or of that with the most who owe something; of several with as
    /// many, of whoever has for longest. Between addresses it counts for nothing what they owe: whoever
    /// holds very many seats by bodies without an end would else put out each who has yet to begin.
    fn give_up(&mut self, of: Option<IpAddr>) -> Option<()> {
        let mut owing: BTreeMap<IpAddr, Vec<(Owed, u64, u64)>> = BTreeMap::new();
        for (number, one) in &self.by_number {
            if let Some((what, since)) = one.owes {
                owing.entry(one.address).or_default().push((what, since, *number));
            }
        }
        let rank = |all: &Vec<(Owed, u64, u64)>| {
            (all.len(), all.iter().map(|(_, since, _)| Reverse(*since)).max())
        };
        let theirs = match of {
            Some(address) => owing.remove(&address),
            None => owing.into_values().max_by_key(rank),
        }?;
        let (.., number) = theirs.into_iter().min()?;
        self.by_number.remove(&number)?.given_up.cancel();
        Some(())
    }
}

impl Seat {
    /// The head of a request is whole; whether the seat is still its own.
    pub(super) fn speaks(&self) -> bool {
        self.owes(Some(Owed::Body))
    }

    /// So is its body; whether the seat is still its own, as it then stays until the answer.
    pub(super) fn has_spoken(&self) -> bool {
        self.owes(None)
    }

    /// It was answered, and is silent again.
    pub(super) fn is_silent(&self) {
        self.owes(Some(Owed::Head));
    }

    fn owes(&self, what: Option<Owed>) -> bool {
        let mut taken = self.seats.lock();
        let now = taken.count();
        let taker = taken.by_number.get_mut(&self.number);
        taker.map(|taker| taker.owes = what.map(|what| (what, now))).is_some()
    }

    /// Until the seat is another's.
    pub(super) async fn given_up(&self) {
        self.given_up.cancelled().await;
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        self.seats.lock().by_number.remove(&self.number);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn from(text: &str) -> IpAddr {
        text.parse().unwrap()
    }

    fn is_answered(seat: &Seat) -> bool {
        seat.speaks() && seat.has_spoken()
    }

    fn lost(seats: &[Seat]) -> Vec<usize> {
        let lost = seats.iter().enumerate().filter(|(_, seat)| seat.given_up.is_cancelled());
        lost.map(|(at, _)| at).collect()
    }

    #[test]
    fn one_address_takes_no_more_than_its_share() {
        let seats = Seats::within(1024);
        // All of a subscriber's addresses are one.
        let greedy = |at: usize| from(&format!("2001:db8::{at:x}"));
        let mut held: Vec<_> = (0..MOST_BY_ADDRESS).flat_map(|at| seats.take(greedy(at))).collect();
        assert!(held.iter().all(is_answered));
        assert!(seats.take(greedy(999)).is_none(), "all of them are being answered");
        assert!(seats.take(from("192.0.2.2")).is_some());
        held[7].is_silent();
        held.push(seats.take(greedy(999)).unwrap());
        assert_eq!(lost(&held), [7], "its own goes, and no other's");
        assert!(!held[7].speaks());
        drop(held);
        assert!(seats.lock().by_number.is_empty());
    }

    #[test]
    fn letters_keep_their_files_where_there_are_few() {
        for (may_open, most) in [(usize::MAX, 512), (1024, 512), (256, 128), (64, 4), (0, 4)] {
            assert_eq!(Seats::within(may_open).most, most);
        }
    }

    #[test]
    fn who_is_silent_for_longest_makes_room() {
        let seats = Seats::within(1024);
        let proxy = from("127.0.0.1");
        let mut held: Vec<_> = (0..MOST - 3).flat_map(|_| seats.take(proxy)).collect();
        for other in ["192.0.2.1", "192.0.2.1", "192.0.2.2"] {
            held.push(seats.take(from(other)).unwrap());
        }
        assert!(is_answered(&held[0]), "and stays");
        assert!(is_answered(&held[1]));
        held[1].is_silent();
        for _ in 0..2 {
            held.push(seats.take(from("192.0.2.3")).unwrap());
        }
        assert_eq!(lost(&held), [2, 3], "of the address with the most, the oldest");
        assert_eq!(held.iter().filter(|seat| is_answered(seat)).count(), MOST);
        assert!(seats.take(proxy).is_none(), "nobody is silent");
    }

    /// A head costs a line, and a body that never ends kept a seat for as long as one may take.
    #[test]
    fn whoever_owes_a_body_makes_room_too() {
        let seats = Seats::within(0);
        let take = |at: usize| seats.take(from(&format!("192.0.2.{at}"))).unwrap();
        let mut held: Vec<_> = (0..FEWEST).map(take).collect();
        assert!(held[0].speaks() && held[1].speaks() && is_answered(&held[2]));
        for at in FEWEST..FEWEST + 4 {
            held.push(take(at));
            assert!(held[at].speaks());
        }
        assert_eq!(lost(&held), [0, 1, 3, 4], "nobody who is answered, and the silent one first");
        assert!(!held[0].has_spoken(), "nothing may be done of which it never hears");
    }

    /// A telephone takes seconds for its handshake; a few addresses with endless bodies kept each seat,
    /// and each new one of theirs put it out.
    #[test]
    fn whoever_holds_all_seats_by_bodies_puts_out_nobody_who_begins() {
        let seats = Seats::within(1024);
        let theirs = |at: usize| from(&format!("192.0.2.{}", at % 9));
        let mut held: Vec<_> = (0..MOST).flat_map(|at| seats.take(theirs(at))).collect();
        assert!(held.len() == MOST && held.iter().all(Seat::speaks));
        let telephone = seats.take(from("198.51.100.7")).unwrap();
        for at in 0..64 {
            let seat = seats.take(theirs(at)).unwrap();
            assert!(seat.speaks());
            held.push(seat);
            assert!(!telephone.given_up.is_cancelled(), "after {at} more of theirs");
        }
        assert!(is_answered(&telephone));
    }

    /// Whoever has very many addresses and one connection from each, that of whoever comes from a
    /// higher one is not always the next to go.
    #[test]
    fn of_many_addresses_with_one_connection_the_oldest_makes_room() {
        let seats = Seats::within(0);
        let take = |at: usize| seats.take(from(&format!("192.0.2.{at}"))).unwrap();
        let mut held: Vec<_> = [9, 1, 2, 3].into_iter().map(take).collect();
        held.push(take(8));
        held.push(take(4));
        assert_eq!(lost(&held), [0, 1]);
    }
}
