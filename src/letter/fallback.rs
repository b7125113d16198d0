//! A bare letter for when a plan's stored data can't be read, or the whole letter is refused: better
//! plain than none.

use chrono::{DateTime, Utc};

use super::block::{Block, Draft};
use super::disclosure::Disclosure;
use super::facts::Facts;
use super::rescue::{self, Rescue};
use super::when::Clock;
use super::{Letter, brief, scene, stored, text, words};
use crate::measure::Position;
use crate::watch::{Kind, Watched};

/// The little that is known of a plan whose data can't be read.
#[derive(Clone, Copy, Debug)]
pub struct Bare<'a> {
    /// What the service is called.
    pub service_name: &'a str,
    /// The plan's ref.
    pub plan_ref: &'a str,
    /// When the crew is overdue, if that is known.
    pub overdue_at: Option<DateTime<Utc>>,
    /// The plan as it was stored; given out in alerts alone, for it holds medical notes.
    pub stored_plan: Option<&'a str>,
    /// Its state, if that can be read: it tells whom the stored plan names no longer.
    pub watched: Option<&'a Watched>,
    /// What is known of a plan that can be read, of which an alert gives out the figures alone: what
    /// its crew and its contacts typed may be why the whole letter was refused.
    pub figures: Option<&'a Facts<'a>>,
    /// Whom an alert may name.
    pub rescue: &'a [Rescue],
    /// The launch, if that is known: it chooses whom to call.
    pub launch: Option<Position>,
    /// The link to this reader's own page.
    pub page: Option<&'a str>,
    /// Why the letter is so short.
    pub why: &'a str,
}

/// A letter of this kind in plain text, with what is known. Total: it cannot fail.
#[must_use]
pub fn plain_fallback(bare: &Bare<'_>, kind: Kind, now: DateTime<Utc>) -> Letter {
    let plan = words::clean(bare.plan_ref);
    let service = words::clean(bare.service_name);
    let in_utc = |at: DateTime<Utc>| at.format("%a %-d %b %Y, %H:%M UTC").to_string();
    let time = |at| match bare.figures {
        Some(facts) => Clock::new(facts.plan.times.zone).full(at),
        None => in_utc(at),
    };
    let overdue = bare.overdue_at.map_or("an unknown time".to_owned(), time);
    let (subject, what) = first_words(kind, &overdue);
    let lead = vec![
        what,
        format!("{service} is no rescue service and has called nobody."),
        format!("This letter is short because {}.", bare.why),
    ];
    let mut blocks = Vec::new();
    if !matches!(kind, Kind::Trouble | Kind::Confirm | Kind::Drill) {
        blocks.push(Block::Call(callees(bare)));
    }
    if let Some(page) = bare.page {
        blocks.push(Block::Link("Your page:".to_owned(), words::clean(page)));
    }
    if Disclosure::of_letter(kind).is_for_rescue()
        && let Some(facts) = bare.figures
    {
        blocks.push(Block::heading("What they will ask: the figures of the plan"));
        blocks.extend(scene::listed(brief::figures(facts)));
    }
    if Disclosure::of_letter(kind).is_for_rescue()
        && let Some(stored) = bare.stored_plan
    {
        blocks.push(Block::heading("The plan as it was stored, without e-mail addresses"));
        let stored = stored::readable(stored, bare.watched);
        blocks.extend(stored.lines().map(|line| Block::Para(words::clean(line))));
    }
    blocks.push(Block::Small(format!("Float plan {plan}. Written {}.", in_utc(now))));
    let draft = Draft {
        subject: words::cut(&format!("{subject} (plan {plan})"), words::LONGEST_SUBJECT),
        lead,
        blocks,
    };
    Letter {
        text: text::render(&draft),
        html: String::new(),
        subject: draft.subject,
        urgency: kind.urgency(),
        thread: if kind.is_alert() { format!("alert-{plan}") } else { format!("plan-{plan}") },
    }
}

fn callees(bare: &Bare<'_>) -> Vec<super::block::Callee> {
    match bare.launch {
        Some(launch) => rescue::choose(bare.rescue, launch),
        // Without the place, an area's number could be the wrong one.
        None => rescue::last_resorts(bare.rescue),
    }
}

/// The subject and the first sentence of each kind.
fn first_words(kind: Kind, overdue: &str) -> (&'static str, String) {
    match kind {
        Kind::Overdue => (
            "OVERDUE: act now",
            format!(
                "The crew of a float plan that names you is overdue since {overdue}. Try their \
                 telephones for ten minutes at most, then call."
            ),
        ),
        Kind::CallRescue => (
            "CALL THE RESCUE SERVICE",
            format!(
                "Call the rescue service now: the crew of a float plan that names you is overdue \
                 since {overdue}."
            ),
        ),
        Kind::Home | Kind::StandDown => (
            "STAND DOWN: the trip is over",
            "The trip was reported over. If you called anybody, call them again now and say so. \
             Tell whom else you told, and switch your alarm off."
                .to_owned(),
        ),
        Kind::Withdrawn => (
            "NOT ALL ASHORE",
            "They are NOT all ashore: the report that the trip was over was taken back.".to_owned(),
        ),
        Kind::Reminder | Kind::Due => (
            "Check in, or put your return time off",
            format!("You have not checked in. You count as overdue from {overdue}."),
        ),
        Kind::Changed => (
            "New times",
            format!(
                "The crew has answered, and its times have changed: overdue from {overdue}. If you \
                 called anyone, tell them now. Move your alarm."
            ),
        ),
        Kind::Filed => (
            "A float plan names you",
            format!(
                "A float plan names you. If you have heard nothing by {overdue}, you are the one \
                 who acts: set an alarm for that time."
            ),
        ),
        Kind::News => ("News of a float plan", "Something has changed: see your page.".to_owned()),
        Kind::Confirm => (
            "Please confirm: you are named as a contact ashore",
            "Somebody who goes paddling has named this address as a contact ashore. Nothing has \
             happened. Open your page to say whether you are willing."
                .to_owned(),
        ),
        Kind::Drill => (
            "EXERCISE, nobody is missing",
            "This is an exercise. Nobody is missing; call nobody. Open your page to say that this \
             letter has reached you."
                .to_owned(),
        ),
        Kind::Trouble => (
            "Trouble: a plan's data can't be read",
            "The stored data of a plan can't be read. Its letters go out in this short form. See \
             the log, and reach the crew and the contacts yourself."
                .to_owned(),
        ),
    }
}
