//! `trouble`, to the keeper: something that could stop an alert, and what to do. Little of the
//! plan stands here: the keeper needs its ref, not its people.

use chrono::{DateTime, Utc};

use super::block::{Block, Draft};
use super::brief::Row;
use super::scene::Scene;
use super::{Letter, finish, words};
use crate::watch::{Answer, ContactState, Event, Recipient, Urgency};

pub(super) fn draft(scene: &Scene<'_>) -> Draft {
    let (what, mend) = matter(scene);
    let left = contacts_left(scene);
    let plan = words::clean(scene.facts.plan_ref);
    let lead = vec![
        format!("Trouble with plan {plan}: {what}."),
        "An alert could be stopped by this.".to_owned(),
    ];
    let blocks = vec![
        Block::heading("What to do"),
        Block::Steps(mend),
        Block::Para(left),
        Block::heading("Where the plan stands"),
        Block::Rows(rows(scene)),
    ];
    let overdue = scene.clock.short(scene.overdue_at(), scene.now);
    let subject = format!("Trouble: {what} (plan {plan}, overdue from {overdue})");
    Draft { subject: words::cut(&subject, words::LONGEST_SUBJECT), lead, blocks }
}

/// What is the matter, and what to do about it.
fn matter(scene: &Scene<'_>) -> (String, Vec<String>) {
    let past = scene.event().and_then(|number| scene.facts.past(number));
    let look =
        format!("Look at the board: shorelamp board, plan {}.", words::clean(scene.facts.plan_ref));
    match past.map(|past| &past.event) {
        Some(Event::Answered { contact, answer: Answer::CantAct, .. }) => (
            format!("contact {} can't act", contact + 1),
            vec!["Have the crew name another contact before it launches.".to_owned(), look],
        ),
        Some(Event::Answered { contact, answer: Answer::Never, .. }) => (
            format!("contact {} wants no letters of this service any more", contact + 1),
            vec!["Have the crew name another contact before it launches.".to_owned(), look],
        ),
        Some(Event::Bounced { to, kind, for_content: true }) => (
            format!("a letter to {} came back, maybe for what stands in it (letter: {kind})", reader(*to)),
            vec![
                "Their letters go in plain words from now on, without what anybody typed, and with the \
                 link to their page. The report says why: see the letter's note on the board."
                    .to_owned(),
                "Reach them by telephone: nobody knows whether they read those.".to_owned(),
                look,
            ],
        ),
        Some(Event::Bounced { to, kind, .. }) => (
            format!("a letter to {} came back (letter: {kind})", reader(*to)),
            vec![
                "Is the address wrong, or does that mailbox refuse this service? The report says \
                 why: see the letter's note on the board."
                    .to_owned(),
                "Reach the crew by telephone and have it mend the address.".to_owned(),
                look,
            ],
        ),
        Some(Event::Refused { to, kind }) => (
            format!("the address of {} is refused for good (letter: {kind})", reader(*to)),
            vec![
                "Read the relay's answer in the log: is the address wrong, or is this service \
                 refused as a sender? If it is the service, every plan is in danger."
                    .to_owned(),
                "Reach the crew by telephone and have it mend the address.".to_owned(),
                look,
            ],
        ),
        _ => ("something could stop an alert".to_owned(), vec![look]),
    }
}

fn reader(to: Recipient) -> String {
    match to {
        Recipient::Crew(at) => format!("crew member {}", at + 1),
        Recipient::Contact(at) => format!("contact {}", at + 1),
        Recipient::Keeper => "the keeper".to_owned(),
    }
}

/// How many contacts can still be reached and act.
fn contacts_left(scene: &Scene<'_>) -> String {
    let (watched, asked) = (scene.facts.watched, scene.facts.watched.asked());
    let contacts = asked.iter().filter_map(|&at| watched.contacts.get(at));
    let left = contacts.filter(|one| can_act(one)).count();
    if left > 0 {
        return format!("Contacts who can be reached and act: {left} of {}.", asked.len());
    }
    "No contact is left who can be reached and act. Once the crew is overdue, the letter to call the \
     rescue service comes to you and the crew: be ready to call."
        .to_owned()
}

fn can_act(one: &ContactState) -> bool {
    !one.told.refused && one.cant_act.is_none() && one.opted_out.is_none()
}

fn rows(scene: &Scene<'_>) -> Vec<Row> {
    let (crew, out) = (scene.facts.on_trip().len(), scene.facts.watched.out().len());
    let contacts = scene.facts.watched.contacts.iter().enumerate().map(|(at, one)| {
        let state = match (one.told.refused, one.cant_act.is_some()) {
            _ if one.removed_by.is_some() => "no longer asked",
            _ if one.opted_out.is_some() => "wants no letters",
            (true, _) => "refused",
            (_, true) => "can't act",
            _ if one.confirmed_at.is_some() => "has confirmed",
            _ => "has not answered",
        };
        Row::new(format!("Contact {}", at + 1), state)
    });
    [
        Row::new("People", format!("{out} of {crew} still out")),
        Row::new("Return by", scene.clock.full_from(scene.due_at(), scene.now)),
        Row::new("Overdue from", scene.clock.full_from(scene.overdue_at(), scene.now)),
    ]
    .into_iter()
    .chain(contacts)
    .collect()
}

/// A letter to the keeper about the service itself: what is the matter, and the steps that mend
/// it. `topic` tells one trouble's thread from another's.
#[must_use]
pub fn service_trouble(
    service_name: &str,
    topic: &str,
    what: &str,
    mend: &[String],
    now: DateTime<Utc>,
) -> Letter {
    let what = words::clean(what);
    let lead = vec![
        format!("Trouble: {what}."),
        format!(
            "Seen on {}. An alert could be stopped by this.",
            now.format("%a %-d %b %Y, %H:%M UTC")
        ),
    ];
    let mut blocks = vec![
        Block::heading("What to do"),
        Block::Steps(mend.iter().map(|step| words::clean(step)).collect()),
    ];
    blocks.push(Block::Small(format!("From {}.", words::clean(service_name))));
    let subject = words::cut(&format!("Trouble: {what}"), words::LONGEST_SUBJECT);
    let thread = format!("trouble-{}", words::clean(topic));
    finish(Draft { subject, lead, blocks }, Urgency::Ordinary, thread)
}

/// The letter that tells the keeper that such a trouble is over, in the same thread.
#[must_use]
pub fn service_trouble_over(
    service_name: &str,
    topic: &str,
    what: &str,
    now: DateTime<Utc>,
) -> Letter {
    let what = words::clean(what);
    let lead = vec![
        format!("Over: {what}."),
        format!(
            "It was seen working again on {}. Letters that waited go out by themselves.",
            now.format("%a %-d %b %Y, %H:%M UTC")
        ),
    ];
    let blocks = vec![Block::Small(format!("From {}.", words::clean(service_name)))];
    let subject = words::cut(&format!("Over: {what}"), words::LONGEST_SUBJECT);
    let thread = format!("trouble-{}", words::clean(topic));
    finish(Draft { subject, lead, blocks }, Urgency::Ordinary, thread)
}
