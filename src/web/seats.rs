//! Who has a connection, and who loses it when there are too many.

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};
use std::ops::RangeInclusive;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use rustix::process::{Resource, getrlimit};
use tokio_util::sync::CancellationToken;

use self::crowd::{Arrivals, FEW_OF_NET, first_to_go, net_of, settled_to_go};
use super::heads::whose;

mod crowd;

/// Half of what a process may usually open (1024): the letters and the database need theirs. Each costs
/// at most some 90 kB, with a head and a body as large as may be: more of them would cost more than 64 MB.
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
    /// How many there were: a smaller number came earlier.
    counted: u64,
    /// By address, those of a net one behind the other, and by number.
    by_place: BTreeMap<Place, Taker>,
    arrivals: Arrivals,
}

type Place = (IpAddr, u64);
type Held<'a> = (&'a Place, &'a Taker);

struct Taker {
    at: Stage,
    came: Instant,
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
        self.take_at(from, Instant::now())
    }

    fn take_at(&self, from: IpAddr, now: Instant) -> Seat {
        let address = whose(from);
        let (net, of_address) = (net_of(address), address..=address);
        let of_net = net.network()..=net.broadcast();
        let mut taken = self.lock();
        let come_many = taken.arrivals.are_many(net, now);
        let has_its_share = taken.held(&of_address).len() >= MOST_BY_ADDRESS;
        if has_its_share && !from.to_canonical().is_loopback() {
            let place = first_to_go(&taken.held(&of_address), now);
            taken.give_up(place);
        } else if taken.by_place.len() >= self.most {
            let (own, all) = (taken.held(&of_net), taken.held(&(FIRST..=LAST)));
            let place = match come_many {
                false => first_to_go(&all, now),
                true if own.len() >= FEW_OF_NET => first_to_go(&own, now),
                // However fast they come, they put out newcomers of their own net alone.
                true => settled_to_go(&all, now)
                    .or_else(|| first_to_go(&own, now))
                    .or_else(|| first_to_go(&all, now)),
            };
            taken.give_up(place);
        }
        taken.counted += 1;
        let (place, given_up) = ((address, taken.counted), CancellationToken::new());
        let taker = Taker { at: Stage::Head, came: now, given_up: given_up.clone() };
        taken.by_place.insert(place, taker);
        Seat { seats: self.clone(), place, given_up }
    }

    fn lock(&self) -> MutexGuard<'_, Taken> {
        self.taken.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Taken {
    /// Those of these addresses, the addresses of a net one behind the other.
    fn held(&self, among: &RangeInclusive<IpAddr>) -> Vec<Held<'_>> {
        self.by_place.range((*among.start(), 0)..=(*among.end(), u64::MAX)).collect()
    }

    fn give_up(&mut self, place: Option<Place>) {
        if let Some(taker) = place.and_then(|place| self.by_place.remove(&place)) {
            taker.given_up.cancel();
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
    use std::time::Duration;

    use super::crowd::BEGINS_WITHIN;
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
        let (seats, begin) = (Seats::within(0), Instant::now());
        // Nobody is new any more when the next one comes.
        let take = |at: u8| {
            let from = IpAddr::from([192, 0, 2, at]);
            seats.take_at(from, begin + BEGINS_WITHIN * u32::from(at))
        };
        let mut held: Vec<_> = (0..4).map(take).collect();
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

    /// Behind an address of which a few more were there than of any other, each newcomer was put out
    /// at once by the next, and those who had sat elsewhere for long were left alone.
    #[test]
    fn a_newcomer_has_time_to_begin_while_others_have_sat_for_long() {
        let (seats, begin) = (Seats::within(usize::MAX), Instant::now());
        let later = |ms: u64| begin + BEGINS_WITHIN + Duration::from_millis(ms);
        let elsewhere = |at: usize| from(&format!("203.0.{}.{}", at % 42, at % 84));
        let mut held: Vec<_> =
            (0..MOST - 8).map(|at| seats.take_at(elsewhere(at), begin)).collect();
        let carrier = from("192.0.2.1");
        held.extend((0..8).map(|_| seats.take_at(carrier, begin)));
        held.iter().for_each(|seat| assert!(is_served(seat)));
        let telephone = seats.take_at(carrier, later(0));
        for at in 1..FEW_OF_NET {
            held.push(seats.take_at(carrier, later(100 * at as u64)));
            held.extend(
                (0..10).map(|of| seats.take_at(elsewhere(at + of), later(100 * at as u64))),
            );
            assert!(is_still_own(&telephone), "after {at} of its own and ten times as many others");
        }
        held.extend((0..2).map(|_| seats.take_at(carrier, later(3_999))));
        assert!(!is_still_own(&telephone), "the first of more than a few of its own");
    }

    /// Whoever is put out and comes again at once puts out the next, and so each of them a thousand times.
    #[test]
    fn however_fast_they_come_a_newcomer_of_another_net_has_time_to_begin() {
        let (seats, begin) = (Seats::within(usize::MAX), Instant::now());
        let theirs = |at: u64| from(&format!("203.0.{}.7", at % 22));
        let at = |ms: u64| begin + Duration::from_millis(ms);
        let mut held: Vec<_> = (0..5_000).map(|ms| seats.take_at(theirs(ms), at(ms))).collect();
        let telephone = seats.take_at(from("192.0.2.1"), at(5_000));
        for ms in 5_000..8_999 {
            held.push(seats.take_at(theirs(ms), at(ms)));
            assert!(is_still_own(&telephone), "after {ms} ms");
        }
    }

    #[test]
    fn the_first_few_of_a_net_count_as_one() {
        let (seats, begin) = (Seats::within(usize::MAX), Instant::now());
        let elsewhere = |at: usize| from(&format!("203.0.{}.{}", at % 42, at % 84));
        let few = |at: usize| from(&format!("192.0.2.{at}"));
        let mut held: Vec<_> =
            (0..MOST - FEW_OF_NET).map(|at| seats.take_at(elsewhere(at), begin)).collect();
        held.extend((0..FEW_OF_NET).map(|at| seats.take_at(few(at), begin)));
        let others = MOST - FEW_OF_NET;
        held.extend((0..others).map(|at| seats.take_at(elsewhere(at), begin + BEGINS_WITHIN)));
        assert!(lost(&held).into_iter().eq(0..others), "by age alone");
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
