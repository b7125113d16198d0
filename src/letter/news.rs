//! `news`: somebody answered, an answer was taken back or ran out, one of the crew is ashore, a
//! contact can't be reached.

use super::block::{Block, Draft};
use super::scene::Scene;
use super::status::{self, who};
use super::words::{self, first_name, name, quote};
use crate::plan::Contact;
use crate::watch::{Answer, Event, Kind, Recipient};

pub(super) fn draft(scene: &Scene<'_>) -> Draft {
    let mut news = run_out(scene);
    let past = scene.event().and_then(|number| scene.facts.past(number));
    news.extend(past.and_then(|past| happened(scene, &past.event)));
    if news.is_empty() {
        news.push(News::new("something has changed", "Something has changed: see below."));
    }
    let at = scene.clock.full_from(scene.happened_at(), scene.now);
    let mut lead: Vec<String> = news.iter().map(|one| one.sentence.clone()).collect();
    lead.push(format!("That was at {at}."));
    let mut blocks: Vec<Block> =
        news.iter().filter_map(|one| one.what_now.clone()).map(Block::Para).collect();
    blocks.extend(status::stand(scene));
    blocks.extend(what_next(scene));
    let purpose = if scene.to_crew() {
        "Your page: check in, put the return time off, call the trip off."
    } else {
        "Your page, with the whole plan and for your answers."
    };
    blocks.extend(scene.link(purpose));
    let short = news.iter().map(|one| one.short.clone()).collect::<Vec<_>>().join("; ");
    let subject =
        words::subject("News of ", &scene.crew(), &format!(": {}", words::cut(&short, 60)));
    Draft { subject, lead, blocks }
}

/// One piece of news.
struct News {
    /// For the subject.
    short: String,
    sentence: String,
    /// What the reader is to do about it.
    what_now: Option<String>,
}

impl News {
    fn new(short: impl Into<String>, sentence: impl Into<String>) -> News {
        News { short: short.into(), sentence: sentence.into(), what_now: None }
    }

    fn then(mut self, what_now: impl Into<String>) -> News {
        self.what_now = Some(what_now.into());
        self
    }
}

/// Every "I am on it" that ran out in this event.
fn run_out(scene: &Scene<'_>) -> Vec<News> {
    let contacts = scene.facts.watched.contacts.iter();
    let ran_out = contacts.filter_map(|contact| contact.ran_out.as_ref());
    ran_out
        .filter(|ran_out| Some(ran_out.event) == scene.event())
        .map(|ran_out| {
            let who = first_name(&ran_out.name);
            let sentence = format!("{who} was on it. That has run out, and we have heard no more.");
            News::new(format!("{who} no longer on it"), sentence)
                .then("Count on nobody who has not told you that they have called.")
        })
        .collect()
}

fn happened(scene: &Scene<'_>, event: &Event) -> Option<News> {
    match event {
        Event::Answered { contact, name, answer } => {
            answered(scene, scene.facts.plan.contacts.get(*contact), name, answer)
        }
        Event::CheckedIn { who: crew, by, how } => {
            let names = words::names(&scene.named(crew), 4);
            let how = how.as_ref().map(|how| format!(" How they know: {}.", quote(how)));
            let sentence = format!(
                "Ashore: {names}. Who says so: {}.{}",
                who(scene, by),
                how.unwrap_or_default()
            );
            Some(News::new(format!("{names} ashore"), sentence))
        }
        Event::StillOut { .. } => {
            let word = scene.facts.watched.last_word.as_ref()?;
            let sentence =
                format!("The crew says that it is still out: {}", status::last_word(scene, word));
            Some(News::new("still out", sentence).then(
                "This moves no time: unless they check in or put their return off, what is due \
                 comes all the same.",
            ))
        }
        Event::Undone { event, by } => Some(undone(scene, *event, &who(scene, by))),
        Event::HandingWithout { .. } => Some(
            News::new(
                "more was said meanwhile",
                "While our alert was on its way to you, answers came or were taken back.",
            )
            .then(
                "Go by what stands below, and not by what the alert says of who is on it or has \
                 called.",
            ),
        ),
        Event::Refused { to: Recipient::Contact(at), kind } => {
            let why = "the mail service refuses the address for good";
            Some(unreachable(scene.facts.plan.contacts.get(*at)?, *kind, why, scene))
        }
        Event::Bounced { to: Recipient::Contact(at), kind, .. } => {
            let why = "the letter came back from their mailbox";
            Some(unreachable(scene.facts.plan.contacts.get(*at)?, *kind, why, scene))
        }
        _ => None,
    }
}

fn answered(
    scene: &Scene<'_>,
    contact: Option<&Contact>,
    typed: &str,
    answer: &Answer,
) -> Option<News> {
    let who = first_name(typed);
    let of = contact.map(|contact| first_name(&contact.name)).filter(|first| *first != who);
    let whose = of.map(|first| format!(" (on the page of {first})")).unwrap_or_default();
    match answer {
        Answer::HaveIt => None,
        Answer::OnIt => Some(
            News::new(format!("{who} is on it"), format!("{who}{whose} is on it."))
                .then("\"On it\" is not yet a call: nobody waits with calling because of it."),
        ),
        Answer::Called { service, when, reference } => {
            let reference = reference.as_ref().map(|text| format!(", reference {}", quote(text)));
            let sentence = format!(
                "{who}{whose} has called {} at {}{}.",
                quote(service),
                quote(when),
                reference.unwrap_or_default()
            );
            Some(News::new(format!("{who} has called the rescue service"), sentence).then(
                "Nobody needs to call again with the same news. New things (a sighting, a message) \
                 belong to that service, with the reference.",
            ))
        }
        Answer::CantAct => Some(
            News::new(format!("{who} can't act"), format!("{who}{whose} can't act."))
                .then(cant_act(scene)),
        ),
        Answer::Never => {
            let who = contact.map(|contact| name(&contact.name)).unwrap_or(who);
            let sentence =
                format!("{who} wants no letters from us any more, of this trip or another.");
            Some(News::new(format!("{who} wants no letters"), sentence).then(opted_out(scene)))
        }
    }
}

fn opted_out(scene: &Scene<'_>) -> String {
    if scene.to_crew() {
        format!(
            "{} Plans that name them are not taken any more: name somebody else who has agreed.",
            cant_act(scene)
        )
    } else {
        cant_act(scene).to_owned()
    }
}

fn cant_act(scene: &Scene<'_>) -> &'static str {
    if scene.to_crew() && scene.now < scene.overdue_at() {
        "Count on the others only. If nobody is left who can act, find somebody before you launch."
    } else {
        "Count on the others only."
    }
}

/// What was taken back, by whom.
fn undone(scene: &Scene<'_>, number: u32, by: &str) -> News {
    let past = scene.facts.past(number).map(|past| &past.event);
    let what = match past {
        Some(Event::CheckedIn { who, .. }) => return not_ashore(scene, who, by),
        Some(Event::Answered { name, answer: Answer::Called { .. }, .. }) => {
            let who = first_name(name);
            return News::new(
                format!("{who} has NOT called after all"),
                format!("{who}'s \"I have called\" was taken back by {by}."),
            )
            .then("Unless somebody else is named below, nobody has called the rescue service.");
        }
        Some(Event::Answered { name, answer: Answer::OnIt, .. }) => {
            format!("{}'s \"I am on it\"", first_name(name))
        }
        Some(Event::Answered { name, answer: Answer::CantAct, .. }) => {
            format!("{}'s \"I can't act\"", first_name(name))
        }
        _ => "an earlier answer".to_owned(),
    };
    News::new("an answer was taken back", format!("Taken back: {what}, by {by}."))
}

/// A word that these are ashore was taken back, which makes nobody out of whom others have said so, or whose
/// trip is over all the same.
fn not_ashore(scene: &Scene<'_>, who: &[usize], by: &str) -> News {
    let watched = scene.facts.watched;
    let out = watched.out();
    let out: Vec<_> = who.iter().copied().filter(|at| out.contains(at)).collect();
    if !out.is_empty() {
        let names = words::names(&scene.named(&out), 4);
        return News::new(
            format!("{names} NOT ashore after all"),
            format!("NOT ashore after all: {names}. Taken back by {by}."),
        );
    }
    let names = words::names(&scene.named(who), 4);
    let are = if who.len() == 1 { "is" } else { "are" };
    News::new("a word was taken back", format!("Taken back: that {names} {are} ashore, by {by}."))
        .then(match watched.is_closed() {
            true => "Others have ended the trip, and that stands.",
            false => "Others have said so too, and that stands.",
        })
}

/// To the crew: a contact's address is refused.
fn unreachable(contact: &Contact, refused: Kind, why: &str, scene: &Scene<'_>) -> News {
    let who = name(&contact.name);
    if let Some(believes) = believes(refused) {
        return News::new(
            format!("{who} must be told by telephone"),
            format!("{who} has not got our letter ({refused}): {why}."),
        )
        .then(format!(
            "{} {believes} Telephone them now: nobody else will tell them.",
            first_name(&contact.name)
        ));
    }
    let refused = |at: usize| scene.facts.watched.told(Recipient::Contact(at)).refused;
    let left = scene.contacts().iter().filter(|(at, _)| !refused(*at)).count();
    let rest = match left {
        0 => "No other contact is left.".to_owned(),
        left => {
            format!("{left} of {} contacts can still be reached.", scene.contacts().len())
        }
    };
    News::new(
        format!("{who} can't be reached"),
        format!("{who} could not be reached: {why}."),
    )
    .then(format!(
        "{rest} Telephone {}: tell them of the trip and the time. We try the address again with \
         every later letter.",
        first_name(&contact.name)
    ))
}

/// What somebody goes on believing whom a letter that corrects it did not reach.
fn believes(refused: Kind) -> Option<&'static str> {
    match refused {
        Kind::StandDown => Some("may still believe that you are overdue, and act on it."),
        Kind::Withdrawn => Some("may still believe that all are ashore."),
        Kind::Changed => Some("may still go by the old return time."),
        _ => None,
    }
}

/// What the reader is to do as things now stand.
fn what_next(scene: &Scene<'_>) -> Vec<Block> {
    let watched = scene.facts.watched;
    if scene.to_crew() {
        return vec![Block::para(
            "All ashore? Check in. This service is no rescue service and has called nobody: in \
             distress use your radio, beacon or telephone.",
        )];
    }
    if watched.is_closed() || scene.now < scene.overdue_at() || watched.called_since_due() {
        return Vec::new();
    }
    vec![
        Block::heading(match watched.somebody_called() {
            true => "Nobody has called since they were due back, as far as we know",
            false => "Nobody has called yet, as far as we know",
        }),
        Block::para(
            "If you can't reach the crew, call now. The plan to read is in our last alert.",
        ),
        Block::Call(scene.rescue()),
    ]
}
