//! The page of a contact: what is the matter, whom to call, and what they answer.

use askama::Template;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::Response;
use axum::routing::get;
use axum::{Extension, Router};
use chrono::{DateTime, Utc};

use super::confirm::{NotDone, never};
use super::deed::{Did, Notice, carry_out, picked_crew, undone};
use super::making::turn_to_tell;
use super::often::Often;
use super::page::{Sorry, html};
use super::said::{self, Said};
use super::trip::{Trip, contacts};
use super::typed::Typed;
use super::words::{first_name, typed_line, typed_name};
use crate::daemon::secrets::new_key;
use crate::daemon::{Asked, Daemon, Dossier, Visit};
use crate::letter::{Brief, Callee, Facts, brief, whom_to_call, words_to_say};
use crate::store::Purpose;
use crate::watch::{Answer, By, Event, Recipient};

/// How a contact may know that somebody is ashore: the value sent, and the words kept.
const HOW: [(&str, &str); 3] = [
    ("spoke", "I spoke with them"),
    ("saw", "I saw them ashore"),
    ("message", "they sent me a message"),
];

#[derive(Template)]
#[template(path = "contact.html")]
struct ContactPage {
    token: String,
    once: String,
    trip: Trip,
    notice: Option<Notice>,
    typed: Typed,
    me: String,
    has_letter: bool,
    cant_act: bool,
    no_letters: bool,
    phones: Vec<(String, String)>,
    callees: Vec<Callee>,
    calls: Vec<String>,
    /// Whether one of them was after they were due back.
    called: bool,
    out: Vec<(usize, String)>,
    how: [(&'static str, &'static str); 3],
    contacts: Vec<(String, String)>,
    history: Vec<Said>,
    undoable: Vec<Said>,
    told: Told,
    chart: Option<String>,
}

/// What a contact is told of the plan. Whatever is private in it is private here: a template shows
/// what it is given.
#[derive(Debug)]
struct Told {
    /// What to say to a rescue service; there while the crew is overdue.
    say: Option<Vec<String>>,
    plan: Brief,
}

impl Told {
    fn of(facts: &Facts<'_>, contact: usize, now: DateTime<Utc>) -> Self {
        Told { say: words_to_say(facts, contact, now), plan: brief(facts, now) }
    }
}

impl ContactPage {
    /// What was typed into the form of this act, when it is the one that came back.
    fn kept(&self, act: &str, field: &str) -> &str {
        if self.typed.get("act") == act { self.typed.get(field) } else { "" }
    }

    fn is_open(&self, act: &str) -> bool {
        self.typed.get("act") == act
    }
}

/// The page of somebody whom an amendment took out: the plan is no longer theirs to read.
#[derive(Template)]
#[template(path = "not_asked.html")]
struct NotAskedPage {
    token: String,
    once: String,
    trip: Trip,
    notice: Option<Notice>,
    typed: Typed,
    me: String,
    out: Vec<(usize, String)>,
    how: [(&'static str, &'static str); 3],
    undoable: Vec<Said>,
    no_letters: bool,
    /// Whether they were alerted before they were taken out.
    was_alerted: bool,
}

impl NotAskedPage {
    fn kept(&self, act: &str, field: &str) -> &str {
        if self.typed.get("act") == act { self.typed.get(field) } else { "" }
    }

    fn is_open(&self, act: &str) -> bool {
        self.typed.get("act") == act
    }
}

pub(super) fn routes() -> Router<Daemon> {
    Router::new().route("/contact/{token}", get(show).post(answer))
}

async fn show(
    State(daemon): State<Daemon>,
    Path(token): Path<String>,
    Query(did): Query<Did>,
) -> Result<Response, Sorry> {
    let visit = open(&daemon, &token).await?;
    let effect = |number| said::effect(&visit.dossier, number, Some(visit.link.who));
    let number = did.number().filter(|&number| may_read_effect(&visit, number));
    let notice = number.map(|number| Notice::done(effect(number)));
    page(&daemon, &token, &visit, notice, Typed::default()).await
}

async fn answer(
    State(daemon): State<Daemon>,
    Extension(often): Extension<Often>,
    Path(token): Path<String>,
    typed: Typed,
) -> Result<Response, Sorry> {
    let visit = open(&daemon, &token).await?;
    if typed.get("act") == "never" {
        let notice = match never(&daemon, &visit, &typed).await {
            Ok(()) => Notice::done(Some(said::NO_LETTERS.to_owned())),
            Err(NotDone::Why(why)) => Notice::fault(&why),
            Err(NotDone::Failed(error)) => return Err(error.into()),
        };
        drop(visit);
        return told(&daemon, &token, notice, typed).await;
    }
    let (own, asked) = (format!("/contact/{token}"), event(&visit, &typed));
    match carry_out(&often, &daemon, &visit.dossier, &own, asked, &typed).await? {
        Ok((done, _)) => Ok(done),
        Err(notice) => {
            drop(visit);
            told(&daemon, &token, notice, typed).await
        }
    }
}

/// The page with this on it. While it waits for its turn nothing of the plan is kept.
async fn told(
    daemon: &Daemon,
    token: &str,
    notice: Notice,
    typed: Typed,
) -> Result<Response, Sorry> {
    let turn = turn_to_tell(daemon, Asked::Link(token), &notice).await?;
    let visit = open(daemon, token).await?;
    Ok(turn.until_packed(page(daemon, token, &visit, Some(notice), typed).await?))
}

async fn open(daemon: &Daemon, token: &str) -> Result<Visit, Sorry> {
    daemon.visit(token, Purpose::Contact).await?.ok_or_else(Sorry::gone)
}

/// Whether what this event did is still for its reader. What is told of it is so now: to whoever is
/// asked no longer it would tell the times and the people of a plan that is not theirs to read. That
/// their word is taken back they hear, and whoever was alerted, what their call or sighting did.
fn may_read_effect(visit: &Visit, number: u32) -> bool {
    if visit.dossier.record.state.is_asked(visit.link.who) {
        return true;
    }
    let past = visit.dossier.history.iter().find(|past| past.number == number);
    past.is_some_and(|past| match &past.event {
        Event::Undone { .. } => true,
        Event::CheckedIn { .. } | Event::Answered { answer: Answer::Called { .. }, .. } => {
            was_alerted(visit)
        }
        _ => false,
    })
}

/// What the form asks for. Nothing in it has a default: an untouched form asks for nothing.
fn event(visit: &Visit, typed: &Typed) -> Result<Event, String> {
    let contact = visit.link.who;
    let name = typed_name(typed.get("name"))?;
    if !is_heard(visit, typed) {
        return Err(
            "You are no longer asked to act for this trip, and nobody has told you that its \
                    crew is overdue: telephone the crew, or somebody ashore who is asked."
                .to_owned(),
        );
    }
    let answered = |name, answer| Ok(Event::Answered { contact, name, answer });
    match typed.get("act") {
        "have-it" => answered(name, Answer::HaveIt),
        "on-it" => answered(name, Answer::OnIt),
        "cant-act" => answered(name, Answer::CantAct),
        "called" => answered(name, called(typed)?),
        "ashore" => {
            let who = picked_crew(typed, &visit.dossier)?;
            let how = HOW.iter().find(|(value, _)| *value == typed.get("how"));
            let (_, how) = how.ok_or("Say how you know it: choose one of the three.")?;
            let by = By::Contact(contact, name);
            Ok(Event::CheckedIn { who, by, how: Some((*how).to_owned()) })
        }
        "undo" => Ok(Event::Undone { event: undone(typed)?, by: By::Contact(contact, name) }),
        _ => Err("Choose one of the answers below.".to_owned()),
    }
}

/// Whether what they say counts. Who was taken out and never alerted has nothing to say of the trip
/// but what takes back their own word: they may be a stranger, or whom the crew wants to be rid of,
/// and what they say could keep the others from calling. Whoever was alerted may have called, or seen
/// them.
fn is_heard(visit: &Visit, typed: &Typed) -> bool {
    let (state, me) = (&visit.dossier.record.state, visit.link.who);
    let is_own = || {
        let own = own_words(&visit.dossier, me);
        undone(typed).is_ok_and(|event| own.iter().any(|said| said.event == event))
    };
    state.is_asked(me) || was_alerted(visit) || (typed.get("act") == "undo" && is_own())
}

fn was_alerted(visit: &Visit) -> bool {
    visit.dossier.record.state.told(Recipient::Contact(visit.link.who)).alerted
}

/// What this contact has said themselves and can take back.
fn own_words(dossier: &Dossier, contact: usize) -> Vec<Said> {
    let mut own = said::undoable(dossier);
    own.retain(|said| said::is_said_by(dossier, said.event, contact));
    own
}

fn called(typed: &Typed) -> Result<Answer, String> {
    Ok(Answer::Called {
        service: typed_line(typed.get("service"))?.ok_or("Type whom you called.")?,
        when: typed_line(typed.get("when"))?.ok_or("Type when you called.")?,
        reference: typed_line(typed.get("reference"))?,
    })
}

async fn page(
    daemon: &Daemon,
    token: &str,
    visit: &Visit,
    notice: Option<Notice>,
    typed: Typed,
) -> Result<Response, Sorry> {
    let now = daemon.now();
    let standing = daemon.status(&visit.dossier.record.plan_ref).await?;
    let me = visit.link.who;
    let state = &visit.dossier.record.state;
    let facts = daemon.facts(&visit.dossier, None, now);
    let own = state.contacts.get(me);
    let status = notice.as_ref().map_or(StatusCode::OK, |notice| notice.status);
    let name = visit.dossier.plan.contacts.get(me).map_or("", |one| first_name(&one.name));
    if !state.is_asked(me) {
        let page = NotAskedPage {
            token: token.to_owned(),
            once: new_key()?,
            trip: Trip::of(&visit.dossier, now),
            notice,
            typed,
            me: name.to_owned(),
            out: said::out(&visit.dossier),
            how: HOW,
            undoable: match was_alerted(visit) {
                true => said::undoable(&visit.dossier),
                false => own_words(&visit.dossier, me),
            },
            was_alerted: was_alerted(visit),
            no_letters: own.is_some_and(|own| own.opted_out.is_some()),
        };
        return Ok(html(status, &page));
    }
    let contact = ContactPage {
        token: token.to_owned(),
        once: new_key()?,
        trip: Trip::of(&visit.dossier, now),
        notice,
        typed,
        me: name.to_owned(),
        has_letter: own.is_some_and(|own| own.confirmed_at.is_some()),
        cant_act: own.is_some_and(|own| own.cant_act.is_some()),
        no_letters: own.is_some_and(|own| own.opted_out.is_some()),
        phones: phones(&visit.dossier),
        callees: whom_to_call(facts.rescue, visit.dossier.plan.launch.position),
        calls: said::calls(&visit.dossier),
        called: state.called_since_due(),
        out: said::out(&visit.dossier),
        how: HOW,
        contacts: contacts(&standing, Some(me)),
        history: said::history(&visit.dossier),
        undoable: said::undoable(&visit.dossier),
        told: Told::of(&facts, me, now),
        chart: daemon.chart(&visit.dossier.plan).await,
    };
    Ok(html(status, &contact))
}

/// The telephones of those who are out.
fn phones(dossier: &Dossier) -> Vec<(String, String)> {
    let out = dossier.record.state.out().into_iter().filter_map(|at| dossier.plan.crew.get(at));
    out.filter_map(|one| Some((one.name.clone(), one.phone.clone()?))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::Span;
    use crate::plan::{Plan, read_toml};
    use crate::watch::{Anchor, Ladder, Rung, RungKind, Terms, To, Watched, step};

    /// Invented.
    const PLAN: &str = r#"
        [times]
        launch = "2026-06-14T05:30:00-07:00"
        return_by = "2026-06-14T12:30:00-07:00"
        [launch]
        position = "48.5420 -123.1620"
        [[crew]]
        name = "Ines Halloran"
        medical = "Zqasthma"
        [[contact]]
        name = "Dunstan Okafor"
        email = "dunstan@example.org"
    "#;

    fn filed(plan: &Plan) -> Watched {
        let rung = Rung {
            anchor: Anchor::Overdue,
            offset_s: 0,
            to: vec![To::Contacts],
            kind: RungKind::CallRescue,
        };
        let grace = Span::from_minutes(15);
        let terms = Terms {
            due_at: plan.times.return_by.at,
            grace,
            ladder: Ladder::new(vec![rung], grace, grace, grace).unwrap(),
            crew: vec![false],
            contacts: 1,
        };
        Watched::file(terms, plan.times.launch.at).plan
    }

    fn told(plan: &Plan, watched: &Watched, now: DateTime<Utc>) -> String {
        let facts = Facts {
            service_name: "Madrona Point Paddle Anglers",
            plan_ref: "7Q4K-M2",
            filed_at: plan.times.launch.at,
            plan,
            watched,
            history: &[],
            review: None,
            latest: None,
            rescue: &[],
            page: None,
            rescue_page: None,
            has_chart: false,
            queued_at: now,
            from_memory: false,
            clocks_apart: None,
        };
        format!("{:?}", Told::of(&facts, 0, now))
    }

    #[test]
    fn a_contacts_page_holds_words_on_health_while_overdue_alone() {
        let plan = read_toml(PLAN, &|_| Err("none".to_owned())).unwrap();
        let armed = filed(&plan);
        let overdue_at = armed.overdue_at();
        for now in [plan.times.launch.at, overdue_at - chrono::TimeDelta::seconds(1)] {
            let told = told(&plan, &armed, now);
            assert!(!told.contains("Zqasthma"), "{told}");
            assert!(told.contains("say: None"), "{told}");
        }
        // Overdue by the clock alone, before the watch has taken its step; and after it.
        let overdue = step(&armed, &Event::Tick, overdue_at).unwrap().plan;
        for watched in [&armed, &overdue] {
            let told = told(&plan, watched, overdue_at);
            assert_eq!(
                told.matches("Zqasthma").count(),
                3,
                "in short, of the crew, in the plan: {told}"
            );
        }
        let by = By::Crew(None);
        let home = Event::CheckedIn { who: vec![0], by, how: None };
        let closed = step(&overdue, &home, overdue_at).unwrap().plan;
        let told = told(&plan, &closed, overdue_at);
        assert!(!told.contains("Zqasthma") && told.contains("say: None"), "{told}");
    }
}
