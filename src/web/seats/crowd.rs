//! Who goes, where there are more than there are seats.

use std::cmp::Reverse;
use std::collections::{BTreeMap, VecDeque};
use std::net::IpAddr;
use std::time::{Duration, Instant};

use ipnet::IpNet;

use super::{Held, Place, Stage};

/// Of an address, a site and a net so many count as one: a browser opens several, and
/// behind a carrier's address or net are many telephones.
const FEW_OF_ADDRESS: usize = 6;
const FEW_OF_SITE: usize = 12;
pub(super) const FEW_OF_NET: usize = 24;
/// What a telephone with little signal takes from the connection to the end of what it says. So long nobody
/// is put out who is among the newest few of their net, while there is anybody else.
pub(super) const BEGINS_WITHIN: Duration = Duration::from_secs(4);
/// Of so many nets it is remembered when somebody came; a small part of the most memory that strangers may
/// cost.
const MOST_REMEMBERED: usize = 8192;

/// When the newest few of each net came, whether or not they are still there.
#[derive(Default)]
pub(super) struct Arrivals(BTreeMap<IpNet, VecDeque<Instant>>);

impl Arrivals {
    /// Somebody comes from this net; whether a few have just come from there.
    pub(super) fn are_many(&mut self, net: IpNet, now: Instant) -> bool {
        let is_over = |came: &Instant| now.saturating_duration_since(*came) >= BEGINS_WITHIN;
        if self.0.len() >= MOST_REMEMBERED {
            self.0.retain(|_, came| !came.back().is_none_or(is_over));
        }
        if self.0.len() >= MOST_REMEMBERED {
            self.0.clear();
        }
        let came = self.0.entry(net).or_default();
        let are_many = came.len() >= FEW_OF_NET && !came.front().is_none_or(is_over);
        came.push_back(now);
        if came.len() > FEW_OF_NET {
            came.pop_front();
        }
        are_many
    }
}

/// Somebody settled, or else, where all are new, the first of them.
pub(super) fn first_to_go(seats: &[Held<'_>], now: Instant) -> Option<Place> {
    settled_to_go(seats, now).or_else(|| first(&seats.iter().collect::<Vec<_>>()))
}

/// One of those of which [`crowd`] is the greatest: whoever has a net of very many addresses has the most
/// by the net, and whoever has one connection is no more than a browser with two. Newcomers have time to
/// say what they came for.
pub(super) fn settled_to_go(seats: &[Held<'_>], now: Instant) -> Option<Place> {
    let nets = seats.chunk_by(|a, b| net_of(a.0.0) == net_of(b.0.0));
    let sites = nets.flat_map(|net| {
        let newcomers = newcomers(net, now);
        let chunks = net.chunk_by(|a, b| site_of(a.0.0) == site_of(b.0.0));
        chunks.map(move |site| (newcomers, net.len(), site))
    });
    let addresses = sites.flat_map(|(newcomers, net, site)| {
        let chunks = site.chunk_by(|a, b| a.0.0 == b.0.0);
        chunks.map(move |own| {
            let settled = own.iter().filter(|(place, _)| place.1 < newcomers);
            (crowd(net, site.len(), own.len()), settled.copied().collect::<Vec<_>>())
        })
    });
    let addresses: Vec<_> = addresses.filter(|(_, settled)| !settled.is_empty()).collect();
    let greatest = addresses.iter().map(|(crowd, _)| *crowd).max();
    let theirs = addresses.iter().filter(|(crowd, _)| Some(*crowd) == greatest);
    let theirs: Vec<_> = theirs.flat_map(|(_, settled)| settled.iter().copied()).collect();
    of_most(&theirs)
}

/// The number from which on those of a net are new.
fn newcomers(net: &[Held<'_>], now: Instant) -> u64 {
    let new = net.iter().filter(|(_, one)| now.saturating_duration_since(one.came) < BEGINS_WITHIN);
    let mut new: Vec<_> = new.map(|(place, _)| place.1).collect();
    new.sort_unstable_by_key(|number| Reverse(*number));
    new.into_iter().take(FEW_OF_NET).min().unwrap_or(u64::MAX)
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
fn of_most(theirs: &[Held<'_>]) -> Option<Place> {
    let at = |stage| theirs.iter().filter(move |(_, one)| one.at == stage);
    // Of two stages with as many, the earlier.
    let most = Stage::ALL.into_iter().rev().max_by_key(|stage| at(*stage).count())?;
    first(&at(most).collect::<Vec<_>>())
}

fn first(seats: &[&Held<'_>]) -> Option<Place> {
    seats.iter().map(|(place, _)| **place).min_by_key(|(_, number)| *number)
}

/// What one provider or one large customer has, as a rule: 32 bits of IPv6 (RIPE-738, 5.1), and 24 of IPv4.
pub(super) fn net_of(address: IpAddr) -> IpNet {
    first_bits(address, 24, 32)
}

/// What one site may have (RFC 6177); of IPv4 it has an address.
fn site_of(address: IpAddr) -> IpNet {
    first_bits(address, 32, 48)
}

fn first_bits(address: IpAddr, of_4: u8, of_6: u8) -> IpNet {
    let bits = if address.is_ipv4() { of_4 } else { of_6 };
    // No address has fewer bits.
    IpNet::new(address, bits).map_or_else(|_| IpNet::from(address), |net| net.trunc())
}
