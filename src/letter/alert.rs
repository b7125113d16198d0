//! `overdue` and `call-rescue`, to contacts: the crew is not back. When no contact is left, the
//! crew and the keeper get them too.

use super::block::{Block, Draft};
use super::brief::Row;
use super::scene::Scene;
use super::words::{self, name, names, people};
use super::{rescue, script, status};
use crate::review::asked;
use crate::watch::{Cause, Kind, Recipient};

pub(super) fn draft(scene: &Scene<'_>) -> Draft {
    let mut blocks = Vec::new();
    blocks.extend(why_you(scene).map(Block::Para));
    blocks.push(Block::heading(if has_called(scene) { "What to do now" } else { "Act now" }));
    blocks.push(Block::Steps(steps(scene)));
    if !has_called(scene) {
        blocks.push(Block::heading("Whom to call"));
        blocks.push(Block::Call(scene.rescue()));
    }
    blocks.extend(named(scene).map(Block::Para));
    blocks.extend(scene.link(
        "Your page, for your answers: \"I am on it\", \"I have called\", \
        \"they are ashore\", \"I can't act\".",
    ));
    blocks.extend(again(scene).map(Block::Para));
    if has_called(scene) {
        blocks.push(Block::heading("The rescue service's numbers, for news only"));
        blocks.push(Block::Call(scene.rescue()));
    }
    blocks.push(Block::heading("Who was told, and what they answered"));
    blocks.push(Block::Rows(who_knows(scene)));
    blocks.extend(script::say_this(scene, "Say this (read it aloud)"));
    blocks.extend(rescue_page(scene));
    blocks.extend(find_out(scene));
    blocks.push(Block::heading("Everything in their plan"));
    blocks.extend(scene.whole_plan());
    Draft { subject: subject(scene), lead: lead(scene), blocks }
}

fn has_called(scene: &Scene<'_>) -> bool {
    scene.facts.watched.called_since_due()
}

fn is_call(scene: &Scene<'_>) -> bool {
    scene.order.kind == Kind::CallRescue
}

fn subject(scene: &Scene<'_>) -> String {
    let since = scene.clock.short(scene.overdue_at(), scene.now);
    let out = scene.out_names();
    let count = people(out.len());
    if has_called(scene) {
        let before = format!("STILL OVERDUE since {since}: {count}, ");
        return words::subject(&before, &out, " - rescue service called");
    }
    if is_call(scene) {
        let before = format!("CALL THE RESCUE SERVICE: {count} overdue since {since}, ");
        return words::subject(&before, &out, "");
    }
    words::subject(&format!("OVERDUE since {since}: {count}, "), &out, " - act now")
}

fn lead(scene: &Scene<'_>) -> Vec<String> {
    let out = scene.out_names();
    let (count, who) = (people(out.len()), names(&out, 4));
    let since = scene.clock.full_from(scene.overdue_at(), scene.now);
    let due = match scene.overdue_at() - scene.due_at() < chrono::TimeDelta::hours(6) {
        true => scene.clock.time(scene.due_at()),
        false => scene.clock.full(scene.due_at()),
    };
    let are = if out.len() == 1 { "is" } else { "are" };
    let mut lead = Vec::new();
    lead.push(format!("{count} {are} overdue on the water: {who}."));
    lead.push(format!("Overdue since {since}. They meant to be back by {due}."));
    lead.extend(status::ashore(scene).into_iter().map(|row| format!("Ashore: {}.", row.value)));
    lead.push(format!("{} is no rescue service and has called nobody.", scene.service()));
    if has_called(scene) {
        lead.extend(status::calls(scene));
        lead.push("So you need not call again.".to_owned());
    } else {
        lead.extend(call_now(scene));
        lead.extend(called_before(scene));
    }
    lead
}

/// Who wrote that they had called when nobody was late yet: it may have been about something else, or
/// to keep others from calling.
fn called_before(scene: &Scene<'_>) -> Vec<String> {
    let mut calls = status::calls(scene);
    if !calls.is_empty() {
        calls.push("That was written before they were due back: call all the same.".to_owned());
    }
    calls
}

/// Where there is nothing to do before the call. Else the first step says it, on the first screen of
/// a telephone.
fn call_now(scene: &Scene<'_>) -> Option<String> {
    let service = rescue::in_a_sentence(&scene.rescue());
    (is_call(scene) || !scene.has_phones()).then(|| format!("Call now: {service}."))
}

/// The page that a caller may hand on.
fn rescue_page(scene: &Scene<'_>) -> Option<Block> {
    let page = scene.facts.rescue_page?;
    let purpose = "A page for the rescue service: all of this on one page to print, with the chart, and \
                   the route as GPX and GeoJSON (enclosed too, unless this letter grew too big). They can \
                   read it, and change nothing. If they ask for the plan, send them this address; it \
                   shows what is told of the crew's health, so give it to nobody else.";
    Some(Block::Link(purpose.to_owned(), words::clean(page)))
}

/// So many questions are put to the reader.
const MOST_FIND_OUT: usize = 6;

/// What no plan can tell, and whoever is ashore may find out by asking and looking.
const ASK_AND_LOOK: [&str; 6] = [
    "Is their vehicle still at the launch? Did anybody see them launch, or see them since?",
    "Which boats, paddles and gear are missing from their homes? Did they hire any?",
    "What was the last call, message or shared location from each phone? Which carrier, and how \
     full was the battery? Do they carry a tracker, and who can see it?",
    "Have their bank cards or accounts been used since they launched?",
    "Whom else did they tell? Who paddled near them? Who is searching on their own?",
    "Who are their next of kin, and do they know? Until they do, post no names online, and leave \
     the press to the rescue service.",
];

/// What the plan does not tell and somebody ashore may know or find out.
fn find_out(scene: &Scene<'_>) -> Vec<Block> {
    if scene.to_crew() {
        return Vec::new();
    }
    let asked = asked(scene.facts.plan, &scene.out());
    let missing = asked.missing.iter().filter(|missing| missing.ashore_may_know);
    let missing = missing.map(|missing| words::clean(&missing.what));
    let list: Vec<String> =
        seen_last(scene).into_iter().chain(missing).take(MOST_FIND_OUT).collect();
    let mut blocks = vec![Block::heading("What you may know or find out")];
    if !list.is_empty() {
        blocks.push(Block::para(
            "Their plan leaves these open, the most useful first. Do not wait to call because of them; \
             tell what you know:",
        ));
        blocks.push(Block::List(list));
    }
    blocks.push(Block::para(
        "These no plan can tell for sure. Ask and look once the call is made, best from another telephone, and \
         tell the rescue service what you find:",
    ));
    blocks.push(Block::List(ASK_AND_LOOK.map(str::to_owned).to_vec()));
    blocks
}

/// What only those of the party who are ashore can tell.
fn seen_last(scene: &Scene<'_>) -> Option<String> {
    let out = scene.out();
    let on_trip = scene.facts.on_trip();
    let ashore: Vec<usize> = on_trip.into_iter().filter(|at| !out.contains(at)).collect();
    let named = words::names(&scene.named(&ashore), 4);
    (!ashore.is_empty())
        .then(|| {
            format!(
                "from {named}, reported ashore: where and when the others were last seen, in which craft, \
                 and who has the radio and the beacon"
            )
        })
}

/// Why somebody gets an alert who is no contact.
fn why_you(scene: &Scene<'_>) -> Option<String> {
    let watched = scene.facts.watched;
    let nobody_left =
        watched.nobody_left() && watched.contacts.iter().all(|one| one.on_it.is_none());
    match scene.order.to {
        Recipient::Contact(_) => None,
        Recipient::Crew(_) => Some(
            "This letter comes to the crew because none of your contacts ashore can be reached or \
             can act. If all of you are ashore, check in now, and nothing more is needed."
                .to_owned(),
        ),
        Recipient::Keeper if nobody_left => Some(
            "You get this as the keeper of the service: none of the contacts can be reached or \
             can act. Nobody but you may know of this."
                .to_owned(),
        ),
        Recipient::Keeper => Some(
            "You get this as the keeper of the service. The contacts have been written to; below \
             stands what they answered. If none of them has called, you call."
                .to_owned(),
        ),
    }
}

/// Why a contact gets this: they may never have heard of the service.
fn named(scene: &Scene<'_>) -> Option<String> {
    let (_, contact) = scene.reading_contact()?;
    let relation = contact.relation.as_ref().map(|relation| format!(" ({})", name(relation)));
    Some(format!(
        "You get this because their float plan names you{} as somebody ashore who acts. Call even if \
         you know little of them or of the water: what the rescue service then does is its decision, \
         not yours.",
        relation.unwrap_or_default()
    ))
}

fn steps(scene: &Scene<'_>) -> Vec<String> {
    let service = rescue::in_a_sentence(&scene.rescue());
    if has_called(scene) {
        return vec![
            "Do not call again with the same news: the rescue service has it. Keep your telephone \
             free."
                .to_owned(),
            format!(
                "If you learn something new (a call, a sighting, a message), tell the rescue \
                 service, with the reference: {service}."
            ),
            ashore_step(scene, "If you know that they are ashore, tell the rescue service"),
        ];
    }
    let say = "and read them \"Say this\" from below.";
    let then = written_step(scene);
    if is_call(scene) {
        return vec![
            "Call the number above now. Do not wait for another letter or another person: whoever \
             wrote \"I am on it\" may not have called. Ring the crew after that, not before."
                .to_owned(),
            format!("Say that you report somebody overdue on the water, {say}"),
            then,
        ];
    }
    let call = match scene.has_phones() {
        true => format!("No answer, or in doubt: call {service}, {say}"),
        false => format!("Call {service}, {say}"),
    };
    vec![phones_step(scene), call, then]
}

fn phones_step(scene: &Scene<'_>) -> String {
    if !scene.has_phones() {
        return "The plan tells no telephone of theirs: go to step 2 now.".to_owned();
    }
    format!(
        "Call the crew, for ten minutes at most: {}. All ashore? {}, and stop. In need of help? Step \
         2 at once.",
        scene.phones().join("; "),
        if scene.facts.page.is_some() {
            "Write it on your page (below)"
        } else {
            "Tell them to check in"
        },
    )
}

fn ashore_step(scene: &Scene<'_>, first: &str) -> String {
    if scene.facts.page.is_some() {
        format!("{first}, then write it on your page (link below).")
    } else {
        format!("{first}, then have the crew check in.")
    }
}

fn written_step(scene: &Scene<'_>) -> String {
    let page = scene.facts.page.is_some();
    match scene.order.to {
        Recipient::Crew(_) if page => {
            "When everybody is ashore, check in on your page (link below).".to_owned()
        }
        _ if page => "Write on your page (link below) that you have called, so that the \
                      others know."
            .to_owned(),
        _ => "Tell the others named below that you have called, so that they know.".to_owned(),
    }
}

/// Whether this letter comes again.
fn again(scene: &Scene<'_>) -> Option<String> {
    if !is_call(scene) {
        return None;
    }
    let number = match scene.order.cause {
        Cause::Repeat(number) => {
            format!("This is letter {} of this kind. ", number.saturating_add(1))
        }
        Cause::Rung(_) | Cause::Event(_) => String::new(),
    };
    let repeat = scene.facts.watched.terms.ladder.repeat().spoken();
    Some(if scene.facts.watched.somebody_called() {
        format!(
            "{number}We write again every hour until all are ashore, so that nobody is forgotten."
        )
    } else {
        format!(
            "{number}We write again every {repeat} until somebody writes on their page that they \
             have called, or all are ashore."
        )
    })
}

/// The contacts with their telephones: they may want to speak with each other.
fn who_knows(scene: &Scene<'_>) -> Vec<Row> {
    let told = status::contacts(scene).into_iter();
    told.map(|told| {
        let relation = told.contact.relation.as_ref().map(|relation| name(relation));
        let phone = told.contact.phone.as_ref();
        let phone = phone.map(|phone| format!("telephone {}", words::phone(phone)));
        let row = told.row(scene.clock);
        let parts = relation.into_iter().chain(phone).chain([row.value]);
        Row::new(row.label, parts.collect::<Vec<_>>().join("; "))
    })
    .collect()
}
