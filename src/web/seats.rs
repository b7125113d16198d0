//! Who has a connection, and who loses it when there are too many.

use std::cmp::Reverse;
use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use rustix::process::{Resource, getrlimit};
use tokio_util::sync::CancellationToken;

use super::heads::whose;

/// Half of what a process may usually open (1024): the letters and the database need theirs. Each costs
/// at most some 90 kB, with a head and a body as large as may be: more of them would cost more than 64 MB.
const MOST: usize = 512;
/// So many files are theirs, where a process may open fewer.
const KEPT_FOR_LETTERS: usize = 128;
/// However few it may open, somebody must be able to check in.
const FEWEST: usize = 4;
/// One address's share. A web server in front, on this machine, speaks for many.
const MOST_BY_ADDRESS: usize = 64;
/// Of an address, a site and a net so many count as one: a browser opens several, and
/// behind a carrier's address or net are many telephones.
const FEW_OF_ADDRESS: usize = 6;
const FEW_OF_SITE: usize = 12;
const FEW_OF_NET: usize = 24;

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
    /// By address, those of a net one behind the other, and by number.
    by_place: BTreeMap<(IpAddr, u64), Taker>,
}

struct Taker {
    /// What it has still to say, and since when; nothing while it is answered.
    owes: Option<(Owed, u64)>,
    given_up: CancellationToken,
}

/// What somebody who has a seat has not said yet.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Owed {
    /// A handshake, or the head of a request.
    Head,
    /// The body of a request whose head is there. A person's comes with it.
    Body,
    /// Nothing: it waits to be shown something, and nothing is lost if it asks again.
    Patience,
    /// Nothing: something is being done for it, and it is to hear of that.
    Nothing,
}

/// Somebody with a seat, and what they owe.
struct Owing {
    place: (IpAddr, u64),
    what: Owed,
    since: u64,
}

/// One connection's seat, until it is dropped.
pub(super) struct Seat {
    seats: Seats,
    place: (IpAddr, u64),
    given_up: CancellationToken,
}

impl Seats {
    /// Where the process may have so many files open.
    fn within(may_open: usize) -> Self {
        let most = may_open.saturating_sub(KEPT_FOR_LETTERS).clamp(FEWEST, MOST);
        Seats { taken: Arc::default(), most }
    }

    /// A seat for who comes from here; where none is left, that of somebody silent, or who only waits to be
    /// shown something. `None` while something is being done for all.
    pub(super) fn take(&self, from: IpAddr) -> Option<Seat> {
        let address = whose(from);
        let mut taken = self.lock();
        let own = taken.by_place.range((address, 0)..=(address, u64::MAX)).count();
        let has_its_share = own >= MOST_BY_ADDRESS && !from.to_canonical().is_loopback();
        if has_its_share {
            taken.give_up(Some(address))?;
        } else if taken.by_place.len() >= self.most {
            taken.give_up(None)?;
        }
        let (number, given_up) = (taken.count(), CancellationToken::new());
        let (place, owes) = ((address, number), Some((Owed::Head, number)));
        taken.by_place.insert(place, Taker { owes, given_up: given_up.clone() });
        Some(Seat { seats: self.clone(), place, given_up })
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

    /// Takes a seat of this address, or of that of which [`crowd`] is the greatest: whoever has a net of
    /// very many addresses has the most by the net, and whoever has one connection is no more than a
    /// browser with two.
    fn give_up(&mut self, of: Option<IpAddr>) -> Option<()> {
        let (first, last) = of.map_or((FIRST, LAST), |address| (address, address));
        let places = (first, 0)..=(last, u64::MAX);
        let owing = self.by_place.range(places).map(|(place, one)| {
            let (what, since) = one.owes.unwrap_or((Owed::Nothing, place.1));
            Owing { place: *place, what, since }
        });
        let owing: Vec<_> = owing.collect();
        let nets = owing.chunk_by(|a, b| net_of(a.place.0) == net_of(b.place.0));
        let sites = nets.flat_map(|net| {
            let chunks = net.chunk_by(|a, b| site_of(a.place.0) == site_of(b.place.0));
            chunks.map(|site| (net.len(), site))
        });
        let addresses = sites.flat_map(|(net, site)| {
            let chunks = site.chunk_by(|a, b| a.place.0 == b.place.0);
            chunks.map(move |own| (crowd(net, site.len(), own), own))
        });
        let to_go = addresses.filter_map(|(crowd, own)| Some((crowd, next_to_go(crowd.0, own)?)));
        let place = to_go.max_by_key(|(crowd, _)| *crowd)?.1.place;
        self.by_place.remove(&place)?.given_up.cancel();
        Some(())
    }
}

/// Between addresses the net with the most seats is first, in it the site, then the
/// address; of several with as many, that of whoever has for longest. It counts for nothing what
/// they owe: whoever holds very many seats by bodies without an end would else put out each who has yet
/// to begin.
fn crowd(net: usize, site: usize, own: &[Owing]) -> (usize, usize, usize, Option<Reverse<u64>>) {
    (
        net.max(FEW_OF_NET),
        site.max(FEW_OF_SITE),
        own.len().max(FEW_OF_ADDRESS),
        own.iter().map(|one| Reverse(one.since)).max(),
    )
}

/// Of one address, which may be a carrier's, whoever owes a head, for a head costs a line; but where more
/// than half of them owe bodies, or only wait, one of these, for else whoever sends bodies without an end, or
/// asks for pages without one, has all but one seat, and that one would be each newcomer's in turn.
/// Whoever something is being done for goes last, and only of a `net` that has more than a few: else anybody
/// who can open enough connections has every seat done for, and each newcomer puts out the others.
fn next_to_go(net: usize, theirs: &[Owing]) -> Option<&Owing> {
    let are_most = |what| 2 * theirs.iter().filter(|one| one.what == what).count() > theirs.len();
    let first = [Owed::Body, Owed::Patience].into_iter().find(|what| are_most(*what));
    let first = first.unwrap_or(Owed::Head);
    let may_go = theirs.iter().filter(|one| one.what != Owed::Nothing || net > FEW_OF_NET);
    may_go.min_by_key(|one| (one.what == Owed::Nothing, one.what != first, one.since))
}

/// What one provider or one large customer has, as a rule: 32 bits of IPv6 (RIPE-738, 5.1), and 24 of IPv4.
fn net_of(address: IpAddr) -> IpAddr {
    first_bits(address, 32)
}

/// What one site may have (RFC 6177).
fn site_of(address: IpAddr) -> IpAddr {
    first_bits(address, 48)
}

fn first_bits(address: IpAddr, bits: u32) -> IpAddr {
    match address {
        IpAddr::V4(address) => IpAddr::from((u32::from(address) & !0xff).to_be_bytes()),
        IpAddr::V6(address) => {
            IpAddr::from((address.to_bits() & !(u128::MAX >> bits)).to_be_bytes())
        }
    }
}

const FIRST: IpAddr = IpAddr::V4(Ipv4Addr::UNSPECIFIED);
const LAST: IpAddr = IpAddr::V6(Ipv6Addr::from_bits(u128::MAX));

impl Seat {
    /// The head of a request is whole; whether the seat is still its own.
    pub(super) fn speaks(&self) -> bool {
        self.owes(Some(Owed::Body))
    }

    /// So is its body; whether the seat is still its own, as it then stays until the answer, unless that
    /// only shows something.
    pub(super) fn has_spoken(&self, only_reads: bool) -> bool {
        self.owes(only_reads.then_some(Owed::Patience))
    }

    /// It was answered, and is silent again.
    pub(super) fn is_silent(&self) {
        self.owes(Some(Owed::Head));
    }

    fn owes(&self, what: Option<Owed>) -> bool {
        let mut taken = self.seats.lock();
        let now = taken.count();
        let taker = taken.by_place.get_mut(&self.place);
        taker.map(|taker| taker.owes = what.map(|what| (what, now))).is_some()
    }

    /// Until the seat is another's.
    pub(super) async fn given_up(&self) {
        self.given_up.cancelled().await;
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        self.seats.lock().by_place.remove(&self.place);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn from(text: &str) -> IpAddr {
        text.parse().unwrap()
    }

    fn is_answered(seat: &Seat) -> bool {
        seat.speaks() && seat.has_spoken(false)
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
        assert!(seats.take(from("192.0.2.2")).is_some());
        held[7].is_silent();
        held.push(seats.take(greedy(999)).unwrap());
        assert_eq!(lost(&held), [7], "its own goes, and no other's");
        assert!(!held[7].speaks());
        drop(held);
        assert!(seats.lock().by_place.is_empty());
    }

    #[test]
    fn letters_keep_their_files_where_there_are_few() {
        for (may_open, most) in [(usize::MAX, 512), (1024, 512), (256, 128), (64, 4), (0, 4)] {
            assert_eq!(Seats::within(may_open).most, most);
        }
    }

    #[test]
    fn who_is_silent_for_longest_makes_room() {
        let seats = Seats::within(usize::MAX);
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
    }

    /// Very many who ask for pages, one request behind the other, were always being answered, and nobody
    /// else had a seat.
    #[test]
    fn whoever_only_reads_makes_room_and_whoever_does_something_does_not() {
        let seats = Seats::within(usize::MAX);
        let greedy = |at: usize| from(&format!("198.51.100.{}", at / 60));
        let readers: Vec<_> = (0..MOST - 1).map(|at| seats.take(greedy(at)).unwrap()).collect();
        assert!(readers.iter().all(|seat| seat.speaks() && seat.has_spoken(true)));
        let reader = seats.take(from("192.0.2.1")).unwrap();
        assert!(reader.speaks() && reader.has_spoken(true));
        let crews: Vec<_> = (2..9)
            .map(|at| seats.take(from(&format!("192.0.2.{at}"))).expect("there is room"))
            .collect();
        assert!(crews.iter().all(is_answered));
        assert_eq!(lost(&readers).len(), crews.len());
        assert_eq!(lost(&[reader]), [0; 0], "nobody of few");
    }

    /// Deeds that come to nothing, one behind the other, from one net that has all seats.
    #[test]
    fn a_net_for_which_very_much_is_done_puts_out_nobody_of_another() {
        let seats = Seats::within(usize::MAX);
        let greedy = |at: usize| from(&format!("198.51.100.{}", at / 60));
        let crowd: Vec<_> = (0..MOST - 1).map(|at| seats.take(greedy(at)).unwrap()).collect();
        assert!(crowd.iter().all(is_answered));
        let telephone = seats.take(from("192.0.2.1")).unwrap();
        let more: Vec<_> = (0..9).map(|_| seats.take(from("198.51.100.9")).unwrap()).collect();
        let other = seats.take(from("192.0.2.2")).expect("there is room");
        assert_eq!(lost(&crowd).len() + lost(&more).len(), 10);
        assert_eq!(lost(&[telephone, other]), [0; 0]);
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
        assert!(!held[0].has_spoken(false), "nothing may be done of which it never hears");
    }

    /// A telephone takes seconds for its handshake; a few addresses with endless bodies kept each seat,
    /// and each new one of theirs put it out.
    #[test]
    fn whoever_holds_all_seats_by_bodies_puts_out_nobody_who_begins() {
        let seats = Seats::within(usize::MAX);
        let theirs = |at: usize| from(&format!("192.0.2.{}", at % 17));
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

    /// One site may have 65 536 nets of 64 bits, and a provider as many sites (RFC 6177).
    #[test]
    fn a_net_of_very_many_addresses_puts_out_nobody_else() {
        type Theirs = fn(usize) -> String;
        let nets: [Theirs; 3] = [
            |at| format!("2001:db8:1:{at:x}::1"),
            |at| format!("2001:db8:{at:x}::1"),
            |at| format!("192.0.2.{}", at % 256),
        ];
        for theirs in nets {
            let seats = Seats::within(usize::MAX);
            let take = |at: usize| seats.take(from(&theirs(at))).unwrap();
            let mut held: Vec<_> = (0..seats.most).map(take).collect();
            // A browser opens two, and those behind one address are several.
            let telephones = ["198.51.100.7"; 6].map(|one| seats.take(from(one)).unwrap());
            held.extend((0..seats.most).map(take));
            assert_eq!(lost(&telephones), [0; 0], "{}", theirs(0));
        }
    }

    /// Of addresses that have nothing in common nobody can tell which are people's.
    #[test]
    fn the_first_few_connections_of_an_address_count_as_one() {
        let seats = Seats::within(0);
        let take = |text: &str| seats.take(from(text)).unwrap();
        let held = ["192.0.2.1", "198.51.100.7", "198.51.100.7", "203.0.113.1"].map(take);
        let _other = take("2001:db8::1");
        assert_eq!(lost(&held), [0], "by age alone");
    }

    /// A carrier's customers have one address: both the handshake of one of them and the plan of another
    /// may be on the way for seconds.
    #[test]
    fn behind_one_address_neither_bodies_nor_heads_without_end_put_out_a_telephone() {
        let nat = from("192.0.2.1");
        for (theirs, later, own) in
            [(true, true, false), (true, false, false), (false, false, true)]
        {
            let seats = Seats::within(1024);
            let take = |body: bool| {
                let seat = seats.take(nat).unwrap();
                assert!(!body || seat.speaks());
                seat
            };
            let mut held: Vec<_> = (1..MOST_BY_ADDRESS).map(|_| take(theirs)).collect();
            let telephone = take(own);
            held.extend((1..MOST_BY_ADDRESS / 2).map(|_| take(later)));
            assert!(
                !telephone.given_up.is_cancelled(),
                "bodies: {theirs}, {later}; its own: {own}"
            );
        }
    }
}
