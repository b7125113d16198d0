//! `home`: it is over, to those who were never alarmed.

use chrono::{DateTime, Utc};

use super::block::{Block, Draft};
use super::scene::Scene;
use super::{status, words};
use crate::watch::{By, Closing, Event, How, Phase};

pub(super) fn draft(scene: &Scene<'_>) -> Draft {
    if scene.is_of_no_concern() {
        return to_one_taken_out(scene);
    }
    let calls = status::calls(scene);
    let lead = vec![what_ended(scene), what_to_do(&calls).to_owned()];
    let mut blocks = called(scene, &calls);
    blocks.push(Block::Para(who_says_so(scene)));
    blocks.extend(ashore_rows(scene));
    blocks.push(Block::Para(wrong(scene)));
    if scene.is_heard() {
        blocks.extend(scene.link("Your page, to take it back if it is wrong."));
    }
    let word = if how(scene) == Some(How::ByKeeper) { "Over" } else { "Home" };
    Draft { subject: subject(scene, word, then(&calls)), lead, blocks }
}

/// Whoever called a rescue service before any alert came is stood down by nobody else.
fn what_to_do(calls: &[String]) -> &'static str {
    match calls {
        [] => "You have nothing more to do. If you set an alarm for this trip, switch it off.",
        _ => {
            "A rescue service was called, and may be searching. Whoever called it must call it again now \
             and say this; see to it. If you set an alarm for this trip, switch it off."
        }
    }
}

fn then(calls: &[String]) -> &'static str {
    if calls.is_empty() { "nothing more to do" } else { "call again whom you called" }
}

fn called(scene: &Scene<'_>, calls: &[String]) -> Vec<Block> {
    if calls.is_empty() {
        return Vec::new();
    }
    vec![
        Block::Call(scene.rescue()),
        Block::heading("Who has called, as far as we know"),
        Block::List(calls.to_vec()),
    ]
}

/// That it is over, and nothing of how, when or for whom.
fn to_one_taken_out(scene: &Scene<'_>) -> Draft {
    let crew = scene.crew_then();
    // Others' calls are not theirs to read.
    let calls: Vec<_> = status::own_call(scene).into_iter().collect();
    let lead = vec![
        format!(
            "We were told that the trip of {} is over. You are no longer part of its plan.",
            words::names(&crew, 4)
        ),
        what_to_do(&calls).to_owned(),
    ];
    let mut blocks = called(scene, &calls);
    blocks.push(Block::Para(wrong(scene)));
    let subject = words::subject("Over: the trip of ", &crew, &format!(" - {}", then(&calls)));
    Draft { subject, lead, blocks }
}

pub(super) fn subject(scene: &Scene<'_>, word: &str, then: &str) -> String {
    let at = scene.clock.short(closed_at(scene), scene.now);
    let what = match how(scene) {
        Some(How::CalledOff) => "trip called off",
        Some(How::ByKeeper) => "closed by this service's keeper",
        Some(How::Ashore) | None => "all ashore",
    };
    words::subject(&format!("{word}: {what} at {at}, "), &scene.crew(), &format!(" - {then}"))
}

/// What ended the watch: all ashore, called off, or the keeper, who says why.
pub(super) fn what_ended(scene: &Scene<'_>) -> String {
    let crew = words::names(&scene.crew(), 4);
    let at = scene.clock.full_from(closed_at(scene), scene.now);
    match how(scene) {
        Some(How::CalledOff) => format!("The trip of {crew} was called off at {at}."),
        Some(How::ByKeeper) => format!(
            "The keeper of this service closed the watch over {crew} at {at}. The reason given: \
             {}.",
            reason(scene)
        ),
        _ if scene.crew().len() == 1 => format!("{crew} is ashore. We were told so at {at}."),
        _ => format!("Everybody is ashore: {crew}. We were told so at {at}."),
    }
}

/// Why the keeper closed it, as typed.
pub(super) fn reason(scene: &Scene<'_>) -> String {
    let event = closing(scene).and_then(|closing| scene.facts.past(closing.event));
    match event.map(|past| &past.event) {
        Some(Event::ClosedByHand { reason, .. }) => words::quote(reason),
        _ => "it can't be read".to_owned(),
    }
}

/// Who says that it is over, and how they know.
pub(super) fn who_says_so(scene: &Scene<'_>) -> String {
    let event = closing(scene).and_then(|closing| scene.facts.past(closing.event));
    let told = "We know only what was told to us; we have seen nobody.";
    match event.map(|past| &past.event) {
        Some(Event::CheckedIn { by, how, .. }) => {
            let how = how.as_ref().map(|how| format!(" How they know: {}.", words::quote(how)));
            format!("{} {told}", said_by(scene, by, how.as_deref().unwrap_or_default()))
        }
        Some(Event::ClosedByHand { by, .. }) => format!(
            "Who closed it: {}. Nobody has checked the crew in: what we know is the reason above.",
            status::who(scene, by)
        ),
        Some(Event::CalledOff { by }) => format!("{} {told}", said_by(scene, by, "")),
        _ => told.to_owned(),
    }
}

fn said_by(scene: &Scene<'_>, by: &By, how: &str) -> String {
    format!("Who says so: {}.{how}", status::who(scene, by))
}

/// Each of the crew with who said so, unless it was said of all at once.
pub(super) fn ashore_rows(scene: &Scene<'_>) -> Option<Block> {
    let crew = scene.facts.watched.crew.iter().filter_map(|one| one.ashore());
    let at_once =
        crew.clone().all(|ashore| Some(ashore.event) == closing(scene).map(|end| end.event));
    (!at_once).then(|| Block::Rows(status::ashore(scene)))
}

pub(super) fn wrong(scene: &Scene<'_>) -> String {
    let page = if scene.is_heard() {
        "take it back on your page (link below) within 24 hours"
    } else {
        "have it taken back on the crew's or a contact's page within 24 hours"
    };
    format!(
        "If you know that this is wrong and somebody is still out, {page}, and call the rescue \
             service."
    )
}

fn closing(scene: &Scene<'_>) -> Option<Closing> {
    match scene.facts.watched.phase {
        Phase::Closed(closing) => Some(closing),
        Phase::Armed | Phase::Overdue => None,
    }
}

/// How the watch ended.
pub(super) fn how(scene: &Scene<'_>) -> Option<How> {
    closing(scene).map(|closing| closing.how)
}

pub(super) fn closed_at(scene: &Scene<'_>) -> DateTime<Utc> {
    closing(scene).map_or(scene.happened_at(), |closing| closing.at)
}
