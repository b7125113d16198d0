//! What was said, what it does while it stands, and what is left when one word of several is taken
//! back (the service's own rules; common practice, no source).

#![allow(clippy::expect_used)]

use chrono::{DateTime, TimeDelta, Utc};
use shorelamp::measure::Span;
use shorelamp::watch::{
    Anchor, Answer, By, Event, Kind, Ladder, Order, Recipient, Rung, RungKind, Terms, To, Watched,
    next_wakeup, step,
};

fn at(minutes: i64) -> DateTime<Utc> {
    let due: DateTime<Utc> = "2026-06-14T19:30:00Z".parse().expect("a time");
    due + TimeDelta::minutes(minutes)
}

fn terms() -> Terms {
    let rung = |minutes: i64, to: &[To], kind| Rung {
        anchor: Anchor::Overdue,
        offset_s: minutes * 60,
        to: to.to_vec(),
        kind,
    };
    let rungs = vec![
        rung(0, &[To::Contact(1)], RungKind::Overdue),
        rung(15, &[To::Contacts], RungKind::Overdue),
        rung(30, &[To::Contacts, To::Keeper], RungKind::CallRescue),
    ];
    let span = Span::from_minutes;
    let ladder = Ladder::new(rungs, span(15), span(10), span(15)).expect("a ladder");
    Terms { due_at: at(0), grace: span(15), ladder, crew: vec![true, true], contacts: 2 }
}

struct World {
    plan: Watched,
}

impl World {
    fn filed() -> Self {
        let first = Watched::file(terms(), at(-60));
        let mut world = World { plan: first.plan };
        world.hand_over(&first.orders, -60);
        world
    }

    fn hand_over(&mut self, orders: &[Order], minutes: i64) {
        for order in orders {
            let event = Event::Handing { to: order.to, kind: order.kind };
            self.plan = step(&self.plan, &event, at(minutes)).expect("handed").plan;
        }
    }

    /// The letters that an event orders, and the number that it got.
    fn happens(&mut self, minutes: i64, event: &Event) -> (Vec<Order>, u32) {
        let next = step(&self.plan, event, at(minutes)).expect("an event that applies");
        let number = next.plan.events;
        self.plan = next.plan;
        self.hand_over(&next.orders, minutes);
        (next.orders, number)
    }

    fn runs_to(&mut self, minutes: i64) -> Vec<Order> {
        let mut all = Vec::new();
        while let Some(wakeup) = next_wakeup(&self.plan).filter(|wakeup| *wakeup <= at(minutes)) {
            let minutes = (wakeup - at(0)).num_minutes();
            all.extend(self.happens(minutes, &Event::Tick).0);
        }
        all
    }

    fn answers(&mut self, minutes: i64, contact: usize, answer: Answer) -> (Vec<Order>, u32) {
        let name = "Dunstan".to_owned();
        self.happens(minutes, &Event::Answered { contact, name, answer })
    }

    fn undone(&mut self, minutes: i64, event: u32) -> Vec<Order> {
        self.happens(minutes, &Event::Undone { event, by: By::Crew(None) }).0
    }
}

fn called() -> Answer {
    let (service, when) = ("the coast guard".to_owned(), "21:10".to_owned());
    Answer::Called { service, when, reference: None }
}

fn kinds(orders: &[Order], to: Recipient) -> Vec<Kind> {
    orders.iter().filter(|order| order.to == to).map(|order| order.kind).collect()
}

fn calls(orders: &[Order]) -> usize {
    orders.iter().filter(|one| one.kind == Kind::CallRescue && one.to == Recipient::Keeper).count()
}

/// The watch has not looked yet, but the crew is overdue by the clock: the next rung is what helps,
/// not a word to the keeper.
#[test]
fn cant_act_in_the_moment_of_overdue_brings_the_alert_and_no_trouble() {
    let mut world = World::filed();
    let (orders, _) = world.answers(15, 0, Answer::CantAct);
    assert_eq!(kinds(&orders, Recipient::Keeper), []);
    assert_eq!(kinds(&orders, Recipient::Contact(1)), [Kind::Overdue]);
}

/// An overdue plan stays overdue when the clock is set back, and so does what follows from it.
#[test]
fn cant_act_after_a_clock_was_set_back_brings_the_next_rung_and_no_trouble() {
    let mut world = World::filed();
    world.runs_to(15);
    let (orders, _) = world.answers(10, 0, Answer::CantAct);
    assert_eq!(kinds(&orders, Recipient::Keeper), []);
    assert_eq!(kinds(&orders, Recipient::Contact(1)), [Kind::Overdue]);
}

#[test]
fn taking_back_one_answer_leaves_the_others() {
    for answer in [Answer::OnIt, called(), Answer::CantAct] {
        let mut world = World::filed();
        world.runs_to(45);
        let (_, first) = world.answers(46, 0, answer.clone());
        world.answers(47, 1, answer.clone());
        world.undone(48, first);
        let stands = |contact: usize| {
            let one = &world.plan.contacts[contact];
            one.on_it.is_some() || one.called.is_some() || one.cant_act.is_some()
        };
        assert_eq!((stands(0), stands(1)), (false, true), "{answer:?}");
    }
}

/// Two have called; one takes it back. The other call stands, the repeats stay hourly, and one that
/// is late says since when it was owed.
#[test]
fn while_one_call_stands_the_repeats_stay_hourly() {
    let mut world = World::filed();
    world.runs_to(45);
    let (_, first) = world.answers(46, 0, called());
    world.answers(47, 1, called());
    assert_eq!(calls(&world.undone(48, first)), 0);
    assert_eq!(calls(&world.runs_to(104)), 0);
    let (_, again) = world.answers(104, 0, called());
    let late = world.undone(120, again);
    let call = late.iter().find(|order| order.kind == Kind::CallRescue).expect("it was due at 105");
    assert_eq!(call.scheduled_at, at(105));
}

/// Taking back an "I am on it" says nothing of calls: a repeat that is late stays owed since then.
#[test]
fn taking_back_an_on_it_excuses_no_late_repeat() {
    let mut world = World::filed();
    world.runs_to(45);
    let (_, on_it) = world.answers(46, 0, Answer::OnIt);
    let late = world.undone(58, on_it);
    let call = late.iter().find(|order| order.kind == Kind::CallRescue).expect("due at 55");
    assert_eq!(call.scheduled_at, at(55));
}

/// A later return starts afresh: a call made before it counts no more, so that the repeats after
/// the next overdue come every ten minutes.
#[test]
fn a_call_from_before_an_extension_slows_no_repeat() {
    let mut world = World::filed();
    world.runs_to(45);
    world.answers(46, 0, called());
    world.answers(46, 1, Answer::OnIt);
    let later = Span::from_minutes(60);
    world.happens(47, &Event::Extended { later, by: By::Crew(None) });
    assert!(!world.plan.somebody_called());
    assert!(world.plan.contacts[1].on_it.is_none());
    assert_eq!(calls(&world.runs_to(125)), 3, "at 105, 115 and 125");
}

/// The same for a closing that was taken back: the rescue service has been told to stand down.
#[test]
fn a_call_from_before_a_reopening_slows_no_repeat() {
    let mut world = World::filed();
    world.runs_to(45);
    world.answers(46, 0, called());
    let (_, closing) = world.happens(50, &Event::CalledOff { by: By::Crew(None) });
    let reopened = world.undone(60, closing);
    assert_eq!(calls(&reopened), 1, "the highest rung goes at once");
    assert_eq!(calls(&world.runs_to(80)), 2, "at 70 and 80");
}
