//! What must hold for every life of a plan, whatever happens in it. The properties are the ones a
//! dead man's switch needs (common practice, no source); each is checked on random lives.
//! `PROPTEST_CASES=1000000 cargo test --release --test watch_properties` runs a million of each.

#![allow(clippy::expect_used)]

#[path = "watch_properties/lives.rs"]
#[allow(dead_code)]
mod lives;

use chrono::TimeDelta;
use proptest::prelude::*;
use shorelamp::watch::{
    Answer, By, Event, How, Kind, Order, Phase, Recipient, Watched, next_wakeup, step, wanted,
};

use lives::{Lived, answer, life, live, start, terms};

fn wants_none(plan: &Watched, reader: Recipient) -> bool {
    matches!(reader, Recipient::Contact(at)
        if plan.contacts.get(at).is_some_and(|one| one.opted_out.is_some()))
}

proptest! {
    /// Nobody ashore is alarmed before the return time and the grace have passed.
    #[test]
    fn no_alert_before_overdue((terms, moments) in life()) {
        for Lived { at, step, .. } in live(&terms, &moments).1 {
            let alerts = step.orders.iter().any(|order| order.kind.is_alert());
            prop_assert!(!alerts || at >= step.plan.overdue_at());
        }
    }

    /// An open plan always has a time at which it is looked at again; a closed one never.
    #[test]
    fn an_open_plan_always_wakes_again((terms, moments) in life()) {
        let (first, lived) = live(&terms, &moments);
        for plan in lived.iter().map(|lived| &lived.step.plan).chain([&first.plan]) {
            prop_assert_eq!(next_wakeup(plan).is_none(), plan.is_closed());
        }
    }

    /// A tick before the wake-up changes nothing, and one at it changes something and moves the
    /// wake-up on: the watch neither sleeps through nor spins.
    #[test]
    fn the_wake_up_is_exact((terms, moments) in life()) {
        let (_, lived) = live(&terms, &moments);
        for Lived { at, step: lived, .. } in &lived {
            let Some(wakeup) = next_wakeup(&lived.plan) else { continue };
            // Only what moves the plan by the clock looks at the ladder.
            let just_before = (wakeup - TimeDelta::milliseconds(1)).max(*at);
            if just_before < wakeup {
                let early = step(&lived.plan, &Event::Tick, just_before).expect("a tick");
                prop_assert!(!early.changed, "at {just_before}, before {wakeup}");
            }
            let then = wakeup.max(*at);
            let woken = step(&lived.plan, &Event::Tick, then).expect("a tick");
            prop_assert!(woken.changed);
            prop_assert!(next_wakeup(&woken.plan).is_none_or(|next| next > then));
        }
    }

    /// The same event at the same time a second time changes nothing, but for those that say
    /// something new each time.
    #[test]
    fn a_replay_changes_nothing((terms, moments) in life()) {
        for Lived { event, at, step: lived, .. } in live(&terms, &moments).1 {
            let says_more = matches!(
                event,
                Event::Extended { .. }
                    | Event::SentAgain { .. }
                    | Event::Answered { answer: Answer::OnIt | Answer::Called { .. }, .. }
                    // Each correction that is refused leaves somebody to be told by hand.
                    | Event::Refused { kind: Kind::StandDown, .. }
            );
            if says_more {
                continue;
            }
            if let Ok(again) = step(&lived.plan, &event, at) {
                prop_assert!(!again.changed, "{event:?}");
                prop_assert_eq!(again.plan, lived.plan);
            }
        }
    }

    /// Numbers only grow, by one with each change; a round never goes back.
    #[test]
    fn numbers_only_grow((terms, moments) in life()) {
        for Lived { before, step, .. } in live(&terms, &moments).1 {
            prop_assert_eq!(step.plan.events, before.events + u32::from(step.changed));
            prop_assert!(step.plan.round >= before.round);
        }
    }

    /// No letter's key is ordered twice in a life.
    #[test]
    fn no_key_twice((terms, moments) in life()) {
        let (first, lived) = live(&terms, &moments);
        let orders = lived.iter().flat_map(|lived| &lived.step.orders).chain(&first.orders);
        let mut keys: Vec<_> =
            orders.map(|order| (order.round, order.cause, order.to, order.kind)).collect();
        let number = keys.len();
        keys.sort();
        keys.dedup();
        prop_assert_eq!(keys.len(), number);
    }

    /// Whenever a plan closes, whoever may have been alerted gets exactly one stand-down, and
    /// everyone else who knows of it exactly one `home`.
    #[test]
    fn whoever_was_alerted_is_stood_down((terms, moments) in life()) {
        for Lived { before, step, .. } in live(&terms, &moments).1 {
            if before.is_closed() || !step.plan.is_closed() {
                continue;
            }
            let contacts = (0..before.contacts.len()).map(Recipient::Contact);
            for reader in contacts.chain([Recipient::Keeper]) {
                let told = before.told(reader);
                let number = |kind| {
                    step.orders.iter().filter(|one| one.to == reader && one.kind == kind).count()
                };
                prop_assert_eq!(number(Kind::StandDown), usize::from(told.alerted));
                // Whoever wants no letters hears only that an alert no longer holds.
                let knows = told.of_plan
                    && !told.alerted
                    && reader != Recipient::Keeper
                    && !wants_none(&before, reader);
                prop_assert_eq!(number(Kind::Home), usize::from(knows));
            }
        }
    }

    /// An open plan has somebody out: nobody is alarmed about people who are all ashore.
    #[test]
    fn an_open_plan_has_somebody_out((terms, moments) in life()) {
        for Lived { event, step, .. } in live(&terms, &moments).1 {
            prop_assert!(step.plan.is_closed() || !step.plan.out().is_empty(), "{event:?}");
        }
    }

    /// A closing taken back while all are ashore closes anew: whoever was told, or may have been
    /// alerted, hears what now holds, and nobody that they are out.
    #[test]
    fn a_closing_taken_back_without_anybody_out_closes_anew((terms, moments) in life()) {
        for Lived { before, event, step, .. } in live(&terms, &moments).1 {
            let (Phase::Closed(old), Phase::Closed(new)) = (before.phase, step.plan.phase) else {
                continue;
            };
            if old == new {
                prop_assert!(!step.orders.iter().any(|one| one.kind == Kind::Withdrawn));
                continue;
            }
            let undoes_it = matches!(event, Event::Undone { event, .. } if event == old.event);
            prop_assert!(undoes_it);
            prop_assert!(old.how != How::Ashore && new.how == How::Ashore);
            prop_assert!(new.at >= old.at && new.event == step.plan.events);
            let over = |kind| kind == Kind::Home || kind == Kind::StandDown;
            prop_assert!(step.orders.iter().all(|one| over(one.kind)));
            for at in 0..before.contacts.len() {
                let reader = Recipient::Contact(at);
                let told = before.told(reader);
                let kind = if told.alerted { Kind::StandDown } else { Kind::Home };
                let number = step.orders.iter().filter(|one| one.to == reader && one.kind == kind);
                let knows = told.of_plan && !wants_none(&before, reader);
                prop_assert_eq!(number.count(), usize::from(told.alerted || knows));
            }
        }
    }

    /// Places are for life: an amendment takes nobody out of theirs, and no other event adds any.
    #[test]
    fn places_are_for_life((terms, moments) in life()) {
        for Lived { before, event, step, .. } in live(&terms, &moments).1 {
            let (old, new) = (&before, &step.plan);
            let grew = new.crew.len() > old.crew.len() || new.contacts.len() > old.contacts.len();
            prop_assert!(new.crew.len() >= old.crew.len());
            prop_assert!(new.contacts.len() >= old.contacts.len());
            let amended = matches!(event, Event::Amended { .. });
            prop_assert!(amended || !grew, "{event:?}");
            let mut asked = new.asked();
            asked.sort_unstable();
            let marked: Vec<usize> =
                (0..new.contacts.len()).filter(|&at| new.is_asked(at)).collect();
            prop_assert_eq!(asked, marked, "the order and the marks agree");
            prop_assert!(!new.on_trip().is_empty() && !new.asked().is_empty());
        }
    }

    /// Nothing but the last check-in, a calling-off and the keeper closes a plan: no amendment does,
    /// and none leaves a plan in which nobody is out.
    #[test]
    fn no_amendment_closes_a_plan((terms, moments) in life()) {
        for Lived { before, event, step, .. } in live(&terms, &moments).1 {
            if step.plan.is_closed() && !before.is_closed() {
                let closes = matches!(
                    event,
                    Event::CheckedIn { .. } | Event::CalledOff { .. } | Event::ClosedByHand { .. }
                );
                prop_assert!(closes, "{event:?}");
            }
            let amends = matches!(event, Event::Amended { .. });
            prop_assert!(!amends || !step.plan.out().is_empty(), "{event:?}");
        }
    }

    /// Whoever was taken out is neither alarmed nor told of the plan any more; what is still queued
    /// for them of that kind is not wanted.
    #[test]
    fn whoever_is_taken_out_is_alarmed_no_more((terms, moments) in life()) {
        let (first, lived) = live(&terms, &moments);
        let mut ordered: Vec<Order> = first.orders.clone();
        for Lived { at, step, .. } in &lived {
            ordered.extend(step.orders.iter().cloned());
            for order in &ordered {
                let out = step.plan.removed_by(order.to).is_some();
                let alarms = order.kind.is_rung() || order.kind == Kind::Filed;
                prop_assert!(!(out && alarms && wanted(&step.plan, order, *at)), "{order:?}");
            }
            for order in &step.orders {
                let out = step.plan.removed_by(order.to).is_some();
                let alarms = order.kind.is_rung() || order.kind == Kind::Filed;
                prop_assert!(!(out && alarms), "{order:?}");
            }
        }
    }

    /// After an amendment everybody who is asked has `filed` or `changed` of it on the way, unless
    /// an earlier `filed` has not left yet: then that one tells the new version.
    #[test]
    fn an_amendment_tells_everybody_who_is_asked((terms, moments) in life()) {
        for Lived { before, event, step, .. } in live(&terms, &moments).1 {
            if !matches!(event, Event::Amended { .. }) || !step.changed {
                continue;
            }
            for at in step.plan.asked() {
                let reader = Recipient::Contact(at);
                let kinds: Vec<Kind> = step
                    .orders
                    .iter()
                    .filter(|order| order.to == reader && !order.kind.is_rung())
                    .map(|order| order.kind)
                    .collect();
                let told = before.told(reader);
                let expected = match before.is_asked(at) {
                    _ if wants_none(&before, reader) && !told.alerted => vec![],
                    false if wants_none(&before, reader) => vec![Kind::Changed],
                    false => vec![Kind::Filed],
                    true if told.of_plan || told.alerted => vec![Kind::Changed],
                    true => vec![],
                };
                prop_assert_eq!(kinds, expected);
            }
        }
    }

    /// A letter sent again is an alert only for somebody whom the ladder has alerted.
    #[test]
    fn a_letter_sent_again_alarms_nobody_anew((terms, moments) in life()) {
        for Lived { before, event, step, .. } in live(&terms, &moments).1 {
            let Event::SentAgain { to, .. } = event else { continue };
            prop_assert_eq!(step.orders.len(), 1);
            let rung = before.told(to).latest_rung.is_some();
            prop_assert!(!step.orders[0].kind.is_alert() || rung);
            prop_assert!(wanted(&step.plan, &step.orders[0], step.orders[0].scheduled_at));
        }
    }

    /// In a life in which nobody does anything, every contact has been alerted by the time of the
    /// last rung, whether the watch looked at every moment or only then.
    #[test]
    fn sleeping_through_misses_nobody(terms in terms()) {
        let end = terms.due_at + terms.grace.delta() + TimeDelta::seconds(3600);
        let first = Watched::file(terms, start()).plan;
        let mut awake = first.clone();
        while let Some(at) = next_wakeup(&awake).filter(|at| *at <= end) {
            awake = step(&awake, &Event::Tick, at).expect("a tick").plan;
        }
        let asleep = step(&first, &Event::Tick, end).expect("a tick").plan;
        prop_assert_eq!(awake.phase, Phase::Overdue);
        prop_assert_eq!(asleep.phase, Phase::Overdue);
        for at in 0..first.contacts.len() {
            let reader = Recipient::Contact(at);
            prop_assert!(awake.told(reader).latest_rung.is_some());
            prop_assert_eq!(awake.told(reader).latest_rung, asleep.told(reader).latest_rung);
        }
    }

    /// A check-in of all and a contact's answer end in the same phase in either order.
    #[test]
    fn a_check_in_and_an_answer_commute((terms, moments) in life(), answer in answer()) {
        let (first, lived) = live(&terms, &moments);
        let (plan, now) = lived
            .last()
            .map_or((first.plan, start()), |last| (last.step.plan.clone(), last.at));
        let all = Event::CheckedIn {
            who: (0..plan.crew.len()).collect(),
            by: By::Crew(None),
            how: None,
        };
        let answered = Event::Answered { contact: 0, name: "Dunstan".to_owned(), answer };
        let after = |plan: Watched, event| step(&plan, event, now).map_or(plan, |step| step.plan);
        let one = after(after(plan.clone(), &all), &answered);
        let other = after(after(plan, &answered), &all);
        prop_assert!(one.is_closed() && other.is_closed());
    }

    /// A state survives the way through the database, and its events give it again.
    #[test]
    fn a_state_is_the_fold_of_its_events((terms, moments) in life()) {
        let (first, lived) = live(&terms, &moments);
        let mut plan = first.plan;
        for Lived { event, at, step: lived, .. } in lived {
            let text = serde_json::to_string(&plan).expect("written");
            plan = serde_json::from_str(&text).expect("read");
            plan = step(&plan, &event, at).expect("it applied before").plan;
            prop_assert_eq!(&plan, &lived.plan);
        }
    }
}
