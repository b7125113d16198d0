//! What people have said about a trip, and which of it can still be taken back.

use super::changed;
use super::words::{first_name, list};
use crate::daemon::Dossier;
use crate::letter::Clock;
use crate::watch::{Answer, By, Event, How, Past, Phase, Recipient};

/// What a contact is told who wants no letters.
pub(super) const NO_LETTERS: &str = "Written down: we don't write to you again. The crew is told that \
                                     it can't count on you. If you set an alarm for this trip, \
                                     switch it off.";

/// Something that was said.
pub(super) struct Said {
    /// The event's number.
    pub(super) event: u32,
    pub(super) words: String,
}

/// Everything that people have said, newest first.
pub(super) fn history(dossier: &Dossier) -> Vec<Said> {
    let said = dossier.history.iter().rev().filter_map(|past| said(dossier, past));
    said.collect()
}

/// What can still be taken back, newest first.
pub(super) fn undoable(dossier: &Dossier) -> Vec<Said> {
    let standing = standing(dossier);
    history(dossier).into_iter().filter(|said| standing.contains(&said.event)).collect()
}

/// The events whose effect stands: after a closing, only those who it brought ashore, the
/// calling-off and the keeper's closing.
fn standing(dossier: &Dossier) -> Vec<u32> {
    let state = &dossier.record.state;
    let on_trip = state.crew.iter().filter(|one| one.removed_by.is_none());
    let mut events: Vec<u32> = on_trip.filter_map(|one| Some(one.ashore()?.event)).collect();
    match state.phase {
        Phase::Closed(closing) if closing.how != How::Ashore => events.push(closing.event),
        Phase::Closed(_) => {}
        Phase::Armed | Phase::Overdue => events.extend(state.contacts.iter().flat_map(|one| {
            let on_it = one.on_it.as_ref().map(|answer| answer.event);
            let called = one.called.as_ref().map(|answer| answer.event);
            [on_it, called, one.cant_act].into_iter().flatten()
        })),
    }
    events
}

fn said(dossier: &Dossier, past: &Past) -> Option<Said> {
    let what = match &past.event {
        Event::CheckedIn { who, by, how } => {
            let how = how.as_ref().map(|how| format!(", and knows it so: {how}"));
            let are = if who.len() == 1 { "is" } else { "are" };
            let (speaker, names) = (speaker(dossier, by), crew_names(dossier, who));
            format!("{speaker} said that {names} {are} ashore{}", how.unwrap_or_default())
        }
        Event::Extended { later, by } => {
            format!("{} put the return time off by {}", speaker(dossier, by), later.spoken())
        }
        Event::Amended { by, .. } => format!("{} amended the plan", speaker(dossier, by)),
        Event::StillOut { place, note, by } => {
            let place = place.as_ref().map(|place| format!(" at {place}"));
            let note = note.as_ref().map(|note| format!(": \"{note}\""));
            let (place, note) = (place.unwrap_or_default(), note.unwrap_or_default());
            format!("{} said that they are still out{place}{note}", speaker(dossier, by))
        }
        Event::CalledOff { by } => format!("{} called the trip off", speaker(dossier, by)),
        Event::ClosedByHand { by, reason } => {
            format!("{} closed the watch, with this reason: {reason}", speaker(dossier, by))
        }
        Event::SentAgain { to, by } => {
            let reader = reader_name(dossier, *to);
            format!("{} had {reader} written to again", speaker(dossier, by))
        }
        Event::Answered { contact, name, answer } => {
            format!("{} {}", contact_name(dossier, *contact, name), answered(answer))
        }
        Event::Undone { event, by } => {
            let undone = dossier.history.iter().find(|past| past.number == *event);
            let clock = Clock::new(dossier.plan.times.zone);
            let at = undone.map(|past| format!(" of {}", clock.time(past.at)));
            format!("{} took back the word{}", speaker(dossier, by), at.unwrap_or_default())
        }
        Event::Tick
        | Event::Handing { .. }
        | Event::HandingWithout { .. }
        | Event::Refused { .. }
        | Event::Bounced { .. }
        | Event::TakenAgain { .. } => return None,
    };
    let at = Clock::new(dossier.plan.times.zone).full(past.at);
    Some(Said { event: past.number, words: format!("{at}: {what}.") })
}

fn answered(answer: &Answer) -> String {
    match answer {
        Answer::HaveIt => "has the letter".to_owned(),
        Answer::OnIt => "is on it".to_owned(),
        Answer::Called { service, when, reference } => {
            let reference = reference.as_ref().map(|text| format!(", reference {text}"));
            format!("has called {service} ({when}{})", reference.unwrap_or_default())
        }
        Answer::CantAct => "can't act".to_owned(),
        Answer::Never => "wants no letters".to_owned(),
    }
}

/// The names of these of the crew.
pub(super) fn crew_names(dossier: &Dossier, who: &[usize]) -> String {
    let crew = &dossier.plan.crew;
    list(&who.iter().filter_map(|&at| crew.get(at)).map(|one| &one.name).collect::<Vec<_>>())
}

/// Why the keeper closed it, if that is how it closed.
pub(super) fn closing_reason(dossier: &Dossier) -> Option<String> {
    let Phase::Closed(closing) = dossier.record.state.phase else { return None };
    let past = dossier.history.iter().find(|past| past.number == closing.event)?;
    match &past.event {
        Event::ClosedByHand { reason, .. } => Some(reason.clone()),
        _ => None,
    }
}

/// Who said it: the name typed, and whose page it was where that is another.
fn speaker(dossier: &Dossier, by: &By) -> String {
    match by {
        By::Crew(None) => "The crew's device".to_owned(),
        By::Crew(Some(name)) => format!("{name} (on the crew's page)"),
        By::Contact(contact, name) => contact_name(dossier, *contact, name),
        By::Keeper(key) => format!("The keeper of this service ({key})"),
    }
}

fn reader_name(dossier: &Dossier, reader: Recipient) -> &str {
    let plan = &dossier.plan;
    match reader {
        Recipient::Crew(at) => plan.crew.get(at).map_or("", |one| first_name(&one.name)),
        Recipient::Contact(at) => plan.contacts.get(at).map_or("", |one| first_name(&one.name)),
        Recipient::Keeper => "the keeper",
    }
}

fn contact_name(dossier: &Dossier, contact: usize, typed: &str) -> String {
    let known = dossier.plan.contacts.get(contact).map_or("", |one| first_name(&one.name));
    let typed = first_name(typed);
    if known.to_lowercase() == typed.to_lowercase() {
        known.to_owned()
    } else {
        format!("{typed} (on {known}'s page)")
    }
}

/// Those of the crew who are out, with their places.
pub(super) fn out(dossier: &Dossier) -> Vec<(usize, String)> {
    let out = dossier.record.state.out().into_iter();
    out.filter_map(|at| Some((at, dossier.plan.crew.get(at)?.name.clone()))).collect()
}

/// Every "I have called" that stands.
pub(super) fn calls(dossier: &Dossier) -> Vec<String> {
    let clock = Clock::new(dossier.plan.times.zone);
    let contacts = dossier.record.state.contacts.iter().enumerate();
    let called = contacts.filter_map(|(at, one)| Some((at, one.called.as_ref()?)));
    called
        .map(|(at, called)| {
            let reference = called.reference.as_ref().map(|text| format!(", reference {text}"));
            format!(
                "{} wrote at {}: called {}, {}{}.",
                contact_name(dossier, at, &called.name),
                clock.time(called.at),
                called.service,
                called.when,
                reference.unwrap_or_default()
            )
        })
        .collect()
}

/// Whether the reader (a contact, or the crew) caused this event.
fn is_by(event: &Event, reader: Option<usize>) -> bool {
    match event {
        Event::Answered { contact, .. } => reader == Some(*contact),
        Event::CheckedIn { by, .. }
        | Event::Extended { by, .. }
        | Event::Amended { by, .. }
        | Event::CalledOff { by }
        | Event::ClosedByHand { by, .. }
        | Event::SentAgain { by, .. }
        | Event::StillOut { by, .. }
        | Event::Undone { by, .. } => match by {
            By::Crew(_) => reader.is_none(),
            By::Contact(contact, _) => reader == Some(*contact),
            By::Keeper(_) => false,
        },
        Event::Tick
        | Event::Handing { .. }
        | Event::HandingWithout { .. }
        | Event::Refused { .. }
        | Event::Bounced { .. }
        | Event::TakenAgain { .. } => false,
    }
}

/// Whether this contact said it.
pub(super) fn is_said_by(dossier: &Dossier, event: u32, contact: usize) -> bool {
    let past = dossier.history.iter().find(|past| past.number == event);
    past.is_some_and(|past| is_by(&past.event, Some(contact)))
}

/// What an event that this reader has just caused did, and what comes of it; the reader is a
/// contact, or the crew.
pub(super) fn effect(dossier: &Dossier, number: u32, reader: Option<usize>) -> Option<String> {
    let caused = |past: &&Past| past.number == number && is_by(&past.event, reader);
    let past = dossier.history.iter().find(caused)?;
    let closed = dossier.record.state.is_closed();
    Some(match &past.event {
        Event::CheckedIn { who, .. } if closed => format!(
            "Written down: {} ashore. That was the last of them: the watch is over, and everybody \
             who was told of the trip is told so.",
            crew_names(dossier, who)
        ),
        Event::CheckedIn { who, .. } => format!(
            "Written down: {} ashore. Still out: {}. The watch goes on for them.",
            crew_names(dossier, who),
            crew_names(dossier, &dossier.record.state.out())
        ),
        Event::Extended { later, .. } => format!(
            "Written down: back {} later. Everybody who knows of the trip is told the new times.",
            later.spoken()
        ),
        Event::StillOut { .. } => "Written down. Every letter from now on says where you were and \
                                   what you said. It moves no time: if you will be later, put \
                                   the return time off too."
            .to_owned(),
        Event::CalledOff { .. } => "Written down: the trip is called off. The watch is over, and \
                                    everybody who was told of the trip is told so."
            .to_owned(),
        Event::Answered { answer, .. } => answer_effect(dossier, answer),
        Event::Undone { .. } => undo_effect(dossier, number),
        Event::Amended { to, .. } => {
            let lines = changed::lines(to, &dossier.plan).join(" ");
            format!("Written down: the plan is changed. {lines}")
        }
        Event::ClosedByHand { .. }
        | Event::SentAgain { .. }
        | Event::Tick
        | Event::Handing { .. }
        | Event::HandingWithout { .. }
        | Event::Refused { .. }
        | Event::Bounced { .. }
        | Event::TakenAgain { .. } => return None,
    })
}

fn answer_effect(dossier: &Dossier, answer: &Answer) -> String {
    let terms = &dossier.record.state.terms;
    match answer {
        Answer::HaveIt => {
            let at = Clock::new(dossier.plan.times.zone).full(dossier.record.state.overdue_at());
            format!(
                "Written down: you have the letter. The crew sees that it reached you. Until {at} \
                 you need do nothing more."
            )
        }
        Answer::OnIt => format!(
            "Written down: you are on it. The crew is told, and so are the contacts who were \
             alerted. Reminders to you pause for {}; the letter that says to call the rescue \
             service comes all the same. Being on it is no call: if they don't answer, call.",
            terms.ladder.pause().spoken()
        ),
        Answer::Called { service, .. } if !dossier.record.state.called_since_due() => format!(
            "Written down: you have called {service}. Later letters say so. They are not due back \
             yet: should they become overdue, everybody is asked to call all the same."
        ),
        Answer::Called { service, .. } => format!(
            "Written down: you have called {service}. Later letters say so, and ask nobody to \
             call twice. The watch goes on until all are ashore."
        ),
        Answer::Never => NO_LETTERS.to_owned(),
        Answer::CantAct if dossier.record.state.phase == Phase::Overdue => {
            "Written down: you can't act. The next letters go out at once.".to_owned()
        }
        Answer::CantAct => "Written down: you can't act. The crew and the keeper of this service \
                            are told, so that they can find somebody else."
            .to_owned(),
    }
}

fn undo_effect(dossier: &Dossier, number: u32) -> String {
    if dossier.record.state.reopened_by == Some(number) {
        return "Taken back: the watch is open again. Everybody who was told that it is over is \
                told that it is not, and whatever letter is due goes at once."
            .to_owned();
    }
    if let Phase::Closed(closing) = dossier.record.state.phase
        && closing.event == number
    {
        return "Taken back. All of them have been checked in since, so the watch stays over: \
                everybody who was told of the trip is told that they are ashore."
            .to_owned();
    }
    "Taken back. The others are told.".to_owned()
}
