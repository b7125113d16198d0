//! `stand-down`: it is over, to everybody who may have been alerted. The search must stop.

use super::block::{Block, Draft};
use super::scene::Scene;
use super::{home, rescue, status, words};
use crate::watch::How;

pub(super) fn draft(scene: &Scene<'_>) -> Draft {
    let lead = vec![
        format!("Stop. {}", home::what_ended(scene)),
        "If you called anybody, call them again now and say so.".to_owned(),
    ];
    let mut blocks = vec![Block::heading("Do this now"), Block::Steps(steps(scene))];
    blocks.push(Block::Call(scene.rescue()));
    blocks.push(Block::heading("Say this"));
    blocks.push(Block::Say(vec![say(scene)]));
    let calls = status::calls(scene);
    if !calls.is_empty() {
        blocks.push(Block::heading("Who has called, as far as we know"));
        blocks.push(Block::List(calls));
    }
    blocks.push(Block::heading("Who says so, and how they know"));
    blocks.push(Block::Para(home::who_says_so(scene)));
    blocks.extend(home::ashore_rows(scene));
    blocks.push(Block::Para(home::wrong(scene)));
    blocks.extend(scene.link("Your page, to take it back if it is wrong."));
    Draft { subject: home::subject(scene, "STAND DOWN", "tell whom you called"), lead, blocks }
}

fn steps(scene: &Scene<'_>) -> Vec<String> {
    vec![
        format!(
            "Whom did you call? Call them again now: {}, and every other service that you called. \
             Until you do, they may go on searching.",
            rescue::in_a_sentence(&scene.rescue())
        ),
        "Whom else did you tell: friends, the harbour, people searching on their own? Tell them too."
            .to_owned(),
        "Switch off the alarm that you set for this trip. The calendar entry goes with this letter; \
         if it stays, delete it."
            .to_owned(),
    ]
}

fn say(scene: &Scene<'_>) -> String {
    let crew = scene.crew();
    let at = scene.clock.aloud(home::closed_at(scene));
    let end = match home::how(scene) {
        Some(How::CalledOff) => {
            format!("Their trip was called off at {at}. Please end the search")
        }
        Some(How::ByKeeper) => format!(
            "The keeper of the service that watched them closed their plan at {at}, for this \
             reason: {}. Please judge by that whether the search can end",
            home::reason(scene)
        ),
        _ => format!("They are ashore, reported at {at}. Please end the search"),
    };
    format!(
        "I reported {} overdue on the water: {}. {end}.{} Your reference was \
         {}. My name is (your name). I know this from \
         (whoever told you).",
        words::people(crew.len()),
        words::names(&crew, 4),
        taken_off(scene),
        own_reference(scene).unwrap_or_else(|| "(the one you were given)".to_owned()),
    )
}

/// Those who were reported before an amendment took them off the trip.
fn taken_off(scene: &Scene<'_>) -> String {
    let off = scene.facts.taken_off();
    if off.is_empty() {
        return String::new();
    }
    let names = words::names(&off, 4);
    format!(" Not on the trip any more, and not to be searched for: {names}.")
}

/// The reference that the reader was given, as they typed it.
fn own_reference(scene: &Scene<'_>) -> Option<String> {
    let (at, _) = scene.reading_contact()?;
    let called = scene.facts.watched.contacts.get(at)?.called.as_ref()?;
    called.reference.as_deref().map(words::quote)
}
