//! Where things stand: who is out, who is ashore, who was told and what they answered.

use chrono::{DateTime, Utc};

use super::answers::{self, Standing};
use super::block::Block;
use super::brief::Row;
use super::scene::Scene;
use super::when::Clock;
use super::words::{first_name, list, name, names, quote};
use crate::plan::Contact;
use crate::watch::{By, CalledRescue, ContactState, Event, LastWord, Recipient};

/// Where things stand, under its heading.
pub(super) fn stand(scene: &Scene<'_>) -> Vec<Block> {
    let watched = scene.facts.watched;
    let mut rows = Vec::new();
    if !watched.is_closed() {
        rows.push(Row::new(
            "Still out",
            list(&scene.out_names().iter().map(|one| name(one)).collect::<Vec<_>>()),
        ));
    }
    rows.extend(ashore(scene));
    if let Some(word) = &watched.last_word {
        rows.push(Row::new("Last word of the crew", last_word(scene, word)));
    }
    rows.push(Row::new("Return by", scene.clock.full_from(scene.due_at(), scene.now)));
    let (overdue_at, now) = (scene.overdue_at(), scene.now);
    let label = if overdue_at <= now { "Overdue since" } else { "Overdue from" };
    rows.push(Row::new(label, scene.clock.full_from(overdue_at, now)));
    if overdue_at <= now || watched.somebody_called() {
        rows.push(Row::new("Rescue service", rescue_service(scene)));
    }
    rows.extend(contacts(scene).iter().map(|told| told.row(scene.clock)));
    vec![Block::heading("Where things stand"), Block::Rows(rows)]
}

/// What the crew last said of itself, when and where.
pub(super) fn last_word(scene: &Scene<'_>, word: &LastWord) -> String {
    let place = word.place.as_ref().map(|place| format!(" at {place}"));
    let note = word.note.as_ref().map(|note| format!(": {}", quote(note)));
    format!(
        "at {}{}{}, said by {}.",
        scene.clock.full_from(word.at, scene.now),
        place.unwrap_or_default(),
        note.unwrap_or_default(),
        who(scene, &word.by)
    )
}

/// Who is ashore, who says so and how they know.
pub(super) fn ashore(scene: &Scene<'_>) -> Vec<Row> {
    let (plan, watched) = (scene.facts.plan, scene.facts.watched);
    let crew = scene.facts.on_trip().into_iter();
    crew.filter_map(|at| {
        let (member, ashore) = (plan.crew.get(at)?, watched.crew.get(at)?.ashore()?);
        let how = ashore.how.as_ref().map(|how| format!("; how they know: {}", quote(how)));
        let value = format!(
            "{}, said at {} by {}{}",
            name(&member.name),
            scene.clock.full_from(ashore.at, scene.now),
            who(scene, &ashore.by),
            how.unwrap_or_default()
        );
        Some(Row::new("Ashore", value))
    })
    .collect()
}

/// Who said something.
pub(super) fn who(scene: &Scene<'_>, by: &By) -> String {
    match by {
        By::Crew(None) => "the crew, from their own device or link".to_owned(),
        By::Crew(Some(typed)) => format!("{}, from the crew's own device or link", name(typed)),
        By::Contact(at, typed) => match scene.facts.plan.contacts.get(*at) {
            Some(contact) if first_name(&contact.name) != first_name(typed) => {
                let (who, of) = (first_name(typed), first_name(&contact.name));
                format!("{who}, on the page of the contact {of}")
            }
            _ => format!("{}, a contact", first_name(typed)),
        },
        By::Keeper(key) => format!("the keeper of this service (key {})", quote(key)),
    }
}

/// Every "I have called" that stands.
pub(super) fn calls(scene: &Scene<'_>) -> Vec<String> {
    let all = scene.facts.watched.contacts.iter().enumerate();
    all.filter_map(|(at, contact)| Some(call(at, contact.called.as_ref()?, scene))).collect()
}

/// This reader's own, if it stands.
pub(super) fn own_call(scene: &Scene<'_>) -> Option<String> {
    let Recipient::Contact(at) = scene.order.to else { return None };
    let contact = scene.facts.watched.contacts.get(at)?;
    Some(call(at, contact.called.as_ref()?, scene))
}

fn call(contact: usize, called: &CalledRescue, scene: &Scene<'_>) -> String {
    let who = if scene.order.to == Recipient::Contact(contact) {
        "You wrote".to_owned()
    } else {
        format!("{} wrote", first_name(&called.name))
    };
    let reference = called.reference.as_ref().map(|text| format!(", reference {text}"));
    let said = format!(
        "I have called {} at {}{}",
        called.service,
        called.when,
        reference.unwrap_or_default()
    );
    format!("{who} at {}: {}.", scene.clock.time(called.at), quote(&said))
}

fn rescue_service(scene: &Scene<'_>) -> String {
    let calls = calls(scene);
    if calls.is_empty() {
        "nobody has told us that they have called".to_owned()
    } else {
        calls.join(" ")
    }
}

/// What a contact who is asked was sent, and has answered.
pub(super) struct Told<'a> {
    pub(super) contact: &'a Contact,
    /// Whether this letter is to them.
    pub(super) is_reader: bool,
    pub(super) sent: Sent,
    /// In words; `None` while there is no answer.
    pub(super) answered: Option<String>,
}

/// How far our letters to a contact have come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Sent {
    /// Their address takes none.
    Refused,
    /// The first alert was handed over then.
    Alerted(DateTime<Utc>),
    /// So it was; when is not at hand.
    AlertedBefore,
    /// This letter is the first alert.
    ThisLetter,
    Plan,
    Nothing,
}

impl Sent {
    pub(super) fn words(self, clock: Clock) -> String {
        match self {
            Sent::Refused => "our letters do not reach this address".to_owned(),
            Sent::Alerted(at) => format!("alerted at {}", clock.time(at)),
            Sent::AlertedBefore => "has had an alert".to_owned(),
            Sent::ThisLetter => "this letter".to_owned(),
            Sent::Plan => "has the plan, no alert so far".to_owned(),
            Sent::Nothing => "nothing has left for them so far".to_owned(),
        }
    }
}

impl Told<'_> {
    /// First name, what they were sent, what they answered.
    pub(super) fn row(&self, clock: Clock) -> Row {
        let you = if self.is_reader { " (you)" } else { "" };
        Row::new(format!("{}{you}", first_name(&self.contact.name)), self.words(clock))
    }

    pub(super) fn words(&self, clock: Clock) -> String {
        format!("{}; {}", self.sent.words(clock), self.answered.as_deref().unwrap_or("no answer"))
    }
}

/// The contacts who are asked.
pub(super) fn contacts<'a>(scene: &Scene<'a>) -> Vec<Told<'a>> {
    let states = &scene.facts.watched.contacts;
    let contacts = scene.contacts().into_iter();
    contacts
        .filter_map(|(at, contact)| Some((at, contact, states.get(at)?)))
        .map(|(at, contact, state)| Told {
            contact,
            is_reader: scene.order.to == Recipient::Contact(at),
            sent: sent(scene, at, state),
            answered: answered(scene, state),
        })
        .collect()
}

/// The first alert handed over for this contact.
fn sent(scene: &Scene<'_>, at: usize, state: &ContactState) -> Sent {
    if state.told.refused {
        return Sent::Refused;
    }
    let alert = scene.facts.history.iter().find(|past| {
        matches!(past.event, Event::Handing { to: Recipient::Contact(to), kind }
            | Event::HandingWithout { to: Recipient::Contact(to), kind }
            if to == at && kind.is_alert())
    });
    match alert {
        Some(past) => Sent::Alerted(past.at),
        None if state.told.alerted => Sent::AlertedBefore,
        None if scene.order.kind.is_alert() && scene.order.to == Recipient::Contact(at) => {
            Sent::ThisLetter
        }
        None if state.told.of_plan => Sent::Plan,
        None => Sent::Nothing,
    }
}

fn answered(scene: &Scene<'_>, state: &ContactState) -> Option<String> {
    let time = |at: DateTime<Utc>| scene.clock.time(at);
    let said: Vec<String> = answers::standing(state)
        .into_iter()
        .map(|one| match one {
            Standing::Called(called) => {
                format!("wrote at {}: has called {}", time(called.at), quote(&called.service))
            }
            Standing::OnIt(on_it) => format!(
                "{} wrote at {}: is on it (we ask again after {})",
                first_name(&on_it.name),
                time(on_it.at),
                time(on_it.until)
            ),
            Standing::CantAct => answers::CANT_ACT.to_owned(),
            Standing::WantsNoLetters => answers::WANTS_NO_LETTERS.to_owned(),
            Standing::RanOut(ran_out) => {
                let past = scene.facts.past(ran_out.event);
                let at = past.map(|past| format!(" at {}", time(past.at))).unwrap_or_default();
                format!("wrote that they are on it, and nothing more until we asked again{at}")
            }
        })
        .collect();
    if said.is_empty() {
        let confirmed = |at| format!("confirmed the plan's letter at {}, nothing since", time(at));
        return state.confirmed_at.map(confirmed);
    }
    Some(said.join("; "))
}

/// What is said of the contacts in one line: their first names.
pub(super) fn first_names(scene: &Scene<'_>) -> String {
    let contacts = scene.contacts().into_iter();
    names(&contacts.map(|(_, contact)| first_name(&contact.name)).collect::<Vec<_>>(), 6)
}
