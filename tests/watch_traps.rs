//! Traps that the watch once fell into: relays that fail between a closing and its undoing, clocks
//! set back, a long grace, words that contradict each other (common practice, no source).

#![allow(clippy::expect_used)]

use chrono::{DateTime, TimeDelta, Utc};
use shorelamp::measure::Span;
use shorelamp::watch::{
    Anchor, Answer, By, Event, Kind, Ladder, Order, Recipient, Rung, RungKind, Terms, To, Track,
    Watched, next_wakeup, step, wanted,
};

fn due() -> DateTime<Utc> {
    "2026-06-14T19:30:00Z".parse().expect("a time")
}

fn at(minutes: i64) -> DateTime<Utc> {
    due() + TimeDelta::minutes(minutes)
}

fn rung(anchor: Anchor, minutes: i64, to: &[To], kind: RungKind) -> Rung {
    Rung { anchor, offset_s: minutes * 60, to: to.to_vec(), kind }
}

fn terms() -> Terms {
    let rungs = vec![
        rung(Anchor::Due, -30, &[To::Crew], RungKind::Reminder),
        rung(Anchor::Due, 0, &[To::Crew], RungKind::Due),
        rung(Anchor::Overdue, 0, &[To::Contact(1)], RungKind::Overdue),
        rung(Anchor::Overdue, 15, &[To::Contacts], RungKind::Overdue),
        rung(Anchor::Overdue, 30, &[To::Contacts, To::Keeper], RungKind::CallRescue),
    ];
    let span = Span::from_minutes;
    let ladder = Ladder::new(rungs, span(15), span(10), span(15)).expect("a ladder");
    Terms { due_at: due(), grace: span(15), ladder, crew: vec![true, false], contacts: 2 }
}

struct World {
    plan: Watched,
    now: DateTime<Utc>,
    /// Ordered and not handed over.
    queue: Vec<Order>,
}

impl World {
    fn filed(terms: Terms) -> Self {
        let now = at(-60);
        let first = Watched::file(terms, now);
        let mut world = World { plan: first.plan, now, queue: first.orders };
        world.relay();
        world
    }

    fn happens(&mut self, minutes: i64, event: &Event) -> u32 {
        self.now = at(minutes);
        let next = step(&self.plan, event, self.now).expect("an event that applies");
        self.plan = next.plan;
        self.queue.extend(next.orders);
        self.plan.events
    }

    fn all_ashore(&mut self, minutes: i64, by: By) -> u32 {
        self.happens(minutes, &Event::CheckedIn { who: vec![0, 1], by, how: None })
    }

    fn undone(&mut self, minutes: i64, event: u32) {
        let by = By::Contact(1, "Mirela".to_owned());
        self.happens(minutes, &Event::Undone { event, by });
    }

    /// The relay works: everything that is still wanted is handed over, the rest dropped.
    fn relay(&mut self) -> Vec<(Recipient, Kind)> {
        let mut sent = Vec::new();
        for order in std::mem::take(&mut self.queue) {
            if !wanted(&self.plan, &order, self.now) {
                continue;
            }
            sent.push((order.to, order.kind));
            let event = Event::Handing { to: order.to, kind: order.kind };
            self.plan = step(&self.plan, &event, self.now).expect("handed").plan;
        }
        sent
    }

    fn runs_to(&mut self, minutes: i64) {
        while let Some(wakeup) = next_wakeup(&self.plan).filter(|wakeup| *wakeup <= at(minutes)) {
            self.now = wakeup;
            let next = step(&self.plan, &Event::Tick, wakeup).expect("a tick");
            self.plan = next.plan;
            self.queue.extend(next.orders);
            self.relay();
        }
        self.now = at(minutes);
    }
}

const CONTACT: Recipient = Recipient::Contact(1);

/// `home` arrives; then the relay is down while the closing is undone, said again, and undone
/// again. The contact holds a `home` that no longer holds, so a `withdrawn` is owed.
#[test]
fn a_home_that_arrived_is_withdrawn_however_often_the_closing_was_undone() {
    let mut world = World::filed(terms());
    let first = world.all_ashore(-20, By::Crew(None));
    assert!(world.relay().contains(&(CONTACT, Kind::Home)));
    world.undone(-19, first);
    let second = world.all_ashore(-18, By::Crew(None));
    world.undone(-17, second);
    let sent = world.relay();
    assert!(sent.contains(&(CONTACT, Kind::Withdrawn)), "{sent:?}");
}

/// An alert leaves from memory while nothing can be written, and the crew's word is written before that
/// is: nobody knew then that its reader was to be stood down.
#[test]
fn an_alert_that_is_known_only_after_the_closing_is_stood_down() {
    let mut world = World::filed(terms());
    world.runs_to(-20);
    world.now = at(16);
    world.queue.clear();
    world.all_ashore(16, By::Crew(None));
    assert!(world.relay().contains(&(CONTACT, Kind::Home)));
    let handed = Event::Handing { to: CONTACT, kind: Kind::Overdue };
    world.happens(17, &handed);
    assert_eq!(world.relay(), [(CONTACT, Kind::StandDown)]);
    world.happens(18, &handed);
    assert_eq!(world.relay(), [], "once");
}

/// The machine starts with its clock seven hours ahead (a hardware clock in local time), climbs
/// the ladder, and is then set right. The crew is really overdue; the repeats must go on.
#[test]
fn a_clock_set_back_does_not_silence_the_repeats() {
    let mut world = World::filed(terms());
    world.happens(7 * 60, &Event::Tick);
    world.relay();
    world.happens(50, &Event::Tick);
    let next = next_wakeup(&world.plan).expect("an open plan");
    assert!(next <= at(60), "the next call-rescue goes at {next}, hours from {}", at(50));
}

/// The same for "I am on it": a pause of 15 minutes stays one.
#[test]
fn a_clock_set_back_does_not_lengthen_a_pause() {
    let mut world = World::filed(terms());
    world.happens(7 * 60, &Event::Tick);
    let answer = Answer::OnIt;
    world.happens(7 * 60, &Event::Answered { contact: 0, name: "Dunstan".to_owned(), answer });
    world.happens(50, &Event::Tick);
    let until = world.plan.contacts[0].on_it.as_ref().map(|on_it| on_it.until);
    assert!(until.is_none_or(|until| until <= at(65)), "on it until {until:?}");
}

/// "The last rung stays the last" (`Ladder::track`): with a plan's own long grace a `call-rescue`
/// counted from the return time comes before an `overdue` counted from the end of the grace, and
/// the weaker letter then takes the place of the stronger.
#[test]
fn the_last_rung_stays_the_last_whatever_the_grace() {
    let mut terms = terms();
    let rungs = vec![
        rung(Anchor::Overdue, 20, &[To::Contacts], RungKind::Overdue),
        rung(Anchor::Due, 45, &[To::Contacts], RungKind::CallRescue),
    ];
    let span = Span::from_minutes;
    terms.ladder = Ladder::new(rungs, span(15), span(10), span(15)).expect("a ladder");
    terms.grace = span(60);
    let track = terms.ladder.track(Track::Alerts, terms.due_at, terms.grace);
    assert_eq!(track.last().map(|(number, _)| *number), Some(1), "{track:?}");
}

/// What that does: the relay is down at the call, and up again after the weaker letter was
/// ordered. The contact is never told to call.
#[test]
fn a_weaker_alert_never_takes_the_place_of_a_stronger() {
    let mut terms = terms();
    let rungs = vec![
        rung(Anchor::Overdue, 20, &[To::Contacts], RungKind::Overdue),
        rung(Anchor::Due, 45, &[To::Contacts], RungKind::CallRescue),
    ];
    let span = Span::from_minutes;
    terms.ladder = Ladder::new(rungs, span(15), span(10), span(15)).expect("a ladder");
    terms.grace = span(60);
    let mut world = World::filed(terms);
    world.happens(60, &Event::Tick);
    world.happens(80, &Event::Tick);
    let sent = world.relay();
    assert!(sent.contains(&(CONTACT, Kind::CallRescue)), "{sent:?}");
}

/// A contact says that all are ashore; then the crew says so too and is answered 200. The contact
/// takes back what it said. The crew's own word still stands: no alarm.
#[test]
fn the_crews_own_check_in_outlives_what_a_contact_takes_back() {
    let mut world = World::filed(terms());
    let contacts_word = world.all_ashore(5, By::Contact(0, "Dunstan".to_owned()));
    world.relay();
    world.all_ashore(6, By::Crew(None));
    world.undone(50, contacts_word);
    let sent = world.relay();
    assert!(world.plan.is_closed(), "{sent:?}");
}

/// The same before the closing: one of the crew is said to be ashore, checks in, and the first
/// word is taken back.
#[test]
fn one_of_the_crews_own_check_in_outlives_what_a_contact_takes_back() {
    let mut world = World::filed(terms());
    let by = By::Contact(0, "Dunstan".to_owned());
    let word = world.happens(5, &Event::CheckedIn { who: vec![0], by, how: None });
    let by = By::Crew(Some("Ines".to_owned()));
    world.happens(6, &Event::CheckedIn { who: vec![0], by, how: None });
    world.undone(7, word);
    assert_eq!(world.plan.out(), [1]);
}

/// An "I have called" that stood for a while is taken back: the repeat that is due at once is not
/// late, and its letter must not say that the service was down and the crew could not check in
/// (`letter/late.rs` says so when `scheduled_at` lies before the ordering).
#[test]
fn a_repeat_after_a_call_was_taken_back_is_not_called_late() {
    let mut world = World::filed(terms());
    world.runs_to(46);
    let answer = Answer::Called {
        service: "the coast guard".to_owned(),
        when: "21:10".to_owned(),
        reference: None,
    };
    let call =
        world.happens(46, &Event::Answered { contact: 0, name: "Dunstan".to_owned(), answer });
    world.relay();
    world.undone(90, call);
    let alert = world.queue.iter().find(|order| order.kind == Kind::CallRescue).expect("a call");
    assert_eq!(alert.scheduled_at, world.now);
}

/// Contract: `news` to "the crew, and contacts who may have been alerted: ... an answer was
/// undone", and an answer can be undone for 24 hours after closing too.
#[test]
fn an_answer_undone_after_the_closing_is_news() {
    let mut world = World::filed(terms());
    world.runs_to(46);
    let answer = Answer::Called {
        service: "the coast guard".to_owned(),
        when: "21:10".to_owned(),
        reference: None,
    };
    let call =
        world.happens(46, &Event::Answered { contact: 0, name: "Dunstan".to_owned(), answer });
    world.all_ashore(50, By::Crew(None));
    world.relay();
    world.undone(55, call);
    let sent = world.relay();
    assert!(sent.contains(&(CONTACT, Kind::News)), "{sent:?}");
}

/// A reminder that did not get out before the return time is worth nothing beside the `due`
/// letter: like alerts, the older gives way to the newer.
#[test]
fn a_reminder_gives_way_to_the_letter_that_says_due() {
    let mut world = World::filed(terms());
    world.happens(-30, &Event::Tick);
    world.happens(0, &Event::Tick);
    let sent = world.relay();
    assert!(!sent.contains(&(Recipient::Crew(0), Kind::Reminder)), "{sent:?}");
}

/// A `stand-down` that is refused for good leaves somebody searching, and no later letter tries
/// again. Contract: `news` "to the crew also: a contact could not be reached".
#[test]
fn a_refused_stand_down_is_told_to_the_crew() {
    let mut world = World::filed(terms());
    world.runs_to(20);
    world.all_ashore(22, By::Crew(None));
    assert!(world.relay().contains(&(Recipient::Contact(0), Kind::StandDown)));
    world.happens(23, &Event::Refused { to: Recipient::Contact(0), kind: Kind::StandDown });
    let sent = world.relay();
    assert!(sent.contains(&(Recipient::Crew(0), Kind::News)), "{sent:?}");
}

/// A panic would stop the watch over every other plan too, so no time is too far: an open plan is
/// still looked at again, whatever is said of it at either end of time.
#[test]
fn no_plan_at_an_end_of_time_makes_the_watch_panic() {
    let (first, last) = (DateTime::<Utc>::MIN_UTC, DateTime::<Utc>::MAX_UTC);
    let by = || By::Crew(None);
    let says = |answer| Event::Answered { contact: 0, name: "Dunstan".to_owned(), answer };
    for due_at in [first, due(), last] {
        for now in [first, due(), last] {
            for then in [first, due(), last] {
                let filed = Watched::file(Terms { due_at, ..terms() }, now);
                let mut plan = filed.plan;
                for event in [
                    Event::Tick,
                    says(Answer::OnIt),
                    says(Answer::CantAct),
                    Event::Extended { later: Span::LONGEST, by: by() },
                    Event::Tick,
                    Event::CalledOff { by: by() },
                    Event::Tick,
                ] {
                    // What does not apply is refused, and the plan stays as it is.
                    plan = step(&plan, &event, then).map_or(plan, |next| next.plan);
                    assert_eq!(next_wakeup(&plan).is_none(), plan.is_closed(), "{event:?}");
                    for order in &filed.orders {
                        let _ = wanted(&plan, order, then);
                    }
                }
                let undone = Event::Undone { event: plan.events, by: by() };
                assert!(step(&plan, &undone, then).is_ok(), "a calling-off of just now");
            }
        }
    }
}

/// No letter reaches the first, who was left only for having called; the other can't act. When the
/// call is taken back nobody is left, and those who can still call hear of it at once.
#[test]
fn a_call_taken_back_that_leaves_nobody_waits_for_no_repeat() {
    let mut world = World::filed(terms());
    world.happens(15, &Event::Tick);
    world.relay();
    world.happens(16, &Event::Refused { to: Recipient::Contact(0), kind: Kind::Overdue });
    let says = |contact, answer| Event::Answered { contact, name: "Dunstan".to_owned(), answer };
    let (service, when) = ("the coast guard".to_owned(), "21:01".to_owned());
    let call = world.happens(17, &says(0, Answer::Called { service, when, reference: None }));
    world.happens(18, &says(1, Answer::CantAct));
    world.relay();
    assert!(!world.plan.nobody_left());
    world.undone(19, call);
    assert!(world.plan.nobody_left());
    let told = world.relay();
    assert!(told.contains(&(Recipient::Crew(0), Kind::CallRescue)), "{told:?}");
    assert!(told.contains(&(Recipient::Keeper, Kind::CallRescue)), "{told:?}");
}

/// The keeper is told that the crew is overdue, and half an hour later the contacts to call.
fn keeper_first() -> Terms {
    let rungs = vec![
        rung(Anchor::Overdue, 0, &[To::Keeper], RungKind::Overdue),
        rung(Anchor::Overdue, 30, &[To::Contacts], RungKind::CallRescue),
    ];
    let span = Span::from_minutes;
    let ladder = Ladder::new(rungs, span(15), span(10), span(15)).expect("a ladder");
    Terms { ladder, ..terms() }
}

/// Nobody ashore is left, so the crew was told to call in their stead: that is what they hold, and
/// what a letter sent again says, though the rung itself says less and to others.
#[test]
fn whoever_was_told_in_their_stead_is_sent_the_same_again() {
    let mut world = World::filed(keeper_first());
    for contact in [0, 1] {
        let to = Recipient::Contact(contact);
        world.happens(-50, &Event::Refused { to, kind: Kind::Filed });
    }
    world.relay();
    world.happens(15, &Event::Tick);
    assert!(world.relay().contains(&(Recipient::Crew(0), Kind::CallRescue)));
    let by = By::Keeper("board".to_owned());
    world.happens(16, &Event::SentAgain { to: Recipient::Crew(0), by });
    assert_eq!(world.relay(), [(Recipient::Crew(0), Kind::CallRescue)]);
}

/// Who was asked to call in the contacts' stead keeps that letter until it has left: a word of the
/// ladder to the crew at the same time says less.
#[test]
fn a_word_to_the_crew_never_takes_the_place_of_an_alert() {
    let rungs = vec![
        rung(Anchor::Due, 0, &[To::Crew], RungKind::Due),
        rung(Anchor::Overdue, 0, &[To::Keeper], RungKind::Overdue),
        rung(Anchor::Overdue, 30, &[To::Contacts], RungKind::CallRescue),
    ];
    let span = Span::from_minutes;
    let ladder = Ladder::new(rungs, span(0), span(10), span(15)).expect("a ladder");
    let mut world = World::filed(Terms { grace: span(0), ladder, ..terms() });
    for contact in [0, 1] {
        let to = Recipient::Contact(contact);
        world.happens(-50, &Event::Refused { to, kind: Kind::Filed });
    }
    world.relay();
    world.happens(0, &Event::Tick);
    let sent = world.relay();
    assert!(sent.contains(&(Recipient::Crew(0), Kind::CallRescue)), "{sent:?}");
}

/// The keeper can stand on both tracks of the ladder.
#[test]
fn a_word_to_the_keeper_never_takes_the_place_of_an_alert() {
    let rungs = vec![
        rung(Anchor::Overdue, 0, &[To::Contacts, To::Keeper], RungKind::Overdue),
        rung(Anchor::Overdue, 10, &[To::Crew, To::Keeper], RungKind::Due),
        rung(Anchor::Overdue, 30, &[To::Contacts], RungKind::CallRescue),
    ];
    let span = Span::from_minutes;
    let ladder = Ladder::new(rungs, span(15), span(10), span(15)).expect("a ladder");
    let mut world = World::filed(Terms { ladder, ..terms() });
    world.happens(15, &Event::Tick);
    world.happens(25, &Event::Tick);
    let sent = world.relay();
    assert!(sent.contains(&(Recipient::Keeper, Kind::Overdue)), "{sent:?}");
}

/// A ladder may ask one contact to call before it tells them all: the relay is down meanwhile, and
/// what waits for that one is still the push to call. The same after an outage.
#[test]
fn whoever_was_asked_to_call_is_told_no_less() {
    let rungs = vec![
        rung(Anchor::Overdue, 0, &[To::Contact(2)], RungKind::CallRescue),
        rung(Anchor::Overdue, 15, &[To::Contacts], RungKind::Overdue),
        rung(Anchor::Overdue, 60, &[To::Contacts], RungKind::CallRescue),
    ];
    let span = Span::from_minutes;
    let ladder = Ladder::new(rungs, span(15), span(10), span(15)).expect("a ladder");
    for looked_at in [vec![15, 30], vec![30]] {
        let mut world = World::filed(Terms { ladder: ladder.clone(), ..terms() });
        for minutes in looked_at {
            world.happens(minutes, &Event::Tick);
        }
        let sent = world.relay();
        assert!(sent.contains(&(CONTACT, Kind::CallRescue)), "{sent:?}");
        assert!(sent.contains(&(Recipient::Contact(0), Kind::Overdue)), "{sent:?}");
    }
}

/// What was said once in a round is not said again when the clock comes by a second time.
#[test]
fn a_clock_set_back_repeats_no_word_to_the_crew() {
    let mut world = World::filed(terms());
    world.happens(1, &Event::Tick);
    assert!(world.relay().contains(&(Recipient::Crew(0), Kind::Due)));
    world.happens(-20, &Event::Tick);
    world.happens(2, &Event::Tick);
    assert_eq!(world.queue, []);
}

/// The keeper too is told in the contacts' stead, though the rung itself told them less.
#[test]
fn the_keeper_told_in_their_stead_is_sent_the_same_again() {
    let mut world = World::filed(keeper_first());
    for contact in [0, 1] {
        let to = Recipient::Contact(contact);
        world.happens(-50, &Event::Refused { to, kind: Kind::Filed });
    }
    world.relay();
    world.happens(15, &Event::Tick);
    assert!(world.relay().contains(&(Recipient::Keeper, Kind::CallRescue)));
    let by = By::Keeper("board".to_owned());
    world.happens(16, &Event::SentAgain { to: Recipient::Keeper, by });
    assert_eq!(world.relay(), [(Recipient::Keeper, Kind::CallRescue)]);
}

/// While a contact can be reached, the keeper holds what the rung told them, and no call.
#[test]
fn the_keeper_told_by_the_ladder_is_sent_the_same_again() {
    let mut world = World::filed(keeper_first());
    world.happens(15, &Event::Tick);
    assert_eq!(world.relay(), [(Recipient::Keeper, Kind::Overdue)]);
    let by = By::Keeper("board".to_owned());
    world.happens(16, &Event::SentAgain { to: Recipient::Keeper, by });
    assert_eq!(world.relay(), [(Recipient::Keeper, Kind::Overdue)]);
}

/// A call from before the return time can't be about the crew's being overdue: it keeps nobody from
/// being asked to call when no letter reaches whoever made it.
#[test]
fn a_call_from_before_the_return_time_leaves_nobody_who_could_call() {
    let mut world = World::filed(Terms { contacts: 1, ..terms() });
    let (service, when) = ("the coast guard".to_owned(), "18:40".to_owned());
    let answer = Answer::Called { service, when, reference: None };
    world.happens(-50, &Event::Answered { contact: 0, name: "Dunstan".to_owned(), answer });
    let to = Recipient::Contact(0);
    world.happens(-40, &Event::Refused { to, kind: Kind::News });
    world.relay();
    world.happens(15, &Event::Tick);
    let sent = world.relay();
    assert!(sent.contains(&(Recipient::Crew(0), Kind::CallRescue)), "{sent:?}");
    assert!(sent.contains(&(Recipient::Keeper, Kind::CallRescue)), "{sent:?}");
}

/// Told to call in the contacts' stead, the keeper is told no less while that waits, though a contact
/// can be reached again.
#[test]
fn the_keeper_told_in_their_stead_is_told_no_less() {
    let rungs = vec![
        rung(Anchor::Overdue, 0, &[To::Keeper], RungKind::Overdue),
        rung(Anchor::Overdue, 15, &[To::Contacts, To::Keeper], RungKind::Overdue),
        rung(Anchor::Overdue, 60, &[To::Contacts], RungKind::CallRescue),
    ];
    let span = Span::from_minutes;
    let ladder = Ladder::new(rungs, span(15), span(10), span(15)).expect("a ladder");
    let mut world = World::filed(Terms { ladder, contacts: 1, ..terms() });
    let to = Recipient::Contact(0);
    world.happens(-50, &Event::Refused { to, kind: Kind::Filed });
    world.relay();
    world.happens(15, &Event::Tick);
    world.happens(16, &Event::TakenAgain { to });
    world.happens(30, &Event::Tick);
    let sent = world.relay();
    assert!(sent.contains(&(Recipient::Keeper, Kind::CallRescue)), "{sent:?}");
}
