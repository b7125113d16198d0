//! A million plans through a world of faults: the watch itself, and nothing else of the service. The
//! post, the database and the relay are models, here, as simple as can be; the real ones stand in
//! `simulation.rs`, which is some two thousand times slower. A judge sees what was said and answered,
//! the faults, what arrived, and what the plan's page showed.
//!
//! He can't see: letters to the crew and the keeper, and repeats; what words a letter has; whether a
//! rung came too soon in a plan of which a contact could not act or had lost their address (either
//! hurries the ladder, and he does not reckon by how much); clocks that are set; plans that are left
//! out in the end; the store, the post and the threads of the real service.
//!
//! `tests/watch_alone/worlds 1000000` runs long; a plan is replayed with its seed and `SIM_PLANS=1`.

#![allow(clippy::expect_used)]

#[path = "simulation/chance.rs"]
mod chance;
#[path = "watch_worlds/judge.rs"]
mod judge;
#[path = "watch_worlds/script.rs"]
mod script;

use chance::Chance;
use chrono::{DateTime, TimeDelta, Utc};
use judge::{Arrival, LONGEST_WAY, Seen};
use script::{Deed, END, Fault, GRACE, MINUTE, PATIENCE, SECOND, SPACING, Script, Written};
use shorelamp::measure::Span;
use shorelamp::watch::{
    Amendment, Anchor, Answer, By, Event, Ladder, Order, Phase, Place, Recipient, Rung, RungKind,
    Step, Terms, To, Watched, next_wakeup, step, wanted,
};

fn utc(ms: i64) -> DateTime<Utc> {
    let begin: DateTime<Utc> = "2026-06-14T12:00:00Z".parse().expect("a time");
    begin + TimeDelta::milliseconds(ms)
}

fn ms(at: DateTime<Utc>) -> i64 {
    (at - utc(0)).num_milliseconds()
}

fn span(ms: i64) -> Span {
    Span::from_seconds(u32::try_from(ms / SECOND).expect("small"))
}

fn ladder(written: Written) -> Ladder {
    let (anchor, first) = match written {
        Written::FromOverdue => (Anchor::Overdue, 0),
        Written::FromDue => (Anchor::Due, GRACE / MINUTE),
        Written::Later => (Anchor::Overdue, PATIENCE / MINUTE),
    };
    let spacing = SPACING / MINUTE;
    let rung = |anchor, minutes: i64, to, kind| Rung { anchor, offset_s: minutes * 60, to, kind };
    let rungs = vec![
        rung(Anchor::Due, 0, vec![To::Crew], RungKind::Due),
        rung(anchor, first, vec![To::Contact(1)], RungKind::Overdue),
        rung(anchor, first + spacing, vec![To::Contacts], RungKind::Overdue),
        rung(anchor, first + 2 * spacing, vec![To::Contacts, To::Keeper], RungKind::CallRescue),
    ];
    let minutes = Span::from_minutes;
    Ladder::new(rungs, minutes(2), minutes(10), minutes(15)).expect("a ladder")
}

/// A letter in the post.
struct Letter {
    order: Order,
    due: i64,
    failures: usize,
    sent: bool,
}

struct World<'a> {
    script: &'a Script,
    chance: &'a mut Chance,
    plan: Watched,
    letters: Vec<Letter>,
    seen: Seen,
    /// The numbers of the events that said that somebody is ashore, or that it is over.
    closings: Vec<u32>,
}

impl World<'_> {
    fn take(&mut self, step: Step, now: i64) {
        self.plan = step.plan;
        let fresh = step.orders.into_iter().map(|order| Letter {
            order,
            due: now,
            failures: 0,
            sent: false,
        });
        self.letters.extend(fresh);
    }

    fn happen(&mut self, event: &Event, now: i64) -> bool {
        let Ok(step) = step(&self.plan, event, utc(now)) else { return false };
        self.take(step, now);
        true
    }

    fn run(mut self) -> Seen {
        let mut deeds = self.script.deeds.clone().into_iter().peekable();
        let mut now = 0;
        while now < END {
            let deed = deeds.peek().map_or(i64::MAX, |(at, _)| *at);
            let pass = self.up_from(next_wakeup(&self.plan).map_or(i64::MAX, ms).max(now));
            let first = self.letters.iter().filter(|one| !one.sent).map(|one| one.due).min();
            let post = self.up_from(first.unwrap_or(i64::MAX).max(now));
            now = deed.min(pass).min(post).min(END);
            if now == END {
                break;
            }
            if now == deed {
                let (_, deed) = deeds.next().expect("it was looked at");
                if deed == Deed::Look {
                    self.look(now);
                    continue;
                }
                let applied = self.say(&deed, now);
                self.seen.said.push((now, deed, applied));
            } else if now == pass {
                self.happen(&Event::Tick, now);
            } else {
                self.post(now);
            }
        }
        self.seen
    }

    fn up_from(&self, at: i64) -> i64 {
        self.script.down_until(at).unwrap_or(at)
    }

    /// The page says where the plan stands.
    fn look(&mut self, now: i64) {
        let says = match self.plan.phase {
            Phase::Armed => "armed",
            Phase::Overdue => "overdue",
            Phase::Closed(_) => "closed",
        };
        self.seen.looks.push((now, says));
    }

    fn say(&mut self, deed: &Deed, now: i64) -> bool {
        let by = By::Crew(None);
        let answered = |contact: usize, answer| Event::Answered {
            contact,
            name: "Dunstan".to_owned(),
            answer,
        };
        let event = match deed {
            Deed::CheckIn(who) => Event::CheckedIn { who: vec![*who], by, how: None },
            Deed::CallOff => Event::CalledOff { by },
            Deed::CloseByHand => {
                let by = By::Keeper("board".to_owned());
                Event::ClosedByHand { by, reason: "they telephoned".to_owned() }
            }
            Deed::TakeBack => {
                let Some(event) = self.closings.pop() else { return false };
                Event::Undone { event, by }
            }
            Deed::Extend(later) => Event::Extended { later: span(*later), by },
            Deed::Amend(due_in, asked) => self.amendment(now + due_in, asked),
            Deed::OnIt(contact) => answered(*contact, Answer::OnIt),
            Deed::CantAct(contact) => answered(*contact, Answer::CantAct),
            Deed::Called(contact) => {
                let (service, when) = ("the coast guard".to_owned(), "21:10".to_owned());
                answered(*contact, Answer::Called { service, when, reference: None })
            }
            Deed::SendAgain(contact) => {
                let to = Recipient::Contact(*contact);
                Event::SentAgain { to, by: By::Keeper("board".to_owned()) }
            }
            Deed::Look => return false,
        };
        let before = self.plan.events;
        let applied = self.happen(&event, now);
        let closes = matches!(deed, Deed::CheckIn(_) | Deed::CallOff | Deed::CloseByHand);
        if applied && closes && self.plan.events > before {
            self.closings.push(self.plan.events);
        }
        applied
    }

    fn amendment(&self, due_at: i64, asked: &[usize]) -> Event {
        let most = asked.iter().map(|at| at + 1).max().unwrap_or(0);
        let to = Amendment {
            from_round: self.plan.round,
            due_at: utc(due_at),
            grace: span(self.script.grace),
            crew: self
                .plan
                .terms
                .crew
                .iter()
                .map(|reached| match reached {
                    true => Place::Reached,
                    false => Place::Unreached,
                })
                .collect(),
            contacts: most.max(self.plan.contacts.len()),
            asked: asked.to_vec(),
            was_due_at: self.plan.terms.due_at,
            was_overdue_at: self.plan.overdue_at(),
            joined: Vec::new(),
            left: Vec::new(),
            parts: Vec::new(),
        };
        Event::Amended { to: Box::new(to), by: By::Crew(None) }
    }

    /// One attempt at the letter that is due: the last look, the note that it leaves, the relay.
    fn post(&mut self, now: i64) {
        let Some(at) = self.letters.iter().position(|one| !one.sent && one.due <= now) else {
            return;
        };
        let order = self.letters[at].order.clone();
        if !wanted(&self.plan, &order, utc(now)) {
            self.letters[at].sent = true;
            return;
        }
        self.happen(&Event::Handing { to: order.to, kind: order.kind }, now);
        let contact = match order.to {
            Recipient::Contact(contact) => Some(contact),
            Recipient::Crew(_) | Recipient::Keeper => None,
        };
        let fault = self.script.fault(now);
        if fault.is_none_or(|fault| fault == Fault::Swallows)
            && contact.is_some_and(|contact| now >= self.script.lives_until[contact])
        {
            self.letters[at].sent = true;
            self.happen(&Event::Refused { to: order.to, kind: order.kind }, now);
            return;
        }
        let way = self.chance.between(1, LONGEST_WAY / 2);
        let arrives = fault.is_none_or(|fault| fault == Fault::Swallows);
        let told = match fault {
            None => now + way + self.chance.between(1, LONGEST_WAY / 2),
            Some(Fault::Refuses) => now + 3,
            Some(Fault::Silent | Fault::Swallows) => now + 20 * SECOND,
        };
        // Cut off on the way, it may have left or not.
        let dies = self.script.dies_within(now, told);
        let settled = fault.is_none() && dies.is_none();
        if let Some(contact) =
            contact.filter(|_| arrives && (dies.is_none() || self.chance.percent(50)))
        {
            self.seen.arrivals.push(Arrival {
                at: now + way,
                contact,
                kind: order.kind.name(),
                key: format!("{} {} {} {}", order.round, order.cause, order.to, order.kind),
                settled,
            });
        }
        let spread = self.chance.between(90, 111);
        let letter = &mut self.letters[at];
        letter.sent = settled;
        let waits_s = [5, 15, 30, 60];
        letter.due = match dies {
            Some(up) => up,
            None => told + waits_s[letter.failures.min(3)] * spread * 10,
        };
        letter.failures += 1;
    }
}

fn live(seed: u64) -> (Script, Seen) {
    let mut chance = Chance::new(seed);
    let script = Script::draw(&mut chance);
    let terms = Terms {
        due_at: utc(script.due),
        grace: span(script.grace),
        ladder: ladder(script.ladder),
        crew: (0..script.crew).map(|at| at == 0).collect(),
        contacts: 2,
    };
    let filed = Watched::file(terms, utc(0));
    let world = World {
        script: &script,
        chance: &mut chance,
        plan: filed.plan.clone(),
        letters: Vec::new(),
        seen: Seen::default(),
        closings: Vec::new(),
    };
    let mut world = world;
    world.take(filed, 0);
    let seen = world.run();
    (script, seen)
}

#[test]
fn no_plan_is_missed_and_nobody_alarmed_for_nothing() {
    let from_environment = |name: &str, otherwise: u64| {
        std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
    };
    let plans = from_environment("SIM_PLANS", 3000);
    let first = from_environment("SIM_SEED", 1);
    let began = std::time::Instant::now();
    let threads =
        u64::try_from(std::thread::available_parallelism().map_or(1, usize::from)).expect("a few");
    let part = |number: u64| {
        let (mut alerts, mut owed, mut wrong) = (0, 0, Vec::new());
        for seed in (first + number..first + plans).step_by(usize::try_from(threads).expect("few"))
        {
            let (script, seen) = live(seed);
            let (spans, faults) = judge::judge(&script, &seen);
            owed += spans;
            let is_alert = |one: &&Arrival| matches!(one.kind, "overdue" | "call-rescue");
            alerts += seen.arrivals.iter().filter(is_alert).count();
            wrong.extend(
                faults
                    .into_iter()
                    .map(|fault| format!("SIM_SEED={seed}: {fault}\n{script:?}\n{seen:?}")),
            );
        }
        (alerts, owed, wrong)
    };
    let parts: Vec<_> = std::thread::scope(|scope| {
        let parts: Vec<_> = (0..threads).map(|number| scope.spawn(move || part(number))).collect();
        parts.into_iter().map(|part| part.join().expect("it ends")).collect()
    });
    let alerts: usize = parts.iter().map(|part| part.0).sum();
    let owed: usize = parts.iter().map(|part| part.1).sum();
    let wrong: Vec<_> = parts.into_iter().flat_map(|part| part.2).collect();
    println!(
        "seeds {first} to {}: {plans} plans, {alerts} alerts, {owed} owed beyond doubt, {} wrong, \
         {:.0?}",
        first + plans - 1,
        wrong.len(),
        began.elapsed()
    );
    for fault in wrong.iter().take(5) {
        println!("{fault}");
    }
    assert!(wrong.is_empty(), "{} wrong; replay with SIM_SEED and SIM_PLANS=1", wrong.len());
    assert!(plans == 1 || owed > 0, "nothing was ever owed");
}
