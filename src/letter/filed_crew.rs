//! `filed`, to the crew: what was armed, how to check in, who is told when.

use super::block::{Block, Draft};
use super::brief::Row;
use super::scene::Scene;
use super::words;
use super::{status, words::clean};
use crate::measure::spoken;
use crate::watch::{RungKind, To, Track};

pub(super) fn draft(scene: &Scene<'_>) -> Draft {
    let contacts = status::first_names(scene);
    let mut lead = vec![
        format!("Your float plan is filed. Be back by {}.", scene.clock.full_from(scene.due_at(), scene.now)),
        format!(
            "If you have not checked in by {}, we write to {contacts} that you are overdue.",
            scene.clock.full_from(scene.overdue_at(), scene.now)
        ),
        "This service is no rescue service and calls nobody. In distress use your radio, beacon or \
         telephone."
            .to_owned(),
    ];
    if let Some(late) = scene.facts.plan.times.late_by(scene.facts.filed_at) {
        lead.push(format!(
            "It reached us {} after your launch; the letters to your contacts say so.",
            spoken(late)
        ));
    }
    let mut blocks = vec![Block::heading("When you are ashore"), Block::Para(check_in(scene))];
    blocks.extend(scene.link("Your page: check in, put the return time off, call the trip off."));
    blocks.push(Block::heading("Before you launch"));
    blocks.push(Block::Steps(vec![
        format!(
            "Call {contacts}. We have written to them, and we don't know whether they have read it."
        ),
        "Agree on this: if the trip changes and you have no signal, we don't learn of it. Then they \
         must hear it from you, by telephone or radio, or they will be told that you are overdue."
            .to_owned(),
        "Read your plan below. What is wrong in it will be wrong in the rescue service's hands."
            .to_owned(),
    ]));
    blocks.push(Block::heading("When letters go out, if you don't check in"));
    blocks.push(Block::Rows(ladder(scene)));
    blocks.push(Block::heading("Whom your contacts are told to call"));
    blocks.push(Block::Call(scene.rescue()));
    blocks.push(Block::para(
        "This service may fail, and then no letter goes out. So agree with your contacts that they \
         call by themselves when they have heard nothing by then.",
    ));
    blocks.push(Block::heading("Your plan as filed"));
    blocks.push(Block::para(
        "Medical notes are kept and stand in no letter but an alert to your contacts.",
    ));
    blocks.extend(scene.whole_plan());
    let before = "Filed: ";
    let after = format!(", back by {}", scene.clock.short(scene.due_at(), scene.now));
    Draft { subject: words::subject(before, &scene.crew(), &after), lead, blocks }
}

/// How the crew checks in.
pub(super) fn check_in(scene: &Scene<'_>) -> String {
    let page = if scene.facts.page.is_some() {
        "Check in on your page (link below), or"
    } else {
        "Check in"
    };
    format!(
        "{page} with the command: shorelamp checkin {}. If you come later, put the return time off \
         before it passes. Check in only when everybody is ashore; on the page you can also name \
         those who are.",
        clean(scene.facts.plan_ref)
    )
}

/// The rungs still ahead and the repeats, with their times.
pub(super) fn ladder(scene: &Scene<'_>) -> Vec<Row> {
    let terms = &scene.facts.watched.terms;
    let rungs = terms.ladder.rungs();
    let mut times: Vec<_> = [Track::Crew, Track::Alerts]
        .into_iter()
        .flat_map(|track| terms.ladder.track(track, terms.due_at, terms.grace))
        .filter(|(_, at)| *at > scene.now)
        .collect();
    times.sort_by_key(|&(number, at)| (at, number));
    let mut rows: Vec<Row> = times
        .into_iter()
        .filter_map(|(number, at)| {
            let rung = rungs.get(number)?;
            let to: Vec<String> = rung.to.iter().map(|to| reader(scene, *to)).collect();
            Some(Row::new(
                scene.clock.full(at),
                format!("{}: {}", words::list(&to), what(rung.kind)),
            ))
        })
        .collect();
    rows.push(Row::new(
        "After that",
        format!(
            "the last letter again every {}, until somebody says that they have called",
            terms.ladder.repeat().spoken()
        ),
    ));
    rows
}

fn reader(scene: &Scene<'_>, to: To) -> String {
    match to {
        To::Crew => "to you".to_owned(),
        To::Contact(number) => {
            match number.checked_sub(1).and_then(|at| scene.contacts().get(at).copied()) {
                Some((_, contact)) => format!("to {}", words::first_name(&contact.name)),
                None => "to every contact".to_owned(),
            }
        }
        To::Contacts => "to every contact".to_owned(),
        To::Keeper => "to the keeper of this service".to_owned(),
    }
}

fn what(kind: RungKind) -> &'static str {
    match kind {
        RungKind::Reminder => "that the return time is near",
        RungKind::Due => "that the return time has come",
        RungKind::Overdue => "that you are overdue; to try your telephones, then to call",
        RungKind::CallRescue => "to call the rescue service now",
    }
}
