//! Random lives of random plans.

use chrono::{DateTime, TimeDelta, Utc};
use proptest::prelude::*;
use shorelamp::measure::Span;
use shorelamp::watch::{
    Amendment, Anchor, Answer, By, Event, Kind, Ladder, Order, Place, Recipient, Rung, RungKind,
    Step, Terms, To, Watched, step,
};

pub fn start() -> DateTime<Utc> {
    "2026-06-14T12:00:00Z".parse().expect("a time")
}

/// A moment in a life: so many seconds after the one before, this happens.
pub type Moment = (u32, Event);

prop_compose! {
    pub fn rung()(
        offset_s in 0i64..3600,
        contact in 1usize..5,
        all in any::<bool>(),
        keeper in any::<bool>(),
        calls in prop::bool::weighted(0.2),
    ) -> Rung {
        let mut to = vec![if all { To::Contacts } else { To::Contact(contact) }];
        if keeper {
            to.push(To::Keeper);
        }
        let kind = if calls { RungKind::CallRescue } else { RungKind::Overdue };
        Rung { anchor: Anchor::Overdue, offset_s, to, kind }
    }
}

prop_compose! {
    pub fn terms()(
        alerts in prop::collection::vec(rung(), 0..4),
        reminders in prop::collection::vec((-3600i64..1800, any::<bool>()), 0..3),
        crew in prop::collection::vec(any::<bool>(), 1..4),
        contacts in 1usize..4,
        due_in_s in 1u32..7200,
        grace_s in 0u32..3600,
        own_grace_s in 0u32..3600,
        repeat_s in 1u32..1200,
        pause_s in 1u32..1200,
    ) -> Terms {
        let reminders = reminders.into_iter().map(|(offset_s, keeper)| Rung {
            anchor: Anchor::Due,
            offset_s,
            to: if keeper { vec![To::Crew, To::Keeper] } else { vec![To::Crew] },
            kind: RungKind::Reminder,
        });
        let last = Rung {
            anchor: Anchor::Overdue,
            offset_s: 3600,
            to: vec![To::Contacts, To::Keeper],
            kind: RungKind::CallRescue,
        };
        let rungs = reminders.chain(alerts).chain([last]).collect();
        let span = Span::from_seconds;
        // Rungs to the crew may stand after the last alert; the ladder wants it to be the last.
        let ladder = Ladder::new(rungs, span(grace_s), span(repeat_s), span(pause_s))
            .expect("a ladder that ends well");
        let due_at = start() + TimeDelta::seconds(i64::from(due_in_s));
        Terms { due_at, grace: span(own_grace_s), ladder, crew, contacts }
    }
}

/// The numbers of which one event is made. A union of strategies costs several times as much to draw
/// from, and a million lives are wanted.
struct Dice([u16; 16], usize);

impl Dice {
    /// One of so many, from 0 on; what proptest makes smaller, this makes smaller.
    fn below(&mut self, sides: u32) -> u32 {
        let thrown = self.0.get(self.1).copied().unwrap_or_default();
        self.1 += 1;
        (u32::from(thrown) * sides) >> 16
    }

    fn place(&mut self, sides: u32) -> usize {
        self.below(sides) as usize
    }

    fn span(&mut self, sides: u32) -> Span {
        Span::from_seconds(self.below(sides))
    }

    fn by(&mut self) -> By {
        match self.below(5) {
            0 | 1 => By::Crew(None),
            2 => By::Keeper("board".to_owned()),
            _ => By::Contact(self.place(3), "Mirela".to_owned()),
        }
    }

    fn reader(&mut self) -> Recipient {
        match self.place(7) {
            at @ 0..3 => Recipient::Crew(at),
            at @ 3..6 => Recipient::Contact(at - 3),
            _ => Recipient::Keeper,
        }
    }

    fn answer(&mut self) -> Answer {
        match self.below(5) {
            0 => Answer::HaveIt,
            1 => Answer::OnIt,
            2 => Answer::CantAct,
            3 => called(),
            _ => Answer::Never,
        }
    }

    /// A new version; what depends on the plan that it is made from is filled in as it happens.
    fn amendment(&mut self) -> Amendment {
        const PLACES: [Place; 4] =
            [Place::Removed, Place::Unreached, Place::Reached, Place::ReachedAnew];
        let due_at = start() + self.span(7200).delta();
        let grace = self.span(3600);
        let stale = self.below(10) == 9;
        let crew = (0..=self.below(4)).map(|_| PLACES[self.place(4)]).collect();
        let asked = (0..self.below(4)).map(|_| self.place(4)).collect();
        Amendment {
            from_round: u32::from(stale),
            due_at,
            grace,
            crew,
            contacts: 0,
            asked,
            was_due_at: start(),
            was_overdue_at: start(),
            joined: Vec::new(),
            left: Vec::new(),
            parts: Vec::new(),
        }
    }

    fn event(&mut self) -> Event {
        match self.below(24) {
            0..6 => Event::Tick,
            6..8 => Event::CheckedIn {
                by: self.by(),
                who: (0..self.below(3)).map(|_| self.place(3)).collect(),
                how: None,
            },
            8 => Event::Extended { later: self.span(7200), by: self.by() },
            9..11 => Event::Amended { by: self.by(), to: Box::new(self.amendment()) },
            11 => Event::CalledOff { by: self.by() },
            12 => Event::StillOut { place: None, note: None, by: self.by() },
            13 => Event::ClosedByHand { by: self.by(), reason: "they telephoned".to_owned() },
            14 => Event::SentAgain { to: self.reader(), by: self.by() },
            15..18 => Event::Answered {
                contact: self.place(3),
                answer: self.answer(),
                name: "Dunstan".to_owned(),
            },
            18..20 => Event::Undone { event: 1 + self.below(39), by: self.by() },
            20 => Event::Refused { to: self.reader(), kind: Kind::Overdue },
            21 => Event::Bounced {
                to: self.reader(),
                kind: Kind::Overdue,
                for_content: self.below(2) == 0,
            },
            22 => Event::TakenAgain { to: self.reader() },
            _ => Event::Refused { to: self.reader(), kind: Kind::StandDown },
        }
    }
}

/// The new version as somebody would send it for this plan at this time.
pub fn made_for(plan: &Watched, event: &Event, at: DateTime<Utc>) -> Event {
    let Event::Amended { to, by } = event else { return event.clone() };
    let mut to = to.clone();
    to.from_round += plan.round;
    to.due_at = at + (to.due_at - start());
    to.crew.resize(to.crew.len().max(plan.crew.len()), Place::Reached);
    let most = to.asked.iter().map(|at| at + 1).max().unwrap_or(0);
    to.contacts = most.max(plan.contacts.len());
    Event::Amended { to, by: by.clone() }
}

fn called() -> Answer {
    Answer::Called {
        service: "the coast guard".to_owned(),
        when: "21:10".to_owned(),
        reference: None,
    }
}

pub fn answer() -> impl Strategy<Value = Answer> {
    prop_oneof![
        Just(Answer::HaveIt),
        Just(Answer::OnIt),
        Just(Answer::CantAct),
        Just(called()),
        Just(Answer::Never)
    ]
}

pub fn life() -> impl Strategy<Value = (Terms, Vec<Moment>)> {
    let moment = (0u32..1800, any::<[u16; 16]>())
        .prop_map(|(wait_s, thrown)| (wait_s, Dice(thrown, 0).event()));
    (terms(), prop::collection::vec(moment, 0..40))
}

/// One step of a life as it went.
pub struct Lived {
    pub before: Watched,
    pub event: Event,
    pub at: DateTime<Utc>,
    pub step: Step,
}

/// Lives a life. Every letter is handed over as it is ordered; events that don't apply are left
/// out.
pub fn live(terms: &Terms, moments: &[Moment]) -> (Step, Vec<Lived>) {
    let mut now = start();
    let first = Watched::file(terms.clone(), now);
    let mut plan = first.plan.clone();
    let mut lived = Vec::new();
    let mut go = |plan: &mut Watched, event: &Event, at| -> Vec<Order> {
        let Ok(next) = step(plan, event, at) else { return Vec::new() };
        let before = std::mem::replace(plan, next.plan.clone());
        let orders = next.orders.clone();
        lived.push(Lived { before, event: event.clone(), at, step: next });
        orders
    };
    let mut queue = first.orders.clone();
    for (wait_s, event) in moments {
        for order in queue.drain(..) {
            let (to, kind) = (order.to, order.kind);
            // Some alerts leave while somebody says something.
            let event = match kind.is_alert() && wait_s % 2 == 0 {
                true => Event::HandingWithout { to, kind },
                false => Event::Handing { to, kind },
            };
            go(&mut plan, &event, now);
        }
        now += TimeDelta::seconds(i64::from(*wait_s));
        let event = made_for(&plan, event, now);
        queue = go(&mut plan, &event, now);
    }
    (first, lived)
}
