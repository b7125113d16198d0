//! The phases in which a plan can be met, and what can happen to it there. Times are minutes after
//! the return time; two crew, of whom the first has an address, and two contacts.

use chrono::{DateTime, TimeDelta, Utc};
use shorelamp::measure::Span;
use shorelamp::watch::{
    Amendment, Anchor, Answer, By, Event, Kind, Ladder, Order, Place, Recipient, Rung, RungKind,
    Terms, To, Watched, next_wakeup, step,
};

/// A phase, with what the rules need to know of it.
pub struct Scene {
    pub name: &'static str,
    pub phase: &'static str,
    /// When the event comes.
    pub at_min: i64,
    /// Whether the relay takes alerts, so that those due before have reached their readers.
    pub relay: bool,
    /// How it closed, and when.
    pub closed: Option<(Closing, i64)>,
}

#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Closing {
    Ashore,
    CalledOff,
    ByKeeper,
    /// Called off, and all of them checked in after that.
    OffAndAshore,
}

const DAY: i64 = 24 * 60;

const fn open(name: &'static str, phase: &'static str, at_min: i64, relay: bool) -> Scene {
    Scene { name, phase, at_min, relay, closed: None }
}

const fn closed(name: &'static str, at_min: i64, how: Closing, closed_min: i64) -> Scene {
    Scene { name, phase: "closed", at_min, relay: true, closed: Some((how, closed_min)) }
}

pub const SCENES: &[Scene] = &[
    open("armed", "armed", -20, true),
    open("armed, return time passed", "armed", 10, true),
    open("overdue, alert not out", "overdue", 16, false),
    open("overdue, contact 1 alerted", "overdue", 16, true),
    open("overdue, all alerted", "overdue", 46, true),
    closed("ashore, nobody alerted", -10, Closing::Ashore, -20),
    closed("ashore, contact 1 alerted", 18, Closing::Ashore, 17),
    closed("called off, contact 1 alerted", 18, Closing::CalledOff, 17),
    closed("closed by the keeper, contact 1 alerted", 18, Closing::ByKeeper, 17),
    closed("called off, then all ashore", 18, Closing::OffAndAshore, 17),
    closed("ashore for 24 h", 17 + DAY, Closing::Ashore, 17),
    closed("ashore for longer", 18 + DAY, Closing::Ashore, 17),
    closed("called off for longer", 18 + DAY, Closing::CalledOff, 17),
];

/// A plan on the stage.
pub struct Stage {
    pub plan: Watched,
    pub now: DateTime<Utc>,
    /// The event that closed it.
    pub closing: u32,
}

pub fn at(minutes: i64) -> DateTime<Utc> {
    let due: DateTime<Utc> = "2026-06-14T19:30:00Z".parse().expect("a time");
    due + TimeDelta::minutes(minutes)
}

fn terms() -> Terms {
    let rung = |anchor, minutes: i64, to: &[To], kind| Rung {
        anchor,
        offset_s: minutes * 60,
        to: to.to_vec(),
        kind,
    };
    let rungs = vec![
        rung(Anchor::Due, -30, &[To::Crew], RungKind::Reminder),
        rung(Anchor::Due, 0, &[To::Crew], RungKind::Due),
        rung(Anchor::Overdue, 0, &[To::Contact(1)], RungKind::Overdue),
        rung(Anchor::Overdue, 15, &[To::Contacts], RungKind::Overdue),
        rung(Anchor::Overdue, 30, &[To::Contacts, To::Keeper], RungKind::CallRescue),
    ];
    let span = Span::from_minutes;
    let ladder = Ladder::new(rungs, span(15), span(10), span(15)).expect("a ladder");
    Terms { due_at: at(0), grace: span(15), ladder, crew: vec![true, false], contacts: 2 }
}

impl Scene {
    /// Plays a plan up to this phase: filed an hour before its return time.
    pub fn stage(&self) -> Stage {
        let first = Watched::file(terms(), at(-60));
        let mut stage = Stage { plan: first.plan, now: at(-60), closing: 0 };
        stage.hand_over(&first.orders, true);
        let until = self.closed.map_or(self.at_min, |(_, closed_min)| closed_min);
        while let Some(wakeup) = next_wakeup(&stage.plan).filter(|wakeup| *wakeup <= at(until)) {
            stage.now = wakeup;
            stage.happens(&Event::Tick, self.relay);
        }
        stage.now = at(until);
        if let Some((how, _)) = self.closed {
            let by = By::Crew(None);
            let event = match how {
                Closing::Ashore => all_ashore(),
                Closing::CalledOff | Closing::OffAndAshore => Event::CalledOff { by },
                Closing::ByKeeper => by_hand(),
            };
            stage.closing = stage.plan.events + 1;
            stage.happens(&event, true);
            if how == Closing::OffAndAshore {
                stage.happens(&all_ashore(), true);
            }
        }
        stage.now = at(self.at_min);
        stage
    }
}

impl Stage {
    fn happens(&mut self, event: &Event, relay: bool) {
        let next = step(&self.plan, event, self.now).expect("an event that applies");
        self.plan = next.plan;
        self.hand_over(&next.orders, relay);
    }

    fn hand_over(&mut self, orders: &[Order], relay: bool) {
        for order in orders.iter().filter(|order| relay || !order.kind.is_alert()) {
            let event = Event::Handing { to: order.to, kind: order.kind };
            self.plan = step(&self.plan, &event, self.now).expect("handed").plan;
        }
    }
}

/// Something that can happen.
pub struct Happening {
    pub name: &'static str,
    event: fn(&Stage) -> Event,
    /// Whether it happens when the clock alone would next move the plan.
    at_wakeup: bool,
}

impl Happening {
    pub fn event(&self, stage: &Stage) -> (Event, DateTime<Utc>) {
        let wakeup = next_wakeup(&stage.plan).filter(|_| self.at_wakeup);
        ((self.event)(stage), wakeup.unwrap_or(stage.now))
    }
}

const fn now(name: &'static str, event: fn(&Stage) -> Event) -> Happening {
    Happening { name, event, at_wakeup: false }
}

fn by() -> By {
    By::Crew(None)
}

fn answer(answer: Answer) -> Event {
    Event::Answered { contact: 0, name: "Dunstan".to_owned(), answer }
}

/// Contact 2 is taken out, and a third is asked.
fn amended(stage: &Stage, due_at: DateTime<Utc>) -> Event {
    let to = Amendment {
        from_round: stage.plan.round,
        due_at,
        grace: Span::from_minutes(15),
        crew: vec![Place::Reached, Place::Unreached],
        contacts: 3,
        asked: vec![0, 2],
        was_due_at: stage.plan.terms.due_at,
        was_overdue_at: stage.plan.overdue_at(),
        joined: vec![Recipient::Contact(2)],
        left: vec![Recipient::Contact(1)],
        parts: Vec::new(),
    };
    Event::Amended { to: Box::new(to), by: by() }
}

fn all_ashore() -> Event {
    Event::CheckedIn { who: vec![0, 1], by: by(), how: None }
}

fn by_hand() -> Event {
    Event::ClosedByHand { by: keeper(), reason: "they telephoned".to_owned() }
}

fn keeper() -> By {
    By::Keeper("board".to_owned())
}

fn again(to: Recipient) -> Event {
    Event::SentAgain { to, by: keeper() }
}

const CONTACT: Recipient = Recipient::Contact(0);

/// Every event, a row each.
pub const EVENTS: &[Happening] = &[
    now("time passes", |_| Event::Tick),
    Happening { name: "the next wake-up", event: |_| Event::Tick, at_wakeup: true },
    now("one ashore", |_| Event::CheckedIn { who: vec![1], by: by(), how: None }),
    now("all ashore", |_| all_ashore()),
    now("somebody else ashore", |_| Event::CheckedIn { who: vec![2], by: by(), how: None }),
    now("one hour later", |_| Event::Extended { later: Span::from_minutes(60), by: by() }),
    now("one minute later", |_| Event::Extended { later: Span::from_minutes(1), by: by() }),
    now("amended: one hour later, contact 3 for 2", |stage| amended(stage, at(60))),
    now("amended: back a minute ago", |stage| amended(stage, stage.now - TimeDelta::minutes(1))),
    now("still out, with a note", |_| Event::StillOut {
        place: Some("48.5500 -123.2000".to_owned()),
        note: Some("waiting for the tide".to_owned()),
        by: by(),
    }),
    now("called off", |_| Event::CalledOff { by: by() }),
    now("closed by the keeper", |_| by_hand()),
    now("contact 1 is written to again", |_| again(CONTACT)),
    now("the keeper is written to again", |_| again(Recipient::Keeper)),
    now("contact 1 has the letter", |_| answer(Answer::HaveIt)),
    now("contact 1 is on it", |_| answer(Answer::OnIt)),
    now("contact 1 has called", |_| {
        let (service, when) = ("the coast guard".to_owned(), "21:10".to_owned());
        answer(Answer::Called { service, when, reference: None })
    }),
    now("contact 1 can't act", |_| answer(Answer::CantAct)),
    now("contact 1 wants no letters", |_| answer(Answer::Never)),
    now("the closing is taken back", |stage| Event::Undone { event: stage.closing, by: by() }),
    now("what never was is taken back", |_| Event::Undone { event: 999, by: by() }),
    now("an alert to contact 1 leaves", |_| Event::Handing { to: CONTACT, kind: Kind::Overdue }),
    now("an alert to contact 1 leaves without what was said", |_| Event::HandingWithout {
        to: CONTACT,
        kind: Kind::Overdue,
    }),
    now("contact 1's address is refused", |_| Event::Refused { to: CONTACT, kind: Kind::Filed }),
    now("a letter to contact 1 comes back", |_| Event::Bounced {
        to: CONTACT,
        kind: Kind::Filed,
        for_content: false,
    }),
    now("an alert to contact 1 comes back, maybe for its words", |_| Event::Bounced {
        to: CONTACT,
        kind: Kind::Overdue,
        for_content: true,
    }),
    now("contact 1's address works again", |_| Event::TakenAgain { to: CONTACT }),
];

/// The names of all that the watch knows as an event: one that is new gets an arm here, a name
/// below and a row above.
pub fn variant(event: &Event) -> &'static str {
    match event {
        Event::Tick => "tick",
        Event::CheckedIn { .. } => "checked-in",
        Event::Extended { .. } => "extended",
        Event::Amended { .. } => "amended",
        Event::StillOut { .. } => "still-out",
        Event::CalledOff { .. } => "called-off",
        Event::ClosedByHand { .. } => "closed-by-hand",
        Event::SentAgain { .. } => "sent-again",
        Event::Answered { .. } => "answered",
        Event::Undone { .. } => "undone",
        Event::Handing { .. } => "handing",
        Event::HandingWithout { .. } => "handing-without",
        Event::Refused { .. } => "refused",
        Event::Bounced { .. } => "bounced",
        Event::TakenAgain { .. } => "taken-again",
    }
}

pub const VARIANTS: [&str; 15] = [
    "tick",
    "checked-in",
    "extended",
    "amended",
    "still-out",
    "called-off",
    "closed-by-hand",
    "sent-again",
    "answered",
    "undone",
    "handing",
    "handing-without",
    "refused",
    "bounced",
    "taken-again",
];
