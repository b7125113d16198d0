//! What people do, and what goes wrong, in one world: all drawn from its seed. Times are
//! milliseconds since the world's beginning.

use super::chance::Chance;

pub const SECOND: i64 = 1000;
pub const MINUTE: i64 = 60 * SECOND;
/// From here on nothing goes wrong any more, and nobody does anything.
pub const QUIET_FROM: i64 = 48 * MINUTE;
pub const END: i64 = 56 * MINUTE;
pub const GRACE: i64 = 2 * MINUTE;
/// Between the rungs to contacts.
pub const SPACING: i64 = 3 * MINUTE;

/// What a relay does to everybody.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// Nobody listens there.
    Refuses,
    /// It takes the connection and says nothing.
    Silent,
    /// The network is parted: nothing passes in either direction.
    Parted,
    /// 451 to every recipient.
    Later,
    /// 421 instead of a greeting.
    Closed,
    /// It takes the letter, and its answer is lost.
    Swallows,
    /// It takes the letter and breaks the connection.
    Breaks,
    /// It breaks the connection in the middle of the letter.
    Drops,
}

const FAULTS: [Fault; 8] = [
    Fault::Refuses,
    Fault::Silent,
    Fault::Parted,
    Fault::Later,
    Fault::Closed,
    Fault::Swallows,
    Fault::Breaks,
    Fault::Drops,
];

#[derive(Clone, Copy, Debug)]
pub struct Trouble {
    pub relay: usize,
    pub from: i64,
    pub to: i64,
    pub fault: Fault,
}

/// The service is down.
#[derive(Clone, Copy, Debug)]
pub struct Outage {
    pub from: i64,
    pub to: i64,
    /// Whether it was stopped in good order, and not cut off.
    pub in_order: bool,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Deed {
    File,
    CheckIn,
    CallOff,
    Extend { by_s: u32 },
    OnIt(usize),
    Called(usize),
    CantAct(usize),
}

#[derive(Clone, Debug)]
pub struct Life {
    pub due: i64,
    pub deeds: Vec<(i64, Deed)>,
    /// For each contact, whether their address exists.
    pub alive: [bool; 2],
}

#[derive(Clone, Debug)]
pub struct Script {
    pub seed: u64,
    pub relays: usize,
    pub lives: Vec<Life>,
    pub troubles: Vec<Trouble>,
    pub outages: Vec<Outage>,
}

impl Script {
    pub fn draw(seed: u64, plans: usize) -> Script {
        let mut chance = Chance::new(seed);
        let lives = (0..plans).map(|_| life(&mut chance)).collect();
        let relays = 1 + usize::from(chance.percent(50));
        let mut script = Script { seed, relays, lives, troubles: Vec::new(), outages: Vec::new() };
        if chance.percent(10) {
            return script;
        }
        for relay in 0..relays {
            for _ in 0..chance.between(0, 9) {
                let (from, to) = span(&mut chance, 5 * SECOND, 4 * MINUTE);
                let fault = FAULTS[usize::try_from(chance.between(0, 8)).expect("small")];
                script.troubles.push(Trouble { relay, from, to, fault });
            }
        }
        let mut from = 0;
        for _ in 0..chance.between(0, 4) {
            let up = chance.between(20 * SECOND, 20 * MINUTE);
            let to = from + up + chance.between(SECOND, 5 * MINUTE);
            if to >= QUIET_FROM {
                break;
            }
            script.outages.push(Outage { from: from + up, to, in_order: chance.percent(30) });
            from = to;
        }
        script
    }

    /// What ails this relay now, the first of what does.
    pub fn fault(&self, relay: usize, now: i64) -> Option<&Trouble> {
        let mut here = self.troubles.iter().filter(|trouble| trouble.relay == relay);
        here.find(|trouble| (trouble.from..trouble.to).contains(&now))
    }

    /// Whether anything ails this relay at any time of this span.
    pub fn ails(&self, relay: usize, from: i64, to: i64) -> bool {
        let mut here = self.troubles.iter().filter(|trouble| trouble.relay == relay);
        here.any(|trouble| trouble.from <= to && from <= trouble.to)
    }
}

fn span(chance: &mut Chance, least: i64, most: i64) -> (i64, i64) {
    // While there is most to do.
    let from = chance.between(0, QUIET_FROM - 14 * MINUTE);
    (from, (from + chance.between(least, most)).min(QUIET_FROM))
}

fn life(chance: &mut Chance) -> Life {
    let filed = chance.between(SECOND, 15 * MINUTE);
    let mut due = filed + chance.between(4 * MINUTE, 12 * MINUTE);
    let first_due = due;
    let mut deeds = vec![(filed, Deed::File)];
    if chance.percent(15) {
        let at = chance.between(filed + SECOND, due + 4 * MINUTE);
        let by_s = u32::try_from(chance.between(60, 480)).expect("small");
        deeds.push((at, Deed::Extend { by_s }));
        due = due.max(first_due + i64::from(by_s) * SECOND);
    }
    let close = match chance.between(0, 10) {
        0..4 => chance.between(filed + 2 * SECOND, due + GRACE),
        // Just when it matters.
        4..6 => due + GRACE + chance.between(-3 * SECOND, 3 * SECOND),
        _ => due + GRACE + chance.between(0, 12 * MINUTE),
    };
    let alive = match chance.between(0, 20) {
        0 => [false, true],
        1 => [true, false],
        _ => [true, true],
    };
    if chance.percent(20) {
        // Whose address does not exist has no link to answer by.
        let contact = if alive[0] && (!alive[1] || chance.percent(50)) { 0 } else { 1 };
        let deed = match chance.between(0, 3) {
            0 => Deed::OnIt(contact),
            1 => Deed::Called(contact),
            _ => Deed::CantAct(contact),
        };
        deeds.push((chance.between(filed + SECOND, due + 8 * MINUTE), deed));
    }
    let end = if chance.percent(12) { Deed::CallOff } else { Deed::CheckIn };
    deeds.push((close.clamp(filed + SECOND, QUIET_FROM - MINUTE), end));
    deeds.sort_by_key(|(at, deed)| (*at, *deed != Deed::File));
    Life { due: first_due, deeds, alive }
}
