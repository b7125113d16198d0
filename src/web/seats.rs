//! Who has a connection, and who loses it when there are too many.

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
    /// How many there were: a smaller number came earlier.
    counted: u64,
    /// By address, those of a net one behind the other, and by number.
    by_place: BTreeMap<Place, Taker>,
}

type Place = (IpAddr, u64);

struct Taker {
    at: Stage,
    given_up: CancellationToken,
}

/// How far somebody who has a seat has come, until they are answered and begin anew.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Stage {
    /// A handshake, or the head of a request, is on the way.
    Head,
    /// The body of a request whose head is there. A person's comes with it.
    Body,
    /// It waits to be shown something, and nothing is lost if it asks again.
    Asked,
    /// Something is being done for it, and it is to hear of that.
    Served,
}

impl Stage {
    const ALL: [Stage; 4] = [Stage::Head, Stage::Body, Stage::Asked, Stage::Served];
}

/// One connection's seat, until it is dropped.
pub(super) struct Seat {
    seats: Seats,
    place: Place,
    given_up: CancellationToken,
}

impl Seats {
    /// Where the process may have so many files open.
    fn within(may_open: usize) -> Self {
        let most = may_open.saturating_sub(KEPT_FOR_LETTERS).clamp(FEWEST, MOST);
        Seats { taken: Arc::default(), most }
    }

    /// A seat for who comes from here; where none is left, another's.
    pub(super) fn take(&self, from: IpAddr) -> Seat {
        let address = whose(from);
        let mut taken = self.lock();
        let own = taken.by_place.range((address, 0)..=(address, u64::MAX)).count();
        let has_its_share = own >= MOST_BY_ADDRESS && !from.to_canonical().is_loopback();
        if has_its_share {
            taken.give_up(Some(address));
        } else if taken.by_place.len() >= self.most {
            taken.give_up(None);
        }
        taken.counted += 1;
        let (place, given_up) = ((address, taken.counted), CancellationToken::new());
        taken.by_place.insert(place, Taker { at: Stage::Head, given_up: given_up.clone() });
        Seat { seats: self.clone(), place, given_up }
    }

    fn lock(&self) -> MutexGuard<'_, Taken> {
        self.taken.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Taken {
    /// Takes a seat of this address, or of those of which [`crowd`] is the greatest: whoever has a net of
    /// very many addresses has the most by the net, and whoever has one connection is no more than a
    /// browser with two.
    fn give_up(&mut self, of: Option<IpAddr>) {
        let (first, last) = of.map_or((FIRST, LAST), |address| (address, address));
        let seats: Vec<_> = self.by_place.range((first, 0)..=(last, u64::MAX)).collect();
        let nets = seats.chunk_by(|a, b| net_of(a.0.0) == net_of(b.0.0));
        let sites = nets.flat_map(|net| {
            let chunks = net.chunk_by(|a, b| site_of(a.0.0) == site_of(b.0.0));
            chunks.map(|site| (net.len(), site))
        });
        let addresses = sites.flat_map(|(net, site)| {
            let chunks = site.chunk_by(|a, b| a.0.0 == b.0.0);
            chunks.map(move |own| (crowd(net, site.len(), own.len()), own))
        });
        let addresses: Vec<_> = addresses.collect();
        let greatest = addresses.iter().map(|(crowd, _)| *crowd).max();
        let greatest = addresses.iter().filter(|(crowd, _)| Some(*crowd) == greatest);
        let theirs: Vec<_> = greatest.flat_map(|(_, own)| own.iter().copied()).collect();
        if let Some(place) = next_to_go(&theirs)
            && let Some(taker) = self.by_place.remove(&place)
        {
            taker.given_up.cancel();
        }
    }
}

/// The net with the most seats comes first, in it the site, then the address. It counts for nothing how far
/// they have come: whoever holds very many seats by requests without an end would else put out each who
/// has yet to begin.
fn crowd(net: usize, site: usize, own: usize) -> (usize, usize, usize) {
    (net.max(FEW_OF_NET), site.max(FEW_OF_SITE), own.max(FEW_OF_ADDRESS))
}

/// Of those with as great a crowd, or of one address, which may be a carrier's: of the stage at which the
/// most of them are, whoever connected first, whatever they have said since, for whoever floods always says
/// something. So those who come, even one behind the other, put out those who come, and whoever has got
/// further is answered; and whoever has very many at any other stage has no newcomer put out, for less than
/// a quarter of all can't be those of whom there are most.
fn next_to_go(theirs: &[(&Place, &Taker)]) -> Option<Place> {
    let at = |stage| theirs.iter().filter(move |(_, one)| one.at == stage);
    // Of two stages with as many, the earlier.
    let most = Stage::ALL.into_iter().rev().max_by_key(|stage| at(*stage).count())?;
    at(most).map(|(place, _)| **place).min_by_key(|(_, number)| *number)
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
        self.is_at(Stage::Body)
    }

    /// So is its body; whether the seat is still its own.
    pub(super) fn has_spoken(&self, only_reads: bool) -> bool {
        self.is_at(if only_reads { Stage::Asked } else { Stage::Served })
    }

    /// It was answered, and is silent again.
    pub(super) fn is_silent(&self) {
        self.is_at(Stage::Head);
    }

    fn is_at(&self, stage: Stage) -> bool {
        let mut taken = self.seats.lock();
        let taker = taken.by_place.get_mut(&self.place);
        taker.map(|taker| taker.at = stage).is_some()
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

    fn is_served(seat: &Seat) -> bool {
        seat.speaks() && seat.has_spoken(false)
    }

    fn is_still_own(seat: &Seat) -> bool {
        !seat.given_up.is_cancelled()
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
        let mut held: Vec<_> = (0..MOST_BY_ADDRESS).map(|at| seats.take(greedy(at))).collect();
        assert!(held.iter().all(is_served));
        let other = seats.take(from("192.0.2.2"));
        held[7].is_silent();
        held.push(seats.take(greedy(999)));
        assert_eq!(lost(&held), [0], "its own goes, and no other's");
        assert!(!held[0].speaks() && !held[0].has_spoken(false));
        assert!(is_still_own(&other));
        drop((held, other));
        assert!(seats.lock().by_place.is_empty());
    }

    #[test]
    fn letters_keep_their_files_where_there_are_few() {
        for (may_open, most) in [(usize::MAX, 512), (1024, 512), (256, 128), (64, 4), (0, 4)] {
            assert_eq!(Seats::within(may_open).most, most);
        }
    }

    #[test]
    fn who_came_first_makes_room() {
        let seats = Seats::within(usize::MAX);
        let proxy = from("127.0.0.1");
        let mut held: Vec<_> = (0..MOST - 3).map(|_| seats.take(proxy)).collect();
        for other in ["192.0.2.1", "192.0.2.1", "192.0.2.2"] {
            held.push(seats.take(from(other)));
        }
        assert!(is_served(&held[0]), "and stays");
        assert!(is_served(&held[1]));
        held[1].is_silent();
        for _ in 0..2 {
            held.push(seats.take(from("192.0.2.3")));
        }
        assert_eq!(lost(&held), [1, 2], "of the address with the most, the oldest");
        assert_eq!(held.iter().filter(|seat| is_served(seat)).count(), MOST);
    }

    /// Very many who ask for pages, one request behind the other, were always being answered, and nobody
    /// else had a seat.
    #[test]
    fn whoever_only_reads_makes_room_and_whoever_does_something_does_not() {
        let seats = Seats::within(usize::MAX);
        let greedy = |at: usize| from(&format!("198.51.100.{}", at / 60));
        let readers: Vec<_> = (0..MOST - 1).map(|at| seats.take(greedy(at))).collect();
        assert!(readers.iter().all(|seat| seat.speaks() && seat.has_spoken(true)));
        let reader = seats.take(from("192.0.2.1"));
        assert!(reader.speaks() && reader.has_spoken(true));
        let crews: Vec<_> = (2..9).map(|at| seats.take(from(&format!("192.0.2.{at}")))).collect();
        assert!(crews.iter().all(is_served));
        assert_eq!(lost(&readers).len(), crews.len());
        assert_eq!(lost(&[reader]), [0; 0], "nobody of few");
    }

    /// Deeds that come to nothing, one behind the other, from one net that has all seats.
    #[test]
    fn a_net_for_which_very_much_is_done_puts_out_nobody_of_another() {
        let seats = Seats::within(usize::MAX);
        let greedy = |at: usize| from(&format!("198.51.100.{}", at / 60));
        let crowd: Vec<_> = (0..MOST - 1).map(|at| seats.take(greedy(at))).collect();
        assert!(crowd.iter().all(is_served));
        let telephone = seats.take(from("192.0.2.1"));
        let more: Vec<_> = (0..9).map(|_| seats.take(from("198.51.100.9"))).collect();
        let other = seats.take(from("192.0.2.2"));
        assert_eq!(lost(&crowd).len() + lost(&more).len(), 10);
        assert_eq!(lost(&[telephone, other]), [0; 0]);
    }

    /// The same from many nets, none of which has more than a carrier's customers may: nobody else had a
    /// seat at all.
    #[test]
    fn nets_for_which_very_much_is_done_put_out_nobody_of_another() {
        type Theirs = fn(usize) -> String;
        let nets: [Theirs; 2] =
            [|at| format!("203.0.{}.7", at % 22), |at| format!("3fff:{:x}:{at:x}::1", at % 22)];
        for theirs in nets {
            let seats = Seats::within(usize::MAX);
            let take = |at: usize| seats.take(from(&theirs(at)));
            let mut held: Vec<_> = (0..22 * FEW_OF_NET).map(take).collect();
            held.iter().for_each(|seat| assert!(is_served(seat) || seat.given_up.is_cancelled()));
            let telephone = seats.take(from("192.0.2.1"));
            for at in 0..200 {
                held.push(take(at));
                assert!(is_still_own(&telephone), "after {at} more of {}", theirs(0));
                assert!(is_served(&held[held.len() - 1]));
            }
            assert!(is_served(&telephone));
        }
    }

    /// A head costs a line, and a body that never ends kept a seat for as long as one may take.
    #[test]
    fn of_the_stage_with_the_most_the_first_makes_room() {
        let seats = Seats::within(0);
        let take = |at: usize| seats.take(from(&format!("192.0.2.{at}")));
        let mut held: Vec<_> = (0..FEWEST).map(take).collect();
        assert!(held[1].speaks() && held[2].speaks() && is_served(&held[0]));
        held.push(take(4));
        assert_eq!(lost(&held), [1], "two bodies, and one head");
        assert!(!held[1].has_spoken(false), "nothing may be done of which it never hears");
        held.push(take(5));
        assert_eq!(lost(&held), [1, 3], "two heads");
        assert!(held[4].speaks() && held[5].speaks());
        held.push(take(6));
        assert_eq!(lost(&held), [1, 2, 3], "three bodies");
        assert!(is_served(&held[4]) && is_served(&held[5]));
        held.push(take(7));
        assert_eq!(lost(&held), [0, 1, 2, 3], "three served");
    }

    /// Whoever has very many addresses and one connection from each, that of whoever comes from a
    /// higher one is not always the next to go.
    #[test]
    fn of_many_addresses_with_one_connection_the_oldest_makes_room() {
        let seats = Seats::within(0);
        let take = |at: usize| seats.take(from(&format!("192.0.2.{at}")));
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
            let take = |at: usize| seats.take(from(&theirs(at)));
            let mut held: Vec<_> = (0..seats.most).map(take).collect();
            // A browser opens two, and those behind one address are several.
            let telephones = ["198.51.100.7"; 6].map(|one| seats.take(from(one)));
            held.extend((0..seats.most).map(take));
            assert_eq!(lost(&telephones), [0; 0], "{}", theirs(0));
        }
    }

    /// Of addresses that have nothing in common nobody can tell which are people's.
    #[test]
    fn the_first_few_connections_of_an_address_count_as_one() {
        let seats = Seats::within(0);
        let take = |text: &str| seats.take(from(text));
        let held = ["192.0.2.1", "198.51.100.7", "198.51.100.7", "203.0.113.1"].map(take);
        let _other = take("2001:db8::1");
        assert_eq!(lost(&held), [0], "by age alone");
    }

    /// A carrier's customers have one address: both the handshake of one of them and the plan of another
    /// may be on the way for seconds, whatever the others are up to.
    #[test]
    fn behind_one_address_nobody_puts_out_a_telephone_that_came_later() {
        const QUARTER: usize = MOST_BY_ADDRESS / 4;
        let (nat, [head, body, asked, served]) = (from("192.0.2.1"), Stage::ALL);
        let crowds = [[head; 4], [body; 4], [asked; 4], [served; 4], Stage::ALL];
        for (crowd, own) in crowds.iter().flat_map(|crowd| Stage::ALL.map(|own| (crowd, own))) {
            let seats = Seats::within(1024);
            let take = |at| {
                let seat = seats.take(nat);
                seat.is_at(at);
                seat
            };
            let of_crowd = |at: usize| take(crowd[at % 4]);
            let mut held: Vec<_> = (1..MOST_BY_ADDRESS).map(of_crowd).collect();
            let telephone = take(own);
            held.extend((1..QUARTER).map(of_crowd));
            assert!(is_still_own(&telephone));
        }
    }
}
