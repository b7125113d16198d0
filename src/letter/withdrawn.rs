//! `withdrawn`: the word that it is over was wrong.

use super::block::{Block, Draft};
use super::scene::Scene;
use super::{status, words};
use crate::watch::Event;

pub(super) fn draft(scene: &Scene<'_>) -> Draft {
    if scene.is_of_no_concern() {
        return to_one_taken_out(scene);
    }
    let out = scene.out_names();
    let verb = if out.len() == 1 { "is" } else { "are" };
    let overdue = scene.clock.full_from(scene.overdue_at(), scene.now);
    let follows = if scene.removed_by().is_some() {
        NOT_ASKED.to_owned()
    } else if scene.now >= scene.overdue_at() {
        format!(
            "They are overdue since {overdue}. The letter that is due follows at once; if it \
             does not come, act without it."
        )
    } else {
        format!("If you have heard nothing by {overdue}, you are the one who acts.")
    };
    let lead = vec![
        format!(
            "They are NOT all ashore. {} {verb} still out: {}.",
            words::people(out.len()),
            words::names(&out, 4)
        ),
        "Our last letter said that it was over. That no longer holds.".to_owned(),
        follows,
    ];
    let mut blocks = vec![Block::Para(who_took_it_back(scene))];
    blocks.push(Block::heading("Do this now"));
    blocks.push(Block::Steps(steps(scene)));
    blocks.push(Block::Call(scene.rescue()));
    if scene.removed_by().is_none() {
        blocks.extend(scene.link("Your page, with the whole plan and for your answers."));
        blocks.extend(status::stand(scene));
    }
    let subject =
        words::subject("NOT ALL ASHORE: ", &out, " still out - our last letter no longer holds");
    Draft { subject, lead, blocks }
}

/// To those whom the crew has taken out of its plan.
const NOT_ASKED: &str = "You are no longer asked to act: others are. We write because our last \
                         letter to you said that it was over.";

/// That it is not over, and nothing of who is out, until when, or who says so.
fn to_one_taken_out(scene: &Scene<'_>) -> Draft {
    let crew = scene.crew_then();
    let lead = vec![
        format!("The trip of {} is NOT over after all.", words::names(&crew, 4)),
        "Our last letter said that it was over. That no longer holds.".to_owned(),
        NOT_ASKED.to_owned(),
    ];
    let blocks = vec![
        Block::heading("Do this now"),
        Block::Steps(vec![tell_again()]),
        Block::Call(scene.rescue()),
    ];
    let subject =
        words::subject("NOT OVER: the trip of ", &crew, " - our last letter no longer holds");
    Draft { subject, lead, blocks }
}

fn who_took_it_back(scene: &Scene<'_>) -> String {
    let past = scene.event().and_then(|number| scene.facts.past(number));
    let at = scene.clock.full_from(scene.happened_at(), scene.now);
    match past.map(|past| &past.event) {
        Some(Event::Undone { by, .. }) => {
            format!("It was taken back at {at} by {}.", status::who(scene, by))
        }
        _ => format!("It was taken back at {at}."),
    }
}

fn steps(scene: &Scene<'_>) -> Vec<String> {
    if scene.to_crew() {
        return vec![
            "If all of you are ashore after all, check in again on your page.".to_owned(),
            "If not: in distress use your radio, beacon or telephone. This service has called \
             nobody."
                .to_owned(),
        ];
    }
    if scene.removed_by().is_some() {
        return vec![tell_again()];
    }
    let alarm = if scene.now >= scene.overdue_at() {
        "Call the crew now; no answer in ten minutes: call the rescue service (numbers below). The \
         plan to read to them is in our first letter and on your page."
            .to_owned()
    } else {
        format!("Set your alarm again: {}.", scene.clock.full(scene.overdue_at()))
    };
    vec![alarm, tell_again()]
}

fn tell_again() -> String {
    "Did you tell a rescue service that it was over? Call it again and say that it is not. What was \
     reported before no longer counts with us."
        .to_owned()
}
