//! What a new version of a plan changes and who is written to, in words for its crew: before it is
//! sent, and once it is written down.

use super::words::list;
use crate::daemon::{Daemon, Dossier};
use crate::letter::Clock;
use crate::plan::Plan;
use crate::watch::{Amendment, Event, Kind, Part, Recipient};

/// What differs from the version before; `plan` is the new one, with everybody in their place.
pub(super) fn lines(to: &Amendment, plan: &Plan) -> Vec<String> {
    let clock = Clock::new(plan.times.zone);
    let mut lines = Vec::new();
    if to.due_at != to.was_due_at {
        let (now, was) = (clock.full(to.due_at), clock.full(to.was_due_at));
        lines.push(format!("Back by {now}; it was {was}."));
    }
    let overdue_at = to.due_at + to.grace.delta();
    if overdue_at != to.was_overdue_at {
        let (now, was) = (clock.full(overdue_at), clock.full(to.was_overdue_at));
        lines.push(format!("Your contacts are told that you are overdue at {now}; it was {was}."));
    }
    let people = [
        ("Now on this trip too", named(&to.joined, plan, true)),
        ("NOT on this trip any more, and not watched for", named(&to.left, plan, true)),
        ("Now asked ashore too", named(&to.joined, plan, false)),
        ("No longer asked ashore", named(&to.left, plan, false)),
    ];
    let people = people.into_iter().filter(|(_, names)| !names.is_empty());
    lines.extend(people.map(|(what, names)| format!("{what}: {}.", list(&names))));
    lines.extend(to.parts.iter().map(|part| match part {
        Part::Launch => format!("The launch: now {}.", clock.full(plan.times.launch.at)),
        Part::Route => "The route: where you launch, go or land, or how fast.".to_owned(),
        Part::Craft => "What you paddle.".to_owned(),
        Part::Gear => "What you carry to be found with.".to_owned(),
        Part::Person => "What is told of somebody on the trip.".to_owned(),
        Part::Contact => "What is told of a contact.".to_owned(),
        Part::Other => "The trip's name, or what you have read of the day.".to_owned(),
    }));
    lines
}

/// Who is written to at once, and who has to be told by the crew itself.
pub(super) fn letters(letters: &[(Recipient, Kind)], to: &Amendment, plan: &Plan) -> Vec<String> {
    let mut letters = letters.to_vec();
    letters.sort_by_key(|(who, _)| match who {
        Recipient::Crew(at) => (0, *at),
        Recipient::Contact(at) => (1, *at),
        Recipient::Keeper => (2, 0),
    });
    let of = |what: Kind, left: bool| {
        let those =
            letters.iter().filter(|(who, kind)| *kind == what && to.left.contains(who) == left);
        those.map(|(who, _)| name(*who, plan)).collect::<Vec<_>>()
    };
    let unreached: Vec<String> = to
        .left
        .iter()
        .filter(|who| !letters.iter().any(|(reader, _)| reader == *who))
        .map(|who| name(*who, plan))
        .collect();
    let told = [
        ("A letter with the whole plan, as for the first time, goes to", of(Kind::Filed, false)),
        ("A letter that says what has changed goes to", of(Kind::Changed, false)),
        (
            "A letter that says that they are no longer part of this goes to",
            of(Kind::Changed, true),
        ),
        ("No letter goes to those who are off; tell them yourself", unreached),
    ];
    let mut lines: Vec<String> = told
        .into_iter()
        .filter(|(_, names)| !names.is_empty())
        .map(|(what, names)| format!("{what}: {}.", list(&names)))
        .collect();
    if lines.is_empty() {
        lines.push("No letter goes out because of it.".to_owned());
    }
    lines
}

/// The letters that were ordered when this amendment was written down; `None` for another event.
pub(super) async fn told(daemon: &Daemon, dossier: &Dossier, number: u32) -> Option<Vec<String>> {
    let past = dossier.history.iter().find(|past| past.number == number)?;
    let Event::Amended { to, .. } = &past.event else { return None };
    let status = daemon.status(&dossier.record.plan_ref).await.ok()?;
    let then = status.letters.iter().filter(|one| one.queued_at == past.at);
    let then: Vec<_> = then.map(|one| (one.to, one.kind)).collect();
    Some(letters(&then, to, &dossier.plan))
}

fn named(among: &[Recipient], plan: &Plan, crew: bool) -> Vec<String> {
    let those = among.iter().filter(|who| matches!(who, Recipient::Crew(_)) == crew);
    those.map(|who| name(*who, plan)).collect()
}

fn name(who: Recipient, plan: &Plan) -> String {
    let known = match who {
        Recipient::Crew(at) => plan.crew.get(at).map(|one| one.name.clone()),
        Recipient::Contact(at) => plan.contacts.get(at).map(|one| one.name.clone()),
        Recipient::Keeper => Some("the keeper of this service".to_owned()),
    };
    known.unwrap_or_default()
}
