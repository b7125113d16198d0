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
    CloseByHand,
    /// The last closing is taken back.
    TakeBack,
    Extend {
        by_s: u32,
    },
    /// The plan is replaced by one with this return time.
    Amend {
        due: i64,
    },
    OnIt(usize),
    Called(usize),
    CantAct(usize),
}

impl Deed {
    pub fn closes(&self) -> bool {
        matches!(self, Deed::CheckIn | Deed::CallOff | Deed::CloseByHand)
    }
}

/// The wall clock is wrong by so much, and no time service vouches for it.
#[derive(Clone, Copy, Debug)]
pub struct Step {
    pub from: i64,
    pub to: i64,
    pub by: i64,
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
    pub steps: Vec<Step>,
}

impl Script {
    pub fn draw(seed: u64, plans: usize) -> Script {
        let mut chance = Chance::new(seed);
        let lives = (0..plans).map(|_| life(&mut chance)).collect();
        let relays = 1 + usize::from(chance.percent(50));
        let (troubles, outages, steps) = (Vec::new(), Vec::new(), Vec::new());
        let mut script = Script { seed, relays, lives, troubles, outages, steps };
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
        for _ in 0..chance.between(0, 4) {
            // Shorter than the two minutes for which the clock since the start rules: no alert may
            // come at another time for it.
            let (from, to) = span(&mut chance, 3 * SECOND, 100 * SECOND);
            let by = chance.between(3 * SECOND, 6 * 60 * MINUTE);
            let by = if chance.percent(50) { by } else { -by };
            // A life that begins with a wrong clock can't know better.
            let begins = script.outages.iter().any(|one| (from..=to).contains(&one.to));
            if !begins && script.wrong_by(from) == 0 && script.wrong_by(to) == 0 {
                script.steps.push(Step { from, to, by });
            }
        }
        script
    }

    /// By how much the wall clock is wrong.
    pub fn wrong_by(&self, now: i64) -> i64 {
        let step = self.steps.iter().find(|step| (step.from..step.to).contains(&now));
        step.map_or(0, |step| step.by)
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
    let mut close = match chance.between(0, 10) {
        0..4 => chance.between(filed + 2 * SECOND, due + GRACE),
        // Just when it matters.
        4..6 => due + GRACE + chance.between(-3 * SECOND, 3 * SECOND),
        _ => due + GRACE + chance.between(0, 12 * MINUTE),
    };
    if chance.percent(15) {
        let at = chance.between(filed + SECOND, due + 2 * MINUTE);
        // Perhaps sooner than it was.
        due = at + chance.between(MINUTE, 8 * MINUTE);
        deeds.push((at, Deed::Amend { due }));
    }
    if chance.percent(15) {
        let at = match chance.percent(40) {
            true => due + GRACE + chance.between(-3 * SECOND, 3 * SECOND),
            false => chance.between(filed + SECOND, due + GRACE + 6 * MINUTE),
        };
        let closing = [Deed::CheckIn, Deed::CallOff, Deed::CloseByHand];
        let which = usize::try_from(chance.between(0, 3)).expect("small");
        let at = at.clamp(filed + SECOND, QUIET_FROM - 8 * MINUTE);
        let back = at + chance.between(SECOND, 5 * MINUTE);
        close = close.max(back + chance.between(SECOND, 12 * MINUTE));
        deeds.push((at, closing[which].clone()));
        deeds.push((back, Deed::TakeBack));
    }
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
    let end = match chance.between(0, 25) {
        0..3 => Deed::CallOff,
        3..5 => Deed::CloseByHand,
        _ => Deed::CheckIn,
    };
    deeds.push((close.clamp(filed + SECOND, QUIET_FROM - MINUTE), end));
    deeds.sort_by_key(|(at, deed)| (*at, *deed != Deed::File));
    Life { due: first_due, deeds, alive }
}
