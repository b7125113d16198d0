//! `changed`: the times have moved. The new ones first; whoever may have been alerted first hears
//! that the crew has answered.

use super::block::{Block, Draft};
use super::filed_crew::ladder;
use super::scene::Scene;
use super::{status, words};
use crate::watch::{Event, Recipient};

pub(super) fn draft(scene: &Scene<'_>) -> Draft {
    let alerted = scene.facts.watched.told(scene.order.to).alerted;
    let due = scene.clock.full_from(scene.due_at(), scene.now);
    let overdue = scene.clock.full_from(scene.overdue_at(), scene.now);
    let mut lead = Vec::new();
    if alerted {
        let at = scene.clock.full_from(scene.happened_at(), scene.now);
        lead.push(format!("The crew answered at {at}. If you called anyone, tell them now."));
    }
    lead.push(format!("New times: back by {due}."));
    lead.push(match scene.order.to {
        Recipient::Crew(_) => {
            format!("If you have not checked in by {overdue}, we write to your contacts.")
        }
        Recipient::Contact(_) => {
            format!("If you have heard nothing by {overdue}, you are the one who acts.")
        }
        Recipient::Keeper => {
            format!("If they have not checked in by {overdue}, the contacts are written to again.")
        }
    });
    let mut blocks = vec![Block::Para(what_changed(scene))];
    if alerted {
        blocks.push(Block::Call(scene.rescue()));
    }
    if scene.to_crew() {
        blocks
            .extend(scene.link("Your page: check in, put the return time off, call the trip off."));
        blocks.push(Block::heading("When letters go out, if you don't check in"));
        blocks.push(Block::Rows(ladder(scene)));
    } else {
        blocks.push(Block::heading("Do this now"));
        blocks.push(Block::Steps(steps(scene, alerted)));
        blocks.extend(scene.link("Your page, with the whole plan and for your answers."));
        blocks.extend(status::stand(scene));
    }
    let overdue = scene.clock.short(scene.overdue_at(), scene.now);
    let before = if alerted { "The crew answered. New times for " } else { "New times for " };
    let after = match scene.order.to {
        Recipient::Keeper => format!(", overdue from {overdue}"),
        _ => format!(": not heard by {overdue}? You act"),
    };
    let subject = if scene.to_crew() {
        format!("New return time: {}", scene.clock.short(scene.due_at(), scene.now))
    } else {
        words::subject(before, &scene.crew(), &after)
    };
    Draft { subject, lead, blocks }
}

fn what_changed(scene: &Scene<'_>) -> String {
    let past = scene.event().and_then(|number| scene.facts.past(number));
    let Some(Event::Extended { later, by }) = past.map(|past| &past.event) else {
        return "These times take the place of those in earlier letters.".to_owned();
    };
    let old_due = scene.clock.full_from(scene.due_at() - later.delta(), scene.now);
    let old_overdue = scene.clock.time(scene.overdue_at() - later.delta());
    format!(
        "These times take the place of the old ones (back by {old_due}, overdue from \
         {old_overdue}): later by {}. Said at {} by {}.",
        later.spoken(),
        scene.clock.time(scene.happened_at()),
        status::who(scene, by)
    )
}

fn steps(scene: &Scene<'_>, alerted: bool) -> Vec<String> {
    let overdue = scene.clock.full(scene.overdue_at());
    let mut steps = Vec::new();
    if alerted {
        steps.push(
            "Did you call a rescue service, or anybody else? Call them again now: the crew has \
             answered and will be back later. Tell them the new time."
                .to_owned(),
        );
    }
    if scene.order.to == Recipient::Keeper {
        return steps;
    }
    steps.push(format!("Move the alarm in your Clock app to {overdue}."));
    steps.push(
        "When it rings, do what our first letter says: look for a letter that they are ashore, \
         call them, then the rescue service. No letter is not good news."
            .to_owned(),
    );
    steps
}
