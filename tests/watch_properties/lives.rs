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
    pub fn rung()(offset_s in 0i64..3600, contact in 1usize..5, all in any::<bool>(), keeper in any::<bool>())
        -> Rung {
        let mut to = vec![if all { To::Contacts } else { To::Contact(contact) }];
        if keeper {
            to.push(To::Keeper);
        }
        Rung { anchor: Anchor::Overdue, offset_s, to, kind: RungKind::Overdue }
    }
}

prop_compose! {
    pub fn terms()(
        alerts in prop::collection::vec(rung(), 0..4),
        reminders in prop::collection::vec(-3600i64..1800, 0..3),
        crew in prop::collection::vec(any::<bool>(), 1..4),
        contacts in 1usize..4,
        due_in_s in 1u32..7200,
        grace_s in 0u32..3600,
        repeat_s in 1u32..1200,
        pause_s in 1u32..1200,
    ) -> Terms {
        let reminders = reminders.into_iter().map(|offset_s| Rung {
            anchor: Anchor::Due, offset_s, to: vec![To::Crew], kind: RungKind::Reminder,
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
        Terms { due_at, grace: span(grace_s), ladder, crew, contacts }
    }
}

pub fn by() -> impl Strategy<Value = By> {
    prop_oneof![
        Just(By::Crew(None)),
        (0usize..3).prop_map(|at| By::Contact(at, "Mirela".to_owned())),
        Just(By::Keeper("board".to_owned()))
    ]
}

fn place() -> impl Strategy<Value = Place> {
    prop_oneof![
        Just(Place::Removed),
        Just(Place::Unreached),
        Just(Place::Reached),
        Just(Place::ReachedAnew)
    ]
}

prop_compose! {
    /// A new version; what depends on the plan that it is made from is filled in as it happens.
    fn amendment()(
        due_in_s in 0u32..7200,
        grace_s in 0u32..3600,
        crew in prop::collection::vec(place(), 1..5),
        asked in prop::collection::vec(0usize..4, 0..4),
        stale in prop::bool::weighted(0.1),
    ) -> Amendment {
        let due_at = start() + TimeDelta::seconds(i64::from(due_in_s));
        Amendment {
            from_round: u32::from(stale),
            due_at,
            grace: Span::from_seconds(grace_s),
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

pub fn reader() -> impl Strategy<Value = Recipient> {
    prop_oneof![
        (0usize..3).prop_map(Recipient::Crew),
        (0usize..3).prop_map(Recipient::Contact),
        Just(Recipient::Keeper)
    ]
}

pub fn answer() -> impl Strategy<Value = Answer> {
    let called = Answer::Called {
        service: "the coast guard".to_owned(),
        when: "21:10".to_owned(),
        reference: None,
    };
    prop_oneof![
        Just(Answer::HaveIt),
        Just(Answer::OnIt),
        Just(Answer::CantAct),
        Just(called),
        Just(Answer::Never)
    ]
}

pub fn event() -> impl Strategy<Value = Event> {
    prop_oneof![
        6 => Just(Event::Tick),
        2 => (prop::collection::vec(0usize..3, 0..3), by())
            .prop_map(|(who, by)| Event::CheckedIn { who, by, how: None }),
        1 => (0u32..7200, by())
            .prop_map(|(s, by)| Event::Extended { later: Span::from_seconds(s), by }),
        2 => (amendment(), by()).prop_map(|(to, by)| Event::Amended { to: Box::new(to), by }),
        1 => by().prop_map(|by| Event::CalledOff { by }),
        1 => by().prop_map(|by| Event::StillOut { place: None, note: None, by }),
        1 => by().prop_map(|by| Event::ClosedByHand { by, reason: "they telephoned".to_owned() }),
        1 => (reader(), by()).prop_map(|(to, by)| Event::SentAgain { to, by }),
        3 => (0usize..3, answer()).prop_map(|(contact, answer)| {
            Event::Answered { contact, name: "Dunstan".to_owned(), answer }
        }),
        2 => (1u32..40, by()).prop_map(|(event, by)| Event::Undone { event, by }),
        1 => reader().prop_map(|to| Event::Refused { to, kind: Kind::Overdue }),
        1 => reader().prop_map(|to| Event::TakenAgain { to }),
    ]
}

pub fn life() -> impl Strategy<Value = (Terms, Vec<Moment>)> {
    (terms(), prop::collection::vec((0u32..1800, event()), 0..40))
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
            go(&mut plan, &Event::Handing { to: order.to, kind: order.kind }, now);
        }
        now += TimeDelta::seconds(i64::from(*wait_s));
        let event = made_for(&plan, event, now);
        queue = go(&mut plan, &event, now);
    }
    (first, lived)
}
