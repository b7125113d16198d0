//! The watch, driven by a simulated clock that jumps from wake-up to wake-up. Each letter counts
//! as handed over the moment it is ordered, unless a test says otherwise. The expected times and
//! readers are those of the ladder's own definition (common practice, no source).

#![allow(clippy::expect_used)]

#[path = "watch/amended.rs"]
mod amended;
#[path = "watch/by_hand.rs"]
mod by_hand;
#[path = "watch/strangers.rs"]
mod strangers;

use chrono::{DateTime, TimeDelta, Utc};
use shorelamp::measure::Span;
use shorelamp::watch::{
    Anchor, Answer, By, Event, How, Kind, Ladder, Order, Phase, Recipient, Refusal, Rung, RungKind,
    Terms, To, Watched, next_wakeup, step, wanted,
};

const MINUTE: TimeDelta = TimeDelta::minutes(1);

fn due() -> DateTime<Utc> {
    "2026-06-14T19:30:00Z".parse().expect("a time")
}

fn rung(anchor: Anchor, minutes: i64, to: &[To], kind: RungKind) -> Rung {
    Rung { anchor, offset_s: minutes * 60, to: to.to_vec(), kind }
}

fn ladder() -> Ladder {
    let rungs = vec![
        rung(Anchor::Due, -30, &[To::Crew], RungKind::Reminder),
        rung(Anchor::Due, 0, &[To::Crew], RungKind::Due),
        rung(Anchor::Overdue, 0, &[To::Contact(1)], RungKind::Overdue),
        rung(Anchor::Overdue, 15, &[To::Contacts], RungKind::Overdue),
        rung(Anchor::Overdue, 30, &[To::Contacts, To::Keeper], RungKind::CallRescue),
    ];
    let span = Span::from_minutes;
    Ladder::new(rungs, span(15), span(10), span(15)).expect("a ladder")
}

/// Two crew, of whom the first has an address, and two contacts.
fn terms() -> Terms {
    Terms {
        due_at: due(),
        grace: Span::from_minutes(15),
        ladder: ladder(),
        crew: vec![true, false],
        contacts: 2,
    }
}

/// A plan, its clock in minutes after the return time, and what was sent.
struct World {
    plan: Watched,
    now: DateTime<Utc>,
    sent: Vec<(i64, String, Kind)>,
    /// Whether letters are handed over as soon as they are ordered.
    relay_works: bool,
    queue: Vec<Order>,
}

impl World {
    /// Filed an hour before the return time.
    fn filed() -> Self {
        World::filed_with(terms())
    }

    fn filed_with(terms: Terms) -> Self {
        let now = due() - MINUTE * 60;
        let first = Watched::file(terms, now);
        let (sent, queue) = (Vec::new(), Vec::new());
        let mut world = World { plan: first.plan, now, sent, relay_works: true, queue };
        world.hand_over(first.orders);
        world
    }

    fn hand_over(&mut self, orders: Vec<Order>) {
        if !self.relay_works {
            self.queue.extend(orders);
            return;
        }
        for order in orders {
            let minutes = (self.now - due()).num_minutes();
            self.sent.push((minutes, order.to.to_string(), order.kind));
            self.apply(&Event::Handing { to: order.to, kind: order.kind });
        }
    }

    fn apply(&mut self, event: &Event) -> Vec<Order> {
        let next = step(&self.plan, event, self.now).expect("an event that applies");
        assert_eq!(next.plan.events, self.plan.events + u32::from(next.changed));
        self.plan = next.plan;
        next.orders
    }

    fn happens(&mut self, event: &Event) {
        let orders = self.apply(event);
        self.hand_over(orders);
    }

    fn answers(&mut self, contact: usize, answer: Answer) {
        self.happens(&Event::Answered { contact, name: "Dunstan".to_owned(), answer });
    }

    /// Lets the clock run, waking whenever the plan asks for it.
    fn runs_to(&mut self, minutes: i64) {
        let end = due() + MINUTE * i32::try_from(minutes).expect("minutes");
        while let Some(at) = next_wakeup(&self.plan).filter(|at| *at <= end) {
            self.now = at;
            self.happens(&Event::Tick);
        }
        self.now = end;
    }

    /// Lets the clock jump without anybody looking at it, as in an outage.
    fn sleeps_to(&mut self, minutes: i64) {
        self.now = due() + MINUTE * i32::try_from(minutes).expect("minutes");
        self.happens(&Event::Tick);
    }

    fn ashore(&mut self, who: &[usize]) {
        let by = By::Crew(None);
        self.happens(&Event::CheckedIn { who: who.to_vec(), by, how: None });
    }

    /// What was sent since the last look, one word a letter.
    fn letters(&mut self) -> String {
        let sent = std::mem::take(&mut self.sent);
        let words: Vec<_> = sent.iter().map(|(at, to, kind)| format!("{at}:{to}:{kind}")).collect();
        words.join(" ")
    }
}

#[test]
fn the_ladder_is_climbed_rung_by_rung_and_the_last_is_repeated() {
    let mut world = World::filed();
    assert_eq!(world.letters(), "-60:crew:1:filed -60:contact:1:filed -60:contact:2:filed");
    world.runs_to(14);
    assert_eq!(world.letters(), "-30:crew:1:reminder 0:crew:1:due");
    world.runs_to(60);
    assert_eq!(
        world.letters(),
        "15:contact:1:overdue 30:contact:1:overdue 30:contact:2:overdue \
         45:contact:1:call-rescue 45:contact:2:call-rescue 45:keeper:call-rescue \
         55:contact:1:call-rescue 55:contact:2:call-rescue 55:keeper:call-rescue"
    );
}

#[test]
fn a_check_in_in_time_tells_everyone_that_it_is_over_and_nothing_follows() {
    let mut world = World::filed();
    world.runs_to(-10);
    world.ashore(&[0]);
    world.letters();
    world.ashore(&[1]);
    assert_eq!(world.letters(), "-10:crew:1:home -10:contact:1:home -10:contact:2:home");
    assert_eq!(next_wakeup(&world.plan), None);
    world.ashore(&[0, 1]);
    assert_eq!(world.letters(), "", "a second check-in changes nothing");
}

#[test]
fn exactly_those_alerted_are_stood_down() {
    let mut world = World::filed();
    world.runs_to(20);
    world.letters();
    world.ashore(&[0, 1]);
    assert_eq!(world.letters(), "20:crew:1:home 20:contact:1:stand-down 20:contact:2:home");
}

#[test]
fn an_alert_that_never_left_makes_no_stand_down() {
    let mut world = World::filed();
    world.relay_works = false;
    world.runs_to(20);
    let alert = world.queue.last().cloned().expect("an alert");
    assert!(wanted(&world.plan, &alert, world.now));
    world.relay_works = true;
    world.letters();
    world.ashore(&[0, 1]);
    assert!(!wanted(&world.plan, &alert, world.now), "it is void after the check-in");
    assert_eq!(world.letters(), "20:crew:1:home 20:contact:1:home 20:contact:2:home");
}

#[test]
fn one_ashore_leaves_the_other_on_the_watch() {
    let mut world = World::filed();
    world.runs_to(20);
    world.letters();
    world.ashore(&[1]);
    assert_eq!(world.letters(), "20:crew:1:news 20:contact:1:news");
    assert_eq!(world.plan.out(), [0]);
    world.runs_to(30);
    assert_eq!(world.letters(), "30:contact:1:overdue 30:contact:2:overdue");
}

#[test]
fn after_an_outage_the_highest_rung_goes_once_and_the_spacing_is_kept() {
    let mut world = World::filed();
    world.letters();
    world.sleeps_to(37);
    assert_eq!(world.letters(), "37:contact:1:overdue 37:contact:2:overdue");
    world.runs_to(62);
    assert_eq!(
        world.letters(),
        "52:contact:1:call-rescue 52:contact:2:call-rescue 52:keeper:call-rescue \
         62:contact:1:call-rescue 62:contact:2:call-rescue 62:keeper:call-rescue"
    );
}

#[test]
fn a_late_reminder_never_delays_an_alert() {
    let mut world = World::filed();
    world.letters();
    world.sleeps_to(-1);
    assert_eq!(world.letters(), "-1:crew:1:reminder");
    world.runs_to(15);
    assert_eq!(world.letters(), "0:crew:1:due 15:contact:1:overdue");
}

#[test]
fn on_it_spares_its_own_contact_the_repeats_and_delays_no_rung() {
    let mut world = World::filed();
    world.runs_to(31);
    world.answers(0, Answer::OnIt);
    world.letters();
    world.runs_to(45);
    let rung = "45:contact:1:call-rescue 45:contact:2:call-rescue 45:keeper:call-rescue";
    assert_eq!(world.letters(), rung, "the call-rescue rung spares nobody");
    world.answers(1, Answer::OnIt);
    world.letters();
    world.runs_to(55);
    // The first answer ran out at 46: that is news.
    assert_eq!(
        world.letters(),
        "46:crew:1:news 46:contact:1:news 46:contact:2:news \
         55:contact:1:call-rescue 55:keeper:call-rescue"
    );
}

#[test]
fn once_somebody_called_the_repeats_are_hourly_until_it_is_taken_back() {
    let mut world = World::filed();
    world.runs_to(46);
    let called = Answer::Called {
        service: "the coast guard".to_owned(),
        when: "21:10".to_owned(),
        reference: None,
    };
    world.answers(0, called);
    let event = world.plan.events;
    world.letters();
    world.runs_to(104);
    assert_eq!(world.letters(), "");
    world.runs_to(105);
    assert!(world.letters().starts_with("105:contact:1:call-rescue"));
    let by = By::Contact(1, "Mirela".to_owned());
    world.runs_to(116);
    world.happens(&Event::Undone { event, by });
    assert!(world.letters().contains("116:contact:2:call-rescue"), "it is due again at once");
}

#[test]
fn cant_act_brings_the_next_rung_at_once() {
    let mut world = World::filed();
    world.runs_to(16);
    world.letters();
    world.answers(0, Answer::CantAct);
    assert_eq!(
        world.letters(),
        "16:crew:1:news 16:contact:1:news 16:contact:1:overdue 16:contact:2:overdue"
    );
    world.runs_to(31);
    assert!(world.letters().starts_with("31:contact:1:call-rescue"), "the spacing is kept");
}

#[test]
fn cant_act_before_overdue_marks_the_contact_and_brings_the_next_one_when_it_counts() {
    let mut world = World::filed();
    world.letters();
    world.answers(0, Answer::CantAct);
    assert_eq!(world.letters(), "-60:keeper:trouble -60:crew:1:news");
    world.runs_to(15);
    assert!(world.letters().ends_with("15:contact:1:overdue 15:contact:2:overdue"));
}

#[test]
fn with_no_contact_left_crew_and_keeper_are_asked_to_call() {
    let mut world = World::filed();
    world.runs_to(16);
    world.letters();
    world.happens(&Event::Refused { to: Recipient::Contact(0), kind: Kind::Overdue });
    assert_eq!(
        world.letters(),
        "16:keeper:trouble 16:crew:1:news 16:contact:1:overdue 16:contact:2:overdue"
    );
    world.happens(&Event::Refused { to: Recipient::Contact(1), kind: Kind::Overdue });
    assert_eq!(
        world.letters(),
        "16:keeper:trouble 16:crew:1:news 16:contact:1:call-rescue 16:contact:2:call-rescue \
         16:crew:1:call-rescue 16:keeper:call-rescue"
    );
    world.happens(&Event::Refused { to: Recipient::Contact(1), kind: Kind::Overdue });
    assert_eq!(world.letters(), "", "a second refusal is no news");
}

#[test]
fn an_extension_moves_the_ladder_and_tells_all_who_know() {
    let mut world = World::filed();
    world.runs_to(20);
    world.letters();
    let later = Span::from_minutes(60);
    world.happens(&Event::Extended { later, by: By::Crew(None) });
    assert_eq!(world.letters(), "20:crew:1:changed 20:contact:1:changed 20:contact:2:changed");
    world.runs_to(75);
    assert_eq!(world.letters(), "30:crew:1:reminder 60:crew:1:due 75:contact:1:overdue");
    world.ashore(&[0, 1]);
    assert!(world.letters().contains("75:contact:1:stand-down 75:contact:2:home"));
}

#[test]
fn an_extension_into_the_past_is_refused() {
    let mut world = World::filed();
    world.runs_to(90);
    let event = Event::Extended { later: Span::from_minutes(60), by: By::Crew(None) };
    let refusal = step(&world.plan, &event, world.now).expect_err("still past");
    assert_eq!(refusal, Refusal::StillPast { more_than: Span::from_minutes(90) });
}

#[test]
fn an_undone_closing_is_withdrawn_and_the_highest_rung_goes_at_once() {
    let mut world = World::filed();
    world.runs_to(20);
    world.ashore(&[0, 1]);
    let event = world.plan.events - 3; // the check-in, before three letters were handed over
    world.letters();
    world.runs_to(50);
    let by = By::Contact(1, "Mirela".to_owned());
    world.happens(&Event::Undone { event, by: by.clone() });
    assert_eq!(
        world.letters(),
        "50:crew:1:withdrawn 50:contact:1:withdrawn 50:contact:2:withdrawn \
         50:contact:1:call-rescue 50:contact:2:call-rescue 50:keeper:call-rescue"
    );
    world.ashore(&[0, 1]);
    let event = world.plan.events - 4;
    world.now += TimeDelta::hours(25);
    let undone = step(&world.plan, &Event::Undone { event, by }, world.now);
    assert_eq!(undone, Err(Refusal::TooLate));
}

#[test]
fn a_trip_called_off_is_over() {
    let mut world = World::filed();
    world.letters();
    world.happens(&Event::CalledOff { by: By::Crew(None) });
    assert_eq!(world.letters(), "-60:crew:1:home -60:contact:1:home -60:contact:2:home");
    assert!(world.plan.is_closed());
}

#[test]
fn a_rung_for_a_contact_whom_the_plan_lacks_goes_to_all() {
    let mut terms = terms();
    let rungs = vec![
        rung(Anchor::Overdue, 0, &[To::Contact(3)], RungKind::Overdue),
        rung(Anchor::Overdue, 30, &[To::Contacts], RungKind::CallRescue),
    ];
    let span = Span::from_minutes;
    terms.ladder = Ladder::new(rungs, span(15), span(10), span(15)).expect("a ladder");
    let plan = Watched::file(terms, due() - MINUTE).plan;
    let orders = step(&plan, &Event::Tick, due() + MINUTE * 15).expect("a tick").orders;
    let readers: Vec<_> = orders.iter().map(|order| order.to.to_string()).collect();
    assert_eq!(readers, ["contact:1", "contact:2"]);
}

#[test]
fn a_plans_own_long_grace_holds_back_a_rung_counted_from_the_return_time() {
    let mut terms = terms();
    let rungs = vec![
        rung(Anchor::Due, 20, &[To::Contact(1)], RungKind::Overdue),
        rung(Anchor::Overdue, 30, &[To::Contacts], RungKind::CallRescue),
    ];
    let span = Span::from_minutes;
    terms.ladder = Ladder::new(rungs, span(15), span(10), span(15)).expect("a ladder");
    terms.grace = span(60);
    let plan = Watched::file(terms, due() - MINUTE).plan;
    assert_eq!(next_wakeup(&plan), Some(due() + MINUTE * 60));
    let early = step(&plan, &Event::Tick, due() + MINUTE * 59).expect("a tick");
    assert!(early.orders.is_empty());
}
