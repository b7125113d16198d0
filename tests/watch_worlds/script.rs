//! What people do with one plan, and what goes wrong meanwhile; all drawn from a seed. Times are
//! milliseconds since filing.

use super::chance::Chance;

pub const SECOND: i64 = 1000;
pub const MINUTE: i64 = 60 * SECOND;
/// The ladder's own grace; a plan may have a longer one.
pub const GRACE: i64 = 2 * MINUTE;
/// Between the rungs to contacts.
pub const SPACING: i64 = 3 * MINUTE;
/// From overdue to the first rung of a ladder that waits before it alarms anybody.
pub const PATIENCE: i64 = MINUTE;
/// From here on nothing goes wrong any more; everybody is ashore by then.
pub const QUIET_FROM: i64 = 60 * MINUTE;
pub const END: i64 = 70 * MINUTE;

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Deed {
    CheckIn(usize),
    CallOff,
    CloseByHand,
    /// Takes back whatever was the last to close the plan, or to say that somebody is ashore.
    TakeBack,
    Extend(i64),
    /// A new return time, so long from now, and the contacts who are asked from now on.
    Amend(i64, Vec<usize>),
    OnIt(usize),
    Called(usize),
    CantAct(usize),
    SendAgain(usize),
    /// Somebody looks at the plan's page.
    Look,
}

/// How the keeper has written the ladder down.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Written {
    /// The rungs to contacts are counted from overdue, the first at once.
    FromOverdue,
    /// The same rungs counted from the return time.
    FromDue,
    /// Counted from overdue, the first after a while.
    Later,
}

/// What the relay does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    Refuses,
    Silent,
    /// It takes the letter, and its answer is lost.
    Swallows,
}

#[derive(Clone, Debug)]
pub struct Script {
    pub crew: usize,
    /// For each place of a contact, until when their address exists; two are there from the start.
    pub lives_until: [i64; 3],
    pub ladder: Written,
    pub due: i64,
    pub grace: i64,
    pub deeds: Vec<(i64, Deed)>,
    pub relay: Vec<(i64, i64, Fault)>,
    /// When the service is down, or its machine asleep.
    pub down: Vec<(i64, i64)>,
}

impl Script {
    pub fn draw(chance: &mut Chance) -> Script {
        let crew = if chance.percent(30) { 2 } else { 1 };
        let due = chance.between(4 * MINUTE, 16 * MINUTE);
        let long_grace = chance.percent(25);
        let longer = chance.between(GRACE / SECOND, 10 * MINUTE / SECOND) * SECOND;
        let grace = if long_grace { longer } else { GRACE };
        let written = [Written::FromOverdue, Written::FromDue, Written::Later];
        let ladder = written[usize::try_from(chance.between(0, 3)).expect("small")];
        let mut lives_until = [i64::MAX; 3];
        if chance.percent(30) {
            // From the start, or a mailbox that goes before anybody is overdue.
            let until = if chance.percent(50) { 0 } else { chance.between(SECOND, due + grace) };
            lives_until[usize::try_from(chance.between(0, 3)).expect("small")] = until;
        }
        let alive = lives_until.map(|until| until == i64::MAX);
        let (mut relay, mut down) = (Vec::new(), Vec::new());
        if chance.percent(80) {
            relay = spans(chance, 4, 6 * MINUTE)
                .into_iter()
                .map(|(from, to)| {
                    let kinds = [Fault::Refuses, Fault::Silent, Fault::Swallows];
                    (from, to, kinds[usize::try_from(chance.between(0, 3)).expect("small")])
                })
                .collect();
            down = spans(chance, 3, 10 * MINUTE);
        }
        let mut deeds = Vec::new();
        for _ in 0..chance.between(0, 5) {
            // Mostly just when it matters.
            let near = due + grace + chance.between(-4 * SECOND, 4 * SECOND);
            let any = chance.between(SECOND, due + 20 * MINUTE);
            let at = if chance.percent(25) { near } else { any };
            let deed = deed(chance, crew, alive);
            // Whoever is told that it is over is the one who can take it back, soon after.
            if matches!(deed, Deed::CheckIn(_) | Deed::CallOff | Deed::CloseByHand)
                && chance.percent(50)
            {
                deeds.push((at + chance.between(SECOND, 6 * MINUTE), Deed::TakeBack));
            }
            deeds.push((at, deed));
        }
        let close = due + grace + chance.between(-8 * MINUTE, 16 * MINUTE);
        for who in 0..crew {
            let at = close.max(SECOND) + chance.between(0, 30 * SECOND);
            deeds.push((at, Deed::CheckIn(who)));
            deeds.push((QUIET_FROM, Deed::CheckIn(who)));
        }
        for _ in 0..3 {
            deeds.push((chance.between(SECOND, due + 20 * MINUTE), Deed::Look));
        }
        for (at, _) in &mut deeds {
            *at = (*at).max(SECOND);
            // Nobody answers while it is down: they say it again once it is up.
            while let Some((_, up)) = down.iter().find(|(from, to)| (*from..*to).contains(at)) {
                *at = up + chance.between(0, 2 * SECOND);
            }
        }
        deeds.sort_by_key(|(at, _)| *at);
        Script { crew, lives_until, ladder, due, grace, deeds, relay, down }
    }

    /// Whether letters to this contact's address arrive all the time.
    pub fn always_lives(&self, contact: usize) -> bool {
        self.lives_until[contact] == i64::MAX
    }

    /// When the rungs to contacts come, counted from overdue, while nothing hurries or delays them.
    pub fn rungs(&self) -> [i64; 3] {
        [0, SPACING, 2 * SPACING].map(|at| match self.ladder {
            Written::FromOverdue => at,
            // None comes before the plan's own grace is over.
            Written::FromDue => (GRACE + at - self.grace).max(0),
            Written::Later => PATIENCE + at,
        })
    }

    pub fn fault(&self, at: i64) -> Option<Fault> {
        let here = |(from, to, _): &&(i64, i64, Fault)| (*from..*to).contains(&at);
        self.relay.iter().find(here).map(|(_, _, fault)| *fault)
    }

    /// Until when it is down at this time.
    pub fn down_until(&self, at: i64) -> Option<i64> {
        self.down.iter().find(|(from, to)| (*from..*to).contains(&at)).map(|(_, to)| *to)
    }

    /// Whether it goes down within this span.
    pub fn dies_within(&self, from: i64, to: i64) -> Option<i64> {
        self.down.iter().find(|(down, _)| (from..=to).contains(down)).map(|(_, up)| *up)
    }

    /// The spans within this one in which the service is up and its relay without a fault.
    pub fn good(&self, from: i64, until: i64) -> Vec<(i64, i64)> {
        let mut bad: Vec<_> = self.down.clone();
        bad.extend(self.relay.iter().map(|(from, to, _)| (*from, *to)));
        bad.sort_unstable();
        let (mut good, mut here) = (Vec::new(), from);
        for (from, to) in bad {
            if from.min(until) > here {
                good.push((here, from.min(until)));
            }
            here = here.max(to);
        }
        if here < until {
            good.push((here, until));
        }
        good
    }
}

fn spans(chance: &mut Chance, most: i64, longest: i64) -> Vec<(i64, i64)> {
    let mut spans = Vec::new();
    let mut from = 0;
    for _ in 0..chance.between(0, most) {
        from += chance.between(5 * SECOND, 15 * MINUTE);
        let to = (from + chance.between(SECOND, longest)).min(QUIET_FROM);
        if from < to {
            spans.push((from, to));
        }
        from = to;
    }
    spans
}

fn deed(chance: &mut Chance, crew: usize, alive: [bool; 3]) -> Deed {
    let contact = usize::try_from(chance.between(0, 2)).expect("small");
    // Whose address does not exist has no link to answer by.
    let contact = if alive[contact] { contact } else { 1 - contact };
    match chance.between(0, 20) {
        0..3 => Deed::CheckIn(contact.min(crew - 1)),
        3..5 => Deed::CallOff,
        5 => Deed::CloseByHand,
        6 => Deed::TakeBack,
        7..10 => Deed::Extend(chance.between(60, 600) * SECOND),
        10..14 => {
            let asked = [vec![0, 1], vec![1, 0], vec![0], vec![1], vec![2, 0], vec![0, 2, 1]];
            let asked = &asked[usize::try_from(chance.between(0, 6)).expect("small")];
            Deed::Amend(chance.between(-MINUTE, 8 * MINUTE), asked.clone())
        }
        14..16 => Deed::OnIt(contact),
        16 => Deed::Called(contact),
        17..19 => Deed::CantAct(contact),
        _ => Deed::SendAgain(contact),
    }
}
