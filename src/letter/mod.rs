//! What we say: every letter's subject, text and HTML.
//!
//! Pure, and total: [`compose`] cannot fail at three in the morning. Each kind of letter is a
//! file that gives a [`Draft`], a list of blocks; [`text`] and [`html`] write the same blocks in
//! the same order, so that the two halves of a letter never say different things. The text
//! stands on its own.

mod alert;
pub mod answers;
mod block;
pub mod brief;
mod calendar;
mod changed;
mod chart;
mod clocks;
mod confirm;
mod disclosure;
mod drill;
mod facts;
mod fallback;
mod filed;
mod filed_crew;
mod files;
mod home;
mod hours;
mod html;
mod late;
mod news;
mod not_told;
mod reminder;
mod rescue;
mod scene;
mod script;
mod spelled;
mod stand_down;
mod status;
mod stored;
mod text;
mod trouble;
mod warned;
mod weather;
mod when;
mod withdrawn;
mod words;

pub use block::{Callee, Number};
pub use brief::{Brief, Row, Section, brief, crew_brief, rescue_brief};
pub use calendar::{Entry, entry as calendar_entry};
pub use chart::CHART_ID;
pub use facts::Facts;
pub use fallback::{Bare, plain_fallback};
pub use files::{File, geojson, gpx};
pub use rescue::{Area, Rescue, choose as whom_to_call};
pub use script::words_to_say;
pub use trouble::{service_trouble, service_trouble_over};
pub use when::Clock;

use std::fmt;

use chrono::{DateTime, Utc};

use crate::watch::{Kind, Order, Urgency};
use block::{Block, Draft};
use scene::Scene;

/// A letter, ready for the post.
#[derive(Clone, PartialEq, Eq)]
pub struct Letter {
    /// One line of at most 120 characters, without control characters.
    pub subject: String,
    /// The whole letter as text: lines of at most 78 columns, but for a link on its own line.
    pub text: String,
    /// The same in HTML, at most 30 000 bytes; empty when there is only the text.
    pub html: String,
    /// How it must be handed over.
    pub urgency: Urgency,
    /// Which letters a mail program may show together. Alerts have a thread of their own.
    pub thread: String,
}

/// It holds private text, so it can't print itself.
impl fmt::Debug for Letter {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("Letter")
    }
}

/// The letter that an order asks for. Total: it cannot fail.
#[must_use]
pub fn compose(facts: &Facts<'_>, order: &Order, now: DateTime<Utc>) -> Letter {
    finish(draft(facts, order, now), order.kind.urgency(), thread(facts, order))
}

/// The letter of an invented plan that tries the road: the same letter, which says at the head of
/// its subject and of its text that it is a test.
#[must_use]
pub fn compose_test(facts: &Facts<'_>, order: &Order, now: DateTime<Utc>) -> Letter {
    let mut draft = draft(facts, order, now);
    let subject = format!("TEST, nobody is missing: {}", draft.subject);
    draft.subject = words::cut(&subject, words::LONGEST_SUBJECT);
    let service = words::clean(facts.service_name);
    let test = format!(
        "THIS IS A TEST of {service}. Nobody is missing: the plan below is invented. Do nothing, \
         and call nobody."
    );
    draft.lead.insert(0, test);
    finish(draft, order.kind.urgency(), thread(facts, order))
}

const FROM_MEMORY: &str = "This letter was written from memory, because the service's database can't \
                           be used at the moment: what was answered before may be missing in it. Your \
                           page may not take an answer: telephone the others instead.";

fn draft(facts: &Facts<'_>, order: &Order, now: DateTime<Utc>) -> Draft {
    let scene = Scene::new(facts, order, now);
    let mut draft = match order.kind {
        Kind::Filed => filed::draft(&scene),
        Kind::Changed => changed::draft(&scene),
        Kind::Reminder | Kind::Due => reminder::draft(&scene),
        Kind::Overdue | Kind::CallRescue => alert::draft(&scene),
        Kind::Home => home::draft(&scene),
        Kind::StandDown => stand_down::draft(&scene),
        Kind::Withdrawn => withdrawn::draft(&scene),
        Kind::News => news::draft(&scene),
        Kind::Trouble => trouble::draft(&scene),
        Kind::Confirm => confirm::draft(&scene),
        Kind::Drill => drill::draft(&scene),
    };
    if let Some(late) = late::note(&scene) {
        draft.blocks.insert(0, Block::Para(late));
    }
    if let Some(apart) = clocks::note(&scene) {
        draft.blocks.insert(0, Block::Para(apart));
    }
    if facts.from_memory {
        draft.blocks.insert(0, Block::para(FROM_MEMORY));
    }
    draft.blocks.extend(chart::block(&scene));
    draft.blocks.push(Block::Small(footer(&scene)));
    draft
}

fn finish(draft: Draft, urgency: Urgency, thread: String) -> Letter {
    let html = html::render(&draft);
    Letter { text: text::render(&draft), html, subject: draft.subject, urgency, thread }
}

/// A new round of alerts must not hide under the old one.
fn thread(facts: &Facts<'_>, order: &Order) -> String {
    let plan = words::clean(facts.plan_ref);
    if order.kind.is_alert() {
        format!("alert-{plan}-{}", order.round)
    } else {
        format!("plan-{plan}")
    }
}

fn footer(scene: &Scene<'_>) -> String {
    format!(
        "Float plan {}, watched by {}. This service watches the clock and writes letters. It is no \
         rescue service and has called nobody. It may fail: no letter is not good news. Times are \
         those of the crew's clocks ({}).",
        words::clean(scene.facts.plan_ref),
        words::clean(scene.facts.service_name),
        scene.clock.zone_at(scene.now),
    )
}
