//! Which letters are still wanted, what a letter's words must agree with, and the names under which
//! the watch's own words are kept; and what is no ladder (the service's own rules; common practice,
//! no source).

#![allow(clippy::expect_used)]

use chrono::{DateTime, TimeDelta, Utc};
use shorelamp::measure::Span;
use shorelamp::watch::{
    Anchor, Answer, By, Cause, Event, Kind, Ladder, LadderFault, Order, Recipient, Refusal, Rung,
    RungKind, State, Terms, To, Track, Watched, next_wakeup, retry_until, step, wanted,
};

fn at(minutes: i64) -> DateTime<Utc> {
    let due: DateTime<Utc> = "2026-06-14T19:30:00Z".parse().expect("a time");
    due + TimeDelta::minutes(minutes)
}

fn rung(anchor: Anchor, minutes: i64, to: &[To], kind: RungKind) -> Rung {
    Rung { anchor, offset_s: minutes * 60, to: to.to_vec(), kind }
}

fn last() -> Rung {
    rung(Anchor::Overdue, 30, &[To::Contacts, To::Keeper], RungKind::CallRescue)
}

fn ladder(rungs: Vec<Rung>) -> Result<Ladder, Vec<LadderFault>> {
    let span = Span::from_minutes;
    Ladder::new(rungs, span(15), span(10), span(15))
}

fn terms() -> Terms {
    let overdue = rung(Anchor::Overdue, 0, &[To::Contact(1)], RungKind::Overdue);
    let due = rung(Anchor::Due, 0, &[To::Crew], RungKind::Due);
    let ladder = ladder(vec![due, overdue, last()]).expect("a ladder");
    Terms {
        due_at: at(0),
        grace: Span::from_minutes(15),
        ladder,
        crew: vec![true, true],
        contacts: 2,
    }
}

fn after(plan: &Watched, minutes: i64, event: &Event) -> (Watched, Vec<Order>) {
    let next = step(plan, event, at(minutes)).expect("an event that applies");
    (next.plan, next.orders)
}

fn handed(plan: &Watched, minutes: i64, orders: &[Order]) -> Watched {
    orders.iter().fold(plan.clone(), |plan, order| {
        after(&plan, minutes, &Event::Handing { to: order.to, kind: order.kind }).0
    })
}

fn filed() -> (Watched, Vec<Order>) {
    let first = Watched::file(terms(), at(-60));
    (handed(&first.plan, -60, &first.orders), first.orders)
}

/// All rungs have gone, and the first contact's address is refused.
fn with_one_contact_left() -> Watched {
    let refused = Event::Refused { to: Recipient::Contact(0), kind: Kind::Filed };
    let (plan, _) = after(&filed().0, -50, &refused);
    after(&plan, 119, &Event::Tick).0
}

fn off() -> Event {
    Event::CalledOff { by: By::Crew(None) }
}

fn later(minutes: u32) -> Event {
    Event::Extended { later: Span::from_minutes(minutes), by: By::Crew(None) }
}

fn back(event: u32) -> Event {
    Event::Undone { event, by: By::Crew(None) }
}

#[test]
fn a_closings_letters_are_tried_for_24_hours_and_an_open_plans_without_end() {
    let (plan, first) = filed();
    assert_eq!(retry_until(&plan), None);
    assert!(wanted(&plan, &first[0], at(100_000)));
    let (closed, over) = after(&plan, 0, &off());
    assert_eq!(retry_until(&closed), Some(at(24 * 60)));
    assert!(over.iter().all(|home| wanted(&closed, home, at(24 * 60))));
    assert!(!over.iter().any(|home| wanted(&closed, home, at(24 * 60 + 1))));
    assert!(!wanted(&closed, &first[0], at(1)), "nobody needs to hear of a trip that is over");
}

#[test]
fn of_two_changes_the_newer_is_wanted() {
    let (plan, _) = filed();
    let (plan, first) = after(&plan, -10, &later(30));
    assert!(first.iter().all(|one| one.kind == Kind::Changed && wanted(&plan, one, at(-9))));
    let (plan, second) = after(&plan, -5, &later(30));
    assert!(!first.iter().any(|one| wanted(&plan, one, at(-4))));
    assert!(second.iter().all(|one| wanted(&plan, one, at(-4))));
}

#[test]
fn of_two_closings_and_two_reopenings_the_newer_is_wanted() {
    let (plan, _) = filed();
    let (plan, first_home) = after(&plan, -30, &off());
    let plan = handed(&plan, -30, &first_home);
    let closing = plan.events - u32::try_from(first_home.len()).expect("few");
    let (plan, first_back) = after(&plan, -29, &back(closing));
    let first_back: Vec<_> =
        first_back.into_iter().filter(|one| one.kind == Kind::Withdrawn).collect();
    assert!(!first_home.iter().any(|home| wanted(&plan, home, at(-28))));
    assert!(first_back.iter().all(|one| wanted(&plan, one, at(-28))));
    let (plan, second_home) = after(&plan, -27, &off());
    assert!(!first_back.iter().any(|one| wanted(&plan, one, at(-26))));
    assert!(second_home.iter().all(|home| wanted(&plan, home, at(-26))));
    let (plan, second_back) = after(&plan, -25, &back(plan.events));
    assert!(second_back.iter().all(|one| wanted(&plan, one, at(-24))));
    assert!(!first_back.iter().any(|one| wanted(&plan, one, at(-24))));
}

/// After its stand-down, what was said of an open plan would be read as a new alarm.
#[test]
fn no_contact_reads_after_a_closing_what_was_said_before_it() {
    let (plan, _) = filed();
    let (plan, alert) = after(&plan, 15, &Event::Tick);
    let alert = alert.into_iter().find(|one| one.kind == Kind::Overdue).expect("an alert");
    let (to, kind) = (alert.to, alert.kind);
    let (plan, without) = after(&plan, 16, &Event::HandingWithout { to, kind });
    let on_it = Answer::OnIt;
    let answer = Event::Answered { contact: 1, name: "Ida".to_owned(), answer: on_it };
    let (plan, news) = after(&plan, 17, &answer);
    let answered = plan.events;
    let of_it = |letters: &[Order], to| {
        letters.iter().find(|one| (one.kind, one.to) == (Kind::News, to)).cloned().expect("news")
    };
    let (meanwhile, to_contact, to_crew) =
        (of_it(&without, to), of_it(&news, to), of_it(&news, Recipient::Crew(0)));
    for letter in [&meanwhile, &to_contact, &to_crew] {
        assert!(wanted(&plan, letter, at(18)));
    }
    let (closed, _) = after(&plan, 18, &off());
    assert!(!wanted(&closed, &meanwhile, at(18)));
    assert!(!wanted(&closed, &to_contact, at(18)));
    assert!(wanted(&closed, &to_crew, at(18)), "it may tell them whom to telephone");
    let (closed, later) = after(&closed, 19, &back(answered));
    assert!(wanted(&closed, &of_it(&later, to), at(19)), "it was said of the closed plan");
    let (reopened, _) = after(&closed, 20, &back(answered + 1));
    assert!(wanted(&reopened, &to_contact, at(20)));
}

#[test]
fn an_older_rung_and_an_older_round_give_way() {
    let (plan, _) = filed();
    let (plan, overdue) = after(&plan, 15, &Event::Tick);
    let overdue = overdue.into_iter().find(|one| one.kind == Kind::Overdue).expect("an alert");
    let (next, call) = after(&plan, 45, &Event::Tick);
    assert!(!wanted(&next, &overdue, at(45)));
    assert!(call.iter().all(|one| wanted(&next, one, at(45))));
    let (extended, _) = after(&plan, 16, &later(60));
    assert!(!wanted(&extended, &overdue, at(16)));
}

/// A letter whose words no longer agree with the plan must be written anew.
#[test]
fn what_a_letter_says_agrees_with_the_plan_or_not() {
    let (plan, _) = filed();
    let one_ashore = Event::CheckedIn { who: vec![0], by: By::Crew(None), how: None };
    let answer = |answer| Event::Answered { contact: 0, name: "Dunstan".to_owned(), answer };
    let (service, when) = ("the coast guard".to_owned(), "21:10".to_owned());
    let called = Answer::Called { service, when, reference: None };
    for event in [
        one_ashore,
        later(30),
        off(),
        answer(Answer::OnIt),
        answer(called),
        answer(Answer::CantAct),
        answer(Answer::HaveIt),
        Event::Refused { to: Recipient::Contact(0), kind: Kind::Filed },
    ] {
        let (next, _) = after(&plan, -10, &event);
        assert!(!next.tells_the_same(&plan), "{event:?}");
        assert!(next.tells_the_same(&next));
    }
    let (overdue, orders) = after(&plan, 15, &Event::Tick);
    assert!(!overdue.tells_the_same(&plan));
    assert!(handed(&overdue, 15, &orders).tells_the_same(&overdue), "who got it changes no word");
    let (closed, _) = after(&plan, -10, &off());
    let (reopened, _) = after(&closed, -9, &back(closed.events));
    assert!(!reopened.tells_the_same(&plan), "another round");
    let mut longer = State::clone(&plan);
    longer.terms.contacts = 3;
    assert!(!longer.tells_the_same(&plan), "other terms");
    for another in [&overdue, &closed, &reopened] {
        assert!(!another.differs_in_words_alone(&plan), "another phase or round");
    }
    assert!(!longer.differs_in_words_alone(&plan), "other terms");
}

/// What an alert that was written anew may lack, and what it may not.
#[test]
fn words_are_what_was_said_and_not_who_is_out_or_reached() {
    let (plan, _) = filed();
    let ashore = |by| Event::CheckedIn { who: vec![0], by, how: None };
    let answer = |answer| Event::Answered { contact: 0, name: "Dunstan".to_owned(), answer };
    let (service, when) = ("the coast guard".to_owned(), "21:10".to_owned());
    let called = Answer::Called { service, when, reference: None };
    let still_out = Event::StillOut { place: None, note: None, by: By::Crew(None) };
    for event in [
        answer(Answer::OnIt),
        answer(called),
        answer(Answer::CantAct),
        answer(Answer::HaveIt),
        answer(Answer::Never),
        still_out,
    ] {
        let (next, _) = after(&plan, -10, &event);
        assert!(next.differs_in_words_alone(&plan), "{event:?}");
    }
    let refused = Event::Refused { to: Recipient::Contact(0), kind: Kind::Filed };
    for event in [ashore(By::Crew(None)), refused, later(30), off()] {
        let (next, _) = after(&plan, -10, &event);
        assert!(!next.differs_in_words_alone(&plan), "{event:?}");
    }
    let (one_ashore, _) = after(&plan, -10, &ashore(By::Crew(None)));
    let (said_twice, _) = after(&one_ashore, -9, &ashore(By::Contact(0, "Dunstan".to_owned())));
    assert!(!said_twice.tells_the_same(&one_ashore));
    assert!(said_twice.differs_in_words_alone(&one_ashore), "the same are out");
}

#[test]
fn every_name_is_read_as_it_was_written() {
    let kinds = [
        (Kind::Filed, "filed"),
        (Kind::Changed, "changed"),
        (Kind::Reminder, "reminder"),
        (Kind::Due, "due"),
        (Kind::Overdue, "overdue"),
        (Kind::CallRescue, "call-rescue"),
        (Kind::Home, "home"),
        (Kind::StandDown, "stand-down"),
        (Kind::Withdrawn, "withdrawn"),
        (Kind::News, "news"),
        (Kind::Trouble, "trouble"),
    ];
    for (kind, name) in kinds {
        assert_eq!((kind.name(), kind.to_string().as_str(), name.parse()), (name, name, Ok(kind)));
    }
    assert_eq!("alarm".parse::<Kind>(), Err(()));
    let readers = [
        (Recipient::Crew(0), "crew:1"),
        (Recipient::Contact(1), "contact:2"),
        (Recipient::Keeper, "keeper"),
    ];
    for (reader, name) in readers {
        assert_eq!((reader.to_string().as_str(), name.parse()), (name, Ok(reader)));
    }
    for none in ["contact:0", "contact", "stranger:1", "crew:x"] {
        assert_eq!(none.parse::<Recipient>(), Err(()), "{none}");
    }
    let causes =
        [(Cause::Rung(0), "rung:0"), (Cause::Repeat(1), "call:1"), (Cause::Event(7), "event:7")];
    for (cause, name) in causes {
        assert_eq!((cause.to_string().as_str(), name.parse()), (name, Ok(cause)));
    }
    assert_eq!("whim:1".parse::<Cause>(), Err(()));
}

#[test]
fn what_is_no_ladder_is_told() {
    let fault = |rungs| ladder(rungs).expect_err("no ladder");
    let overdue = |minutes, to: &[To]| rung(Anchor::Overdue, minutes, to, RungKind::Overdue);
    let due = |to: &[To]| rung(Anchor::Due, 0, to, RungKind::Due);
    assert!(ladder(vec![due(&[To::Crew]), overdue(0, &[To::Contact(1)]), last()]).is_ok());
    assert!(ladder(vec![due(&[To::Keeper]), last()]).is_ok(), "a word to the keeper may be early");
    assert!(ladder(vec![overdue(0, &[To::Keeper]), last()]).is_ok());
    let early = LadderFault::TooEarly(1);
    assert_eq!(fault(vec![overdue(-1, &[To::Contacts]), last()]), std::slice::from_ref(&early));
    assert_eq!(fault(vec![overdue(-1, &[To::Keeper]), last()]), std::slice::from_ref(&early));
    let wrong = LadderFault::WrongReader(1);
    assert_eq!(fault(vec![due(&[To::Contact(1)]), last()]), [early, wrong.clone()]);
    assert_eq!(fault(vec![overdue(0, &[To::Crew]), last()]), std::slice::from_ref(&wrong));
    let reminder = rung(Anchor::Overdue, 5, &[To::Contacts], RungKind::Reminder);
    assert_eq!(fault(vec![reminder, last()]), [wrong]);
    assert_eq!(fault(vec![overdue(0, &[]), last()]), [LadderFault::Nobody(1)]);
    assert_eq!(fault(vec![]), [LadderFault::LastRung]);
    let to_one = rung(Anchor::Overdue, 30, &[To::Contact(1)], RungKind::CallRescue);
    assert_eq!(fault(vec![to_one]), [LadderFault::LastRung]);
    assert_eq!(fault(vec![overdue(30, &[To::Contacts])]), [LadderFault::LastRung]);
    for offset_s in [i64::MIN, -401 * 86_400, 401 * 86_400, i64::MAX] {
        let far = Rung { offset_s, ..due(&[To::Crew]) };
        assert!(fault(vec![far, last()]).contains(&LadderFault::TooFar(1)), "{offset_s}");
        let far = Rung { offset_s, ..last() };
        assert!(fault(vec![far]).contains(&LadderFault::TooFar(1)), "{offset_s}");
    }
    let longest_s = i64::from(Span::LONGEST.seconds());
    let at_the_edge = Rung { offset_s: -longest_s, ..due(&[To::Crew]) };
    assert!(ladder(vec![at_the_edge, Rung { offset_s: longest_s, ..last() }]).is_ok());
    let span = Span::from_minutes;
    let no_repeat = Ladder::new(vec![last()], span(15), Span::ZERO, span(15));
    assert_eq!(no_repeat, Err(vec![LadderFault::Repeat]));
}

#[test]
fn a_ladder_is_what_it_was_made_of_and_its_times_end_with_all_time() {
    let span = Span::from_minutes;
    let reminder = rung(Anchor::Due, -30, &[To::Crew], RungKind::Reminder);
    let made = Ladder::new(vec![last(), reminder.clone()], span(15), span(10), span(20));
    let ladder = made.expect("a ladder");
    assert_eq!((ladder.grace(), ladder.repeat(), ladder.pause()), (span(15), span(10), span(20)));
    assert_eq!(ladder.rungs(), [reminder, last()]);
    let (first, end) = (DateTime::<Utc>::MIN_UTC, DateTime::<Utc>::MAX_UTC);
    assert_eq!(ladder.track(Track::Crew, first, span(15)), [(0, first)]);
    assert_eq!(ladder.track(Track::Alerts, end, span(15)), [(1, end)]);
    assert_eq!(ladder.track(Track::Crew, at(0), span(15)), [(0, at(-30))]);
}

/// A rung to the crew at the very time of an alert goes all the same: nothing has overtaken it.
#[test]
fn a_word_to_the_crew_at_the_time_of_an_alert_goes_too() {
    let terms = Terms { grace: Span::ZERO, ..terms() };
    let plan = Watched::file(terms, at(-60)).plan;
    let (_, orders) = after(&plan, 0, &Event::Tick);
    let kinds: Vec<_> = orders.iter().map(|order| order.kind).collect();
    assert_eq!(kinds, [Kind::Overdue, Kind::Due, Kind::Due], "both of the crew");
}

/// Each `call-rescue` takes the place of the one before, which may still be on its way: asked for again and
/// again, none of them would ever arrive.
#[test]
fn whoever_cant_act_again_and_again_holds_no_call_back() {
    let cant = Event::Answered { contact: 1, name: "Mirela".to_owned(), answer: Answer::CantAct };
    let mut plan = with_one_contact_left();
    let mut asked = Vec::new();
    // All rungs have gone: a minute and a half in turns of three seconds.
    for moment in 0..30 {
        let now = at(120) + TimeDelta::seconds(3 * moment);
        let answered = step(&plan, &cant, now).expect("an answer");
        let called = |one: &Order| one.to == Recipient::Keeper && one.kind == Kind::CallRescue;
        asked.extend(answered.orders.iter().any(called).then_some(moment));
        let back =
            Event::Undone { event: answered.plan.events, by: By::Contact(1, "Mirela".to_owned()) };
        plan = step(&answered.plan, &back, now).expect("taken back").plan;
    }
    assert_eq!(asked, [0, 20], "at once, and again after a minute");
}

/// A relay may have put it off, at the very end, and nobody hears of an end that was taken back at once.
#[test]
fn whoever_heard_that_it_is_over_hears_that_it_is_not_though_it_was_ended_once_more() {
    let ashore = || Event::CheckedIn {
        who: vec![0, 1],
        by: By::Contact(1, "Mirela".to_owned()),
        how: Some("spoke".to_owned()),
    };
    let undo = |event| Event::Undone { event, by: By::Contact(1, "Mirela".to_owned()) };
    let (plan, orders) = filed();
    let plan = handed(&plan, -60, &orders);
    let (over, orders) = after(&plan, -30, &ashore());
    let over = handed(&over, -30, &orders);
    let (open, first) = after(&over, -29, &undo(over.closing().expect("closed").event));
    let open = handed(&open, -29, &first);
    let (over, ends) = after(&open, -28, &ashore());
    let (again, second) = after(&over, -28, &undo(over.closing().expect("closed").event));
    let (later, third) = {
        let over = handed(&over, -28, &ends);
        after(&over, -27, &undo(over.closing().expect("closed").event))
    };
    for reader in [Recipient::Crew(0), Recipient::Contact(0)] {
        let withdrawn = |orders: &[Order]| {
            let mut all = orders.iter().filter(|one| one.kind == Kind::Withdrawn);
            all.find(|one| one.to == reader).cloned()
        };
        let first = withdrawn(&first).expect("a letter");
        assert!(withdrawn(&second).is_none() && wanted(&again, &first, at(-28)), "{reader}");
        assert!(!wanted(&over, &first, at(-28)), "{reader}");
        // Who heard of the second end hears of its own taking back.
        let third = withdrawn(&third).expect("another");
        assert!(wanted(&later, &third, at(-27)) && !wanted(&later, &first, at(-27)), "{reader}");
    }
}

/// A letter that is late says that the service was down, which would be false here.
#[test]
fn what_is_asked_again_after_a_call_was_taken_back_is_not_late() {
    let answer = |answer| Event::Answered { contact: 1, name: "Mirela".to_owned(), answer };
    let (service, when) = ("the coast guard".to_owned(), "14:10".to_owned());
    let called = answer(Answer::Called { service, when, reference: None });
    let out = with_one_contact_left();
    let (cant_act, _) = after(&out, 120, &answer(Answer::CantAct));
    let (stands, _) = after(&cant_act, 120, &called);
    let (cant_act, _) = after(&stands, 120, &answer(Answer::CantAct));
    let undo = Event::Undone { event: stands.events, by: By::Contact(1, "Mirela".to_owned()) };
    let (_, orders) = after(&cant_act, 122, &undo);
    let mut calls = orders.iter().filter(|one| one.kind == Kind::CallRescue).peekable();
    assert!(calls.peek().is_some());
    for call in calls {
        assert_eq!(call.scheduled_at, at(122), "{call:?}");
    }
}

/// The keeper, who hears no news, was told that somebody has called: once nobody is left, and the call was
/// taken back, they are asked within a minute, whatever came first.
#[test]
fn a_call_that_was_taken_back_is_not_left_standing_with_the_keeper() {
    let answer = |answer| Event::Answered { contact: 1, name: "Mirela".to_owned(), answer };
    let (service, when) = ("the coast guard".to_owned(), "14:10".to_owned());
    let called = answer(Answer::Called { service, when, reference: None });
    let undo = |event| Event::Undone { event, by: By::Contact(1, "Mirela".to_owned()) };
    let out = with_one_contact_left();
    let (cant_act, _) = after(&out, 120, &answer(Answer::CantAct));
    let (stands, _) = after(&cant_act, 120, &called);
    let (taken_back, _) = after(&stands, 120, &undo(stands.events));
    let (first, _) = after(&taken_back, 120, &answer(Answer::CantAct));

    let (stands, _) = after(&out, 120, &called);
    let (cant_act, _) = after(&stands, 120, &answer(Answer::CantAct));
    let (second, orders) = after(&cant_act, 120, &undo(stands.events));
    let asks = |orders: &[Order]| {
        orders.iter().any(|one| one.to == Recipient::Keeper && one.kind == Kind::CallRescue)
    };
    let by_then = |plan: &Watched| after(plan, 121, &Event::Tick).1;
    assert_eq!(next_wakeup(&first), Some(at(121)));
    assert!(asks(&by_then(&first)), "{:?}", by_then(&first));
    assert!(asks(&orders) || asks(&by_then(&second)), "{orders:?}");
}

/// An address that takes letters again counts as reachable, and one who has called since the return
/// time counts too; to be on it is not enough, for it must not delay a `call-rescue`.
#[test]
fn who_can_be_reached_and_act_is_left() {
    let (plan, _) = filed();
    let refused = |contact| Event::Refused { to: Recipient::Contact(contact), kind: Kind::Filed };
    let (plan, _) = after(&plan, -50, &refused(0));
    assert!(!plan.nobody_left());
    let (plan, _) = after(&plan, -50, &refused(1));
    assert!(plan.nobody_left());
    let (again, _) = after(&plan, -40, &Event::TakenAgain { to: Recipient::Contact(0) });
    assert!(!again.nobody_left());
    let answer = |answer| Event::Answered { contact: 1, name: "Mirela".to_owned(), answer };
    let (on_it, _) = after(&plan, 10, &answer(Answer::OnIt));
    assert!(on_it.nobody_left());
    let (_, orders) = after(&on_it, 15, &Event::Tick);
    for reader in [Recipient::Crew(0), Recipient::Keeper] {
        let to = |order: &&Order| order.to == reader && order.kind == Kind::CallRescue;
        assert_eq!(orders.iter().filter(to).count(), 1, "{reader}: {orders:?}");
    }
    let (service, when) = ("the coast guard".to_owned(), "21:10".to_owned());
    let call = answer(Answer::Called { service, when, reference: None });
    assert!(
        after(&plan, -1, &call).0.nobody_left(),
        "a call before they were due is about something else"
    );
    assert!(!after(&plan, 0, &call).0.nobody_left());
    let (cant, _) = after(
        &again,
        -30,
        &Event::Answered { contact: 0, name: "Dunstan".to_owned(), answer: Answer::CantAct },
    );
    assert!(cant.nobody_left());
}

#[test]
fn an_extension_by_nothing_changes_nothing_and_one_to_now_is_past() {
    let (plan, _) = filed();
    assert!(!step(&plan, &later(0), at(-10)).expect("it applies").changed);
    let past = step(&plan, &later(30), at(30)).expect_err("it would be now");
    assert_eq!(past, Refusal::StillPast { more_than: Span::from_minutes(30) });
    let (moved, _) = after(&plan, 29, &later(30));
    assert_eq!(moved.terms.due_at, at(30));
    assert_eq!(next_wakeup(&moved), Some(at(30)));
}

#[test]
fn nobody_is_out_of_a_closed_plan() {
    let (plan, _) = filed();
    assert_eq!(plan.out(), [0, 1]);
    assert_eq!(after(&plan, -10, &off()).0.out(), [0usize; 0]);
}

/// Who never got word of a plan hears neither that its times moved nor that it is over.
#[test]
fn who_never_heard_of_a_plan_hears_nothing_of_its_end() {
    let plan = Watched::file(terms(), at(-60)).plan;
    assert_eq!(after(&plan, -50, &later(30)).1, []);
    assert_eq!(after(&plan, -50, &off()).1, []);
}

/// Where a relay says that we send too much, the others wait; whatever is added must be sorted as well.
#[test]
fn what_somebody_acts_on_at_once_never_waits_for_a_relay_to_rest() {
    let at_once: Vec<_> = Kind::ALL.into_iter().filter(|kind| !kind.can_wait()).collect();
    assert_eq!(
        at_once,
        [
            Kind::Reminder,
            Kind::Due,
            Kind::Overdue,
            Kind::CallRescue,
            Kind::StandDown,
            Kind::Withdrawn
        ]
    );
}
