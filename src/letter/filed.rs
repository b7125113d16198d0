//! `filed`, to a contact: a trip is being watched. What to do now, and when the alarm rings. (To
//! the crew: see `filed_crew`.)

use super::block::{Block, Draft};
use super::scene::Scene;
use super::words::{self, first_name, names};
use super::{filed_crew, rescue, script, status};
use crate::measure::spoken;

pub(super) fn draft(scene: &Scene<'_>) -> Draft {
    if scene.to_crew() {
        return filed_crew::draft(scene);
    }
    let mut blocks = Vec::new();
    if scene.now >= scene.overdue_at() {
        blocks.push(Block::Para(too_late(scene)));
    } else {
        blocks.push(Block::heading("Do this now"));
        blocks.push(Block::Steps(now(scene)));
    }
    blocks.extend(
        scene.link("Your page, to say that you have this letter and, later, what you did."),
    );
    blocks.push(Block::heading("When the alarm rings"));
    blocks.push(Block::Steps(alarm(scene)));
    blocks.push(Block::para(
        "No letter is not good news. This service can be down, and then you hear nothing from us \
         at all. Don't wait for us.",
    ));
    blocks.push(Block::Call(scene.rescue()));
    blocks.push(Block::Para(others(scene)));
    blocks.extend(script::say_this(scene, "If you have to call, say this (read it aloud)"));
    blocks.push(Block::heading("Their whole plan"));
    blocks.extend(scene.whole_plan());
    let act_at = scene.clock.short(scene.overdue_at(), scene.now);
    let before = "Watch the clock for ";
    let after = format!(": not heard by {act_at}? You act");
    let subject = words::subject(before, &scene.crew(), &after);
    Draft { subject, lead: lead(scene), blocks }
}

fn lead(scene: &Scene<'_>) -> Vec<String> {
    let crew = scene.crew();
    let launch = scene.facts.plan.times.launch.at;
    let (are, go) = if crew.len() == 1 { ("is", "goes") } else { ("are", "go") };
    let who = names(&crew, 4);
    let out = if launch > scene.now {
        format!("{who} {go} paddling: launch {}.", scene.clock.full_from(launch, scene.now))
    } else {
        format!("{who} {are} out paddling since {}.", scene.clock.full_from(launch, scene.now))
    };
    let mut lead = vec![
        out,
        format!("Back by {}.", scene.clock.full_from(scene.due_at(), scene.now)),
        format!(
            "If you have heard nothing by {}, you are the one who acts.",
            scene.clock.full_from(scene.overdue_at(), scene.now)
        ),
    ];
    if let Some(late) = scene.facts.plan.times.late_by(scene.facts.filed_at) {
        let filed_at = scene.clock.full_from(scene.facts.filed_at, scene.now);
        lead.push(format!(
            "Filed at {filed_at}, after they launched, by {}: until then nobody watched for them.",
            spoken(late)
        ));
    }
    lead
}

fn too_late(scene: &Scene<'_>) -> String {
    format!(
        "That time has passed: this letter reached you too late to set an alarm. They are overdue \
         since {}. Do now what stands under \"When the alarm rings\".",
        scene.clock.full_from(scene.overdue_at(), scene.now)
    )
}

fn now(scene: &Scene<'_>) -> Vec<String> {
    let act_at = scene.overdue_at();
    let first = first_name(scene.crew().first().map_or("", String::as_str));
    let day = if act_at - scene.now > chrono::TimeDelta::hours(12) {
        " A clock alarm may know no date: if it can't be set for that day, put it into your \
         calendar for that morning, and set the alarm then."
    } else {
        ""
    };
    let mut steps = vec![format!(
        "Open the Clock app on your telephone and set an alarm for {}. Name it \"{first} back?\". A \
         clock alarm rings at night; letters and calendar notes mostly don't.{day} The time is that \
         of the launch: if your clock shows another zone, set the same moment.",
        scene.clock.full(act_at)
    )];
    steps.push(
        "Accept the calendar entry that comes with this letter: your second reminder. It may stay \
         silent, so it does not take the alarm's place."
            .to_owned(),
    );
    if scene.facts.page.is_some() {
        steps.push(
            "Open your page (link below), type your name and press \"Yes, I have this\": then the \
             crew knows that you have read it."
                .to_owned(),
        );
    }
    steps.push("Keep this letter where you find it without a network.".to_owned());
    steps
}

/// What to do when the alarm rings.
pub(super) fn alarm(scene: &Scene<'_>) -> Vec<String> {
    let phones = if scene.has_phones() {
        format!(
            "No such letter: call the crew, for ten minutes at most: {}.",
            scene.phones().join("; ")
        )
    } else {
        "No such letter: the plan tells no telephone of theirs, so go to step 3.".to_owned()
    };
    vec![
        "Look for a letter from us that says they are ashore, or that the times have changed. \
         Ashore: switch the alarm off, you are done. New times: the newest letter counts."
            .to_owned(),
        phones,
        format!(
            "Still nothing: call {}. Read \"Say this\" to them.",
            rescue::in_a_sentence(&scene.rescue())
        ),
    ]
}

fn others(scene: &Scene<'_>) -> String {
    let told = status::first_names(scene);
    let many = scene.contacts().len() > 1;
    let who = if many {
        format!(
            "This letter went to {told}. Agree who calls; if you can't reach each other, you call."
        )
    } else {
        "You are the only contact of this trip.".to_owned()
    };
    format!(
        "{who} {} is no rescue service: it watches the clock and writes letters. Once they are \
         overdue it writes to you as well.",
        scene.service()
    )
}
