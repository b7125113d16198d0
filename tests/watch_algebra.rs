//! The algebra of the watch, on random lives: what may be done in another order, at another time,
//! or only once, without anybody being told less; and what no event may ever do. The laws are those
//! of a replayable state machine (common practice, no source).
//! `PROPTEST_CASES=1000000 cargo test --release --test watch_algebra` runs a million of each.

#![allow(clippy::expect_used)]

#[path = "watch_properties/lives.rs"]
#[allow(dead_code)]
mod lives;

use std::collections::BTreeSet;

use chrono::{DateTime, TimeDelta, Utc};
use proptest::prelude::*;
use shorelamp::watch::{
    Answer, By, Cause, ContactState, Event, How, Kind, Order, Phase, Recipient, Step, Terms,
    Watched, next_wakeup, step, wanted,
};

use lives::{Lived, Moment, answer, life, live, start};

/// Where a life ends: the plan, and the time.
fn end_of(terms: &Terms, moments: &[Moment]) -> (Watched, DateTime<Utc>) {
    let (first, lived) = live(terms, moments);
    lived.last().map_or((first.plan, start()), |last| (last.step.plan.clone(), last.at))
}

fn after(plan: Watched, event: &Event, now: DateTime<Utc>) -> Watched {
    step(&plan, event, now).map_or(plan, |step| step.plan)
}

fn tick(plan: &Watched, now: DateTime<Utc>) -> Step {
    step(plan, &Event::Tick, now).expect("a tick applies to every plan")
}

/// How high up the ladder a reader was last written to; a repeat stands as high as the last rung.
fn height(plan: &Watched, reader: Recipient) -> Option<usize> {
    let last = plan.terms.ladder.rungs().len() - 1;
    match plan.told(reader).latest_rung? {
        Cause::Rung(at) => Some(at),
        Cause::Repeat(_) | Cause::Event(_) => Some(last),
    }
}

fn contacts(plan: &Watched) -> Vec<Recipient> {
    (0..plan.contacts.len()).map(Recipient::Contact).collect()
}

fn readers(plan: &Watched) -> BTreeSet<Recipient> {
    let crew = plan.terms.crew.iter().enumerate().filter(|(_, reached)| **reached);
    let crew = crew.map(|(at, _)| Recipient::Crew(at));
    crew.chain(contacts(plan)).chain([Recipient::Keeper]).collect()
}

fn all_ashore(plan: &Watched) -> Event {
    Event::CheckedIn { who: (0..plan.crew.len()).collect(), by: By::Crew(None), how: None }
}

fn wants_none(plan: &Watched, reader: Recipient) -> bool {
    matches!(reader, Recipient::Contact(at)
        if plan.contacts.get(at).is_some_and(|one| one.opted_out.is_some()))
}

proptest! {
    /// Two ticks at one time are one: the second changes nothing and orders nothing.
    #[test]
    fn a_tick_is_idempotent((terms, moments) in life(), wait_s in 0i64..7200) {
        let (plan, now) = end_of(&terms, &moments);
        let now = now + TimeDelta::seconds(wait_s);
        let once = tick(&plan, now);
        let twice = tick(&once.plan, now);
        prop_assert!(!twice.changed && twice.orders.is_empty());
        prop_assert_eq!(once.plan, twice.plan);
    }

    /// Sleeping through wake-ups leads to the same phase, and each contact to the same height of
    /// the ladder, as waking at each of them.
    #[test]
    fn ticks_coalesce((terms, moments) in life(), wait_s in 0i64..20_000) {
        let (plan, now) = end_of(&terms, &moments);
        // A contact who can't be reached, or wants no letters, brings rungs forward, the sooner the
        // more often one looks.
        let brings_forward = |one: &ContactState| {
            one.cant_act.is_some() || one.told.refused || one.opted_out.is_some()
        };
        if plan.contacts.iter().any(brings_forward) {
            return Ok(());
        }
        let until = now + TimeDelta::seconds(wait_s);
        let mut awake = tick(&plan, now).plan;
        let asleep = tick(&awake, until).plan;
        while let Some(at) = next_wakeup(&awake).filter(|at| *at <= until) {
            awake = tick(&awake, at).plan;
        }
        prop_assert_eq!(awake.phase, asleep.phase);
        for reader in contacts(&awake) {
            prop_assert_eq!(height(&awake, reader), height(&asleep, reader), "{}", reader);
        }
        prop_assert_eq!(awake.round, asleep.round);
    }

    /// The same facts give the same state, to the byte.
    #[test]
    fn the_same_facts_give_the_same_bytes((terms, moments) in life()) {
        let bytes = || {
            let (first, lived) = live(&terms, &moments);
            let plan = lived.last().map_or(first.plan, |last| last.step.plan.clone());
            serde_json::to_string(&plan).expect("written")
        };
        prop_assert_eq!(bytes(), bytes());
    }

    /// Any two people who act at the same time: in either order the plan ends in the same phase,
    /// with the same people out and the same answers.
    #[test]
    fn a_check_in_commutes_with_whatever_contacts_do(
        (terms, moments) in life(), answer in answer(), contact in 0usize..3, one in 0usize..3
    ) {
        let (plan, now) = end_of(&terms, &moments);
        let answered = Event::Answered { contact, name: "Dunstan".to_owned(), answer };
        let one = Event::CheckedIn { who: vec![one], by: By::Crew(None), how: None };
        let both = |first: &Event, second: &Event| after(after(plan.clone(), first, now), second, now);
        for check_in in [one, all_ashore(&plan)] {
            let (here, there) = (both(&check_in, &answered), both(&answered, &check_in));
            prop_assert_eq!(here.is_closed(), there.is_closed());
            prop_assert_eq!(here.out(), there.out());
            prop_assert_eq!(here.round, there.round);
        }
        let said = |by| Event::CheckedIn { who: vec![0], by, how: None };
        let (crew, contact) = (said(By::Crew(None)), said(By::Contact(0, "Mirela".to_owned())));
        let (here, there) = (both(&crew, &contact), both(&contact, &crew));
        prop_assert_eq!(here.out(), there.out());
        prop_assert_eq!(here.is_closed(), there.is_closed());
    }

    /// Nothing that happened is ever taken out of the history of letters: within a round a reader's
    /// height on the ladder never falls.
    #[test]
    fn nobody_climbs_down((terms, moments) in life()) {
        for Lived { before, step, .. } in live(&terms, &moments).1 {
            if step.plan.round != before.round {
                continue;
            }
            for reader in contacts(&before) {
                prop_assert!(height(&step.plan, reader) >= height(&before, reader));
            }
        }
    }

    /// A closing voids every alert at once, and every letter that a later round replaces.
    #[test]
    fn no_alert_is_wanted_after_a_closing((terms, moments) in life()) {
        let (first, lived) = live(&terms, &moments);
        let mut ordered: Vec<Order> = first.orders;
        for Lived { at, step, .. } in lived {
            ordered.extend(step.orders);
            for order in ordered.iter().filter(|order| order.kind.is_alert()) {
                let stands = wanted(&step.plan, order, at);
                prop_assert!(!(stands && step.plan.is_closed()));
                prop_assert!(!(stands && order.round != step.plan.round));
            }
        }
    }

    /// While a crew is overdue, somebody is wanted to know: the highest alert ordered in this round
    /// to each contact still counts until it has left.
    #[test]
    fn the_newest_alert_is_always_wanted((terms, moments) in life()) {
        for Lived { at, step, .. } in live(&terms, &moments).1 {
            for order in step.orders.iter().filter(|order| order.kind.is_alert()) {
                prop_assert!(wanted(&step.plan, order, at), "{:?}", order);
            }
        }
    }

    /// Phases move along these ways only; what a relay says moves none, and an answer neither.
    #[test]
    fn phases_move_along_the_table((terms, moments) in life()) {
        for Lived { before, event, step, .. } in live(&terms, &moments).1 {
            let (was, is) = (before.phase, step.plan.phase);
            if was == is {
                continue;
            }
            let may = match (was, is, &event) {
                (Phase::Armed, Phase::Overdue, Event::Handing { .. } | Event::HandingWithout { .. } | Event::TakenAgain { .. }) => false,
                // Whatever makes the watch look at its clock can find that time has passed.
                (Phase::Armed, Phase::Overdue, _) => true,
                (Phase::Overdue, Phase::Armed, Event::Extended { .. } | Event::Amended { .. }) => true,
                (Phase::Armed | Phase::Overdue, Phase::Closed(_), Event::CheckedIn { .. } | Event::CalledOff { .. } | Event::ClosedByHand { .. }) => true,
                (Phase::Closed(_), Phase::Armed | Phase::Overdue, Event::Undone { .. }) => true,
                // A calling-off that is taken back while all are ashore.
                (Phase::Closed(was), Phase::Closed(is), Event::Undone { .. }) => {
                    was.how != How::Ashore && is.how == How::Ashore
                }
                _ => false,
            };
            prop_assert!(may, "{:?} from {:?} to {:?}", event, was, is);
        }
    }

    /// Letters go to those whom the plan names and whom letters reach, and to the keeper.
    #[test]
    fn nobody_else_is_written_to((terms, moments) in life()) {
        let (first, lived) = live(&terms, &moments);
        let steps = lived.iter().map(|lived| &lived.step).chain([&first]);
        for step in steps {
            let known = readers(&step.plan);
            for order in &step.orders {
                prop_assert!(known.contains(&order.to), "{:?}", order);
            }
        }
    }

    /// A later return or a new version after an alert is told to everybody who may have been
    /// alerted, but to whoever was taken out before: they have heard that they are asked no longer.
    #[test]
    fn an_extension_corrects_every_alert((terms, moments) in life()) {
        for Lived { before, event, step, .. } in live(&terms, &moments).1 {
            let changes = matches!(event, Event::Extended { .. } | Event::Amended { .. });
            if !changes || !step.changed {
                continue;
            }
            let reached = readers(&step.plan);
            for reader in reached.into_iter().filter(|reader| before.told(*reader).alerted) {
                let (was, is) = (before.removed_by(reader), step.plan.removed_by(reader));
                if was.is_some() && was == is {
                    continue;
                }
                let tells = |kind| matches!(kind, Kind::Changed | Kind::Filed);
                let told = step.orders.iter().any(|one| one.to == reader && tells(one.kind));
                prop_assert!(told, "{}", reader);
            }
        }
    }

    /// A closing that is taken back is told to everybody who heard of it, and the watch goes on.
    #[test]
    fn a_reopening_is_told_to_all_who_heard_of_the_closing((terms, moments) in life()) {
        for Lived { before, step, .. } in live(&terms, &moments).1 {
            if !before.is_closed() || step.plan.is_closed() {
                continue;
            }
            prop_assert!(next_wakeup(&step.plan).is_some());
            for reader in readers(&before).into_iter().filter(|reader| before.told(*reader).over) {
                // Who wants no letters hears only that an alert no longer holds.
                if wants_none(&before, reader) && !before.told(reader).alerted {
                    continue;
                }
                let told = step.orders.iter().any(|one| one.to == reader && one.kind == Kind::Withdrawn);
                prop_assert!(told, "{}", reader);
            }
        }
    }

    /// "I am on it" stops no rung: the ladder is climbed as if nobody had said it, and another
    /// contact gets every repeat.
    #[test]
    fn on_it_stops_nobody_elses_letter((terms, moments) in life(), contact in 0usize..3, wait_s in 0i64..7200) {
        let (plan, now) = end_of(&terms, &moments);
        let event = Event::Answered { contact, name: "Dunstan".to_owned(), answer: Answer::OnIt };
        let plan = tick(&plan, now).plan;
        let Ok(said) = step(&plan, &event, now) else { return Ok(()) };
        // Saying so mends a "can't act", which is another matter.
        if plan.contacts.iter().any(|one| one.cant_act.is_some() || one.told.refused) {
            return Ok(());
        }
        let until = now + TimeDelta::seconds(wait_s);
        let alerts = |orders: &[Order]| -> BTreeSet<_> {
            let alerts = orders.iter().filter(|order| order.kind.is_alert());
            let spared = |order: &&Order| {
                order.to == Recipient::Contact(contact) && matches!(order.cause, Cause::Repeat(_))
            };
            alerts.filter(|order| !spared(order)).map(|order| (order.to, order.kind, order.cause)).collect()
        };
        let (with, without) = (tick(&said.plan, until), tick(&plan, until));
        prop_assert_eq!(alerts(&with.orders), alerts(&without.orders));
        prop_assert_eq!(with.plan.phase, without.plan.phase);
    }

    /// No time, however odd, makes a step panic, an open plan forget to wake again, or the ladder say
    /// something twice.
    #[test]
    fn a_wild_clock_stops_nothing((terms, moments) in life(), jumps_s in prop::collection::vec((any::<bool>(), -400_000_000i64..400_000_000), 1..8)) {
        let (mut plan, now) = end_of(&terms, &moments);
        let mut keys = BTreeSet::new();
        for (is_near, jump_s) in jumps_s {
            let at = now + TimeDelta::seconds(if is_near { jump_s % 7200 } else { jump_s });
            let next = tick(&plan, at);
            for order in next.orders.iter().filter(|order| order.kind.is_alert()) {
                prop_assert!(plan.phase == Phase::Overdue || at >= plan.overdue_at(), "{:?}", order);
            }
            for order in &next.orders {
                let is_new = keys.insert((order.round, order.cause, order.to, order.kind));
                prop_assert!(is_new, "{:?}", order);
            }
            plan = next.plan;
            prop_assert_eq!(next_wakeup(&plan).is_some(), !plan.is_closed());
        }
    }
}
