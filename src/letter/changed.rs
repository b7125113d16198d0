//! `changed`: the plan was extended or amended. The new times first; whoever may have been alerted
//! first hears that the crew has answered.

use chrono::{DateTime, Utc};

use super::block::{Block, Draft};
use super::filed_crew::ladder;
use super::scene::Scene;
use super::{status, words};
use crate::watch::{Amendment, By, Event, Part, Recipient};

pub(super) fn draft(scene: &Scene<'_>) -> Draft {
    if scene.removed_by().is_some() {
        return taken_out(scene);
    }
    let alerted = is_alerted(scene);
    let mut lead = first_lines(scene);
    let overdue = scene.clock.full_from(scene.overdue_at(), scene.now);
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
    let mut blocks = what_changed(scene);
    if scene.to_crew() {
        blocks
            .extend(scene.link("Your page: check in, put the return time off, call the trip off."));
        blocks.push(Block::heading("When letters go out, if you don't check in"));
        blocks.push(Block::Rows(ladder(scene)));
    } else {
        blocks.push(Block::heading("Do this now"));
        blocks.push(Block::Steps(steps(scene, alerted)));
        if alerted {
            blocks.push(Block::Call(scene.rescue()));
        }
        blocks.extend(scene.link("Your page, with the whole plan and for your answers."));
        blocks.extend(status::stand(scene));
    }
    if let Some(Event::Amended { .. }) = change(scene).map(|(_, event)| event) {
        blocks.push(Block::heading("The whole plan as it now stands"));
        blocks.extend(scene.whole_plan());
    }
    Draft { subject: subject(scene), lead, blocks }
}

/// To somebody whom an amendment took out of the plan.
fn taken_out(scene: &Scene<'_>) -> Draft {
    let alerted = is_alerted(scene);
    let mut lead = first_lines(scene);
    let crew = words::names(&scene.crew_then(), 4);
    let overdue = scene.clock.full(scene.times_then().1);
    let (asked, steps) = if scene.to_crew() {
        let steps = vec![
            "Are you on the water with them after all? Then nobody watches for you: tell them, or \
             somebody ashore, and have the plan amended again."
                .to_owned(),
        ];
        ("You are no longer on this trip by its plan: nobody watches for you on it.", steps)
    } else {
        let mut steps = vec![format!(
            "Switch off the alarm that you set for this trip. From {overdue} on others are asked to \
             act."
        )];
        if alerted {
            steps.insert(0, tell_now());
            steps.push(
                "When it is over we write to you once more, so that you can tell whomever you \
                 called to stop."
                    .to_owned(),
            );
        }
        ("You are no longer asked to act for this trip: the crew has changed its plan.", steps)
    };
    lead.push(asked.to_owned());
    let mut blocks = vec![Block::heading("Do this now"), Block::Steps(steps)];
    blocks.push(Block::Para(said(scene)));
    if alerted {
        blocks.push(Block::Call(scene.rescue()));
    }
    blocks.push(Block::Para(format!(
        "The trip is that of {crew}. If you think that this is a mistake, telephone them."
    )));
    let before = "You are no longer part of the plan of ";
    let subject = words::subject(before, &scene.crew_then(), " - switch your alarm off");
    Draft { subject, lead, blocks }
}

fn is_alerted(scene: &Scene<'_>) -> bool {
    scene.facts.watched.told(scene.order.to).alerted
}

/// That the crew answered, where it was thought overdue, and the new times.
fn first_lines(scene: &Scene<'_>) -> Vec<String> {
    let due = scene.clock.full_from(scene.times_then().0, scene.now);
    let mut lines = Vec::new();
    if is_alerted(scene) {
        let at = scene.clock.full_from(changed_at(scene), scene.now);
        lines.push(format!("The crew answered at {at}. If you called anyone, tell them now."));
    }
    lines.push(match has_same_times(scene) {
        true => format!("Back by {due}, as before. Other things in the plan have changed."),
        false => format!("New times: back by {due}."),
    });
    lines
}

/// Whether an amendment left the times as they were.
fn has_same_times(scene: &Scene<'_>) -> bool {
    let now = scene.times_then();
    matches!(change(scene), Some((_, Event::Amended { to, .. }))
        if (to.was_due_at, to.was_overdue_at) == now)
}

fn subject(scene: &Scene<'_>) -> String {
    let same = has_same_times(scene);
    if scene.to_crew() {
        let what = if same { "Plan changed, back as before by" } else { "New return time:" };
        return format!("{what} {}", scene.clock.short(scene.due_at(), scene.now));
    }
    let overdue = scene.clock.short(scene.overdue_at(), scene.now);
    let alerted = is_alerted(scene);
    let before = match (alerted, same) {
        (true, _) => "The crew answered. New times for ",
        (false, true) => "The plan has changed of ",
        (false, false) => "New times for ",
    };
    let after = match scene.order.to {
        Recipient::Keeper => format!(", overdue from {overdue}"),
        _ => format!(": not heard by {overdue}? You act"),
    };
    words::subject(before, &scene.crew(), &after)
}

/// The change that this letter tells of: for whoever was taken out, that one; else the last.
fn change<'a>(scene: &Scene<'a>) -> Option<(DateTime<Utc>, &'a Event)> {
    let number = scene.removed_by().or(scene.facts.watched.changed_by)?;
    scene.facts.past(number).map(|past| (past.at, &past.event))
}

fn changed_at(scene: &Scene<'_>) -> DateTime<Utc> {
    change(scene).map_or(scene.happened_at(), |(at, _)| at)
}

fn said(scene: &Scene<'_>) -> String {
    let by = match change(scene) {
        Some((_, Event::Extended { by, .. } | Event::Amended { by, .. })) => by,
        _ => return String::new(),
    };
    said_by(scene, by)
}

fn said_by(scene: &Scene<'_>, by: &By) -> String {
    format!("Said at {} by {}.", scene.clock.time(changed_at(scene)), status::who(scene, by))
}

fn what_changed(scene: &Scene<'_>) -> Vec<Block> {
    match change(scene) {
        Some((_, Event::Extended { later, by })) => {
            let old_due = scene.due_at() - later.delta();
            let old_overdue = scene.overdue_at() - later.delta();
            let later = format!(": later by {}", later.spoken());
            vec![Block::Para(format!(
                "{}{later}. {}",
                instead_of(scene, old_due, old_overdue),
                said_by(scene, by)
            ))]
        }
        Some((_, Event::Amended { to, by })) => amended(scene, to, by),
        _ => vec![Block::para("These times take the place of those in earlier letters.")],
    }
}

fn instead_of(scene: &Scene<'_>, due: DateTime<Utc>, overdue: DateTime<Utc>) -> String {
    format!(
        "These times take the place of the old ones (back by {}, overdue from {})",
        scene.clock.full_from(due, scene.now),
        scene.clock.time(overdue)
    )
}

fn amended(scene: &Scene<'_>, to: &Amendment, by: &By) -> Vec<Block> {
    let said = said_by(scene, by);
    let times = match has_same_times(scene) {
        true => said,
        false => format!("{}. {said}", instead_of(scene, to.was_due_at, to.was_overdue_at)),
    };
    let mut blocks = vec![Block::Para(times)];
    let changes = changes(scene, to);
    if !changes.is_empty() {
        blocks.push(Block::heading("What has changed in the plan"));
        blocks.push(Block::List(changes));
    }
    blocks
}

/// Who joined and who left first: that is what a searcher must know.
fn changes(scene: &Scene<'_>, to: &Amendment) -> Vec<String> {
    let plan = scene.facts.plan;
    let crew = |among: &[Recipient]| {
        let places: Vec<usize> = among.iter().filter_map(|one| crew_place(*one)).collect();
        scene.named(&places)
    };
    let contacts = |among: &[Recipient]| -> Vec<String> {
        let contact = |one: &Recipient| match one {
            Recipient::Contact(at) => plan.contacts.get(*at),
            Recipient::Crew(_) | Recipient::Keeper => None,
        };
        among.iter().filter_map(contact).map(|one| words::first_name(&one.name)).collect()
    };
    let told = |what: &str, names: Vec<String>| {
        (!names.is_empty()).then(|| format!("{what}: {}.", words::names(&names, 6)))
    };
    let people = [
        told("NOT on this trip any more", crew(&to.left)),
        told("Now on this trip too", crew(&to.joined)),
        told("No longer asked ashore", contacts(&to.left)),
        told("Now asked ashore too", contacts(&to.joined)),
    ];
    let parts = to.parts.iter().map(|part| part_changed(scene, *part));
    people.into_iter().flatten().chain(parts).collect()
}

fn crew_place(one: Recipient) -> Option<usize> {
    match one {
        Recipient::Crew(at) => Some(at),
        Recipient::Contact(_) | Recipient::Keeper => None,
    }
}

fn part_changed(scene: &Scene<'_>, part: Part) -> String {
    let what = match part {
        Part::Launch => {
            let launch = scene.facts.plan.times.launch.at;
            return format!("The launch: now {}.", scene.clock.full_from(launch, scene.now));
        }
        Part::Route => "The route: where they launch, go or land, or how fast.",
        Part::Craft => "What they paddle.",
        Part::Gear => "What they carry to call and be found with.",
        Part::Person => "What is told of somebody on the trip.",
        Part::Contact => "A contact's telephone, or what they are to the crew.",
        Part::Other => "The trip's name, or what the crew read of the day's weather.",
    };
    what.to_owned()
}

fn tell_now() -> String {
    "Did you call a rescue service, or anybody else? Call them again now: the crew has answered and \
     will be back later. Tell them the new time, and who is on the trip."
        .to_owned()
}

fn steps(scene: &Scene<'_>, alerted: bool) -> Vec<String> {
    let overdue = scene.clock.full(scene.overdue_at());
    let mut steps = Vec::new();
    if alerted {
        steps.push(tell_now());
    }
    if scene.order.to == Recipient::Keeper {
        return steps;
    }
    steps.push(format!(
        "Move the alarm in your Clock app to {overdue}. The calendar entry moves with this letter \
         if you accepted it; a file that you added by hand does not."
    ));
    steps.push(
        "When it rings, do what our first letter says: look for a letter that they are ashore, \
         call them, then the rescue service. No letter is not good news."
            .to_owned(),
    );
    steps
}
