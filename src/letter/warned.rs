//! What the crew was warned of, as those ashore read it.
//!
//! A caution is written to a paddler who can still stay at home. To a family in the night and to a
//! searcher, how long a body lasts in cold water foretells a death and helps no search: the facts
//! stay, those figures do not.

use super::brief::{Row, Section};
use super::facts::Facts;
use super::words;
use crate::caution::Caution;
use crate::watch::Event;

/// Cautions that are nothing but such figures: the course of an immersion, and the time until help
/// against it.
const FOR_PLANNING: [&str; 2] = ["immersion", "help"];

/// Who reads it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Reader {
    /// The crew: every word.
    Crew,
    /// Contacts, the keeper, a rescue service.
    Ashore,
}

pub(super) fn section(facts: &Facts<'_>, reader: Reader) -> Option<Section> {
    let all = &facts.review?.cautions;
    let is_told =
        |one: &&Caution| reader == Reader::Crew || !FOR_PLANNING.contains(&one.id.as_ref());
    let told = all.iter().filter(is_told);
    let mut rows: Vec<Row> = told
        .map(|one| Row::new(one.level.signal_word(), words::clean_lines(&text(facts, one, reader))))
        .collect();
    if rows.len() < all.len() {
        rows.push(Row::new(
            "Left out here",
            "figures for planning a trip in cold water, which the crew was told. They say nothing of \
             how anybody is now, and are no reason to search less",
        ));
    }
    let amended = facts.history.iter().any(|past| matches!(past.event, Event::Amended { .. }));
    let when = if amended { "last changed the plan" } else { "filed" };
    Some(Section { title: format!("What we warned the crew of when they {when}"), rows })
}

fn text(facts: &Facts<'_>, caution: &Caution, reader: Reader) -> String {
    match caution.id.as_ref() {
        _ if reader == Reader::Crew => caution.text.clone(),
        // The temperature and where it is from, not what falling in does.
        "cold-water" => match caution.text.rsplit_once(": ") {
            Some((water, _)) => format!("{water}."),
            None => caution.text.clone(),
        },
        "contacts" => first_names(facts, &caution.text),
        _ => caution.text.clone(),
    }
}

/// Contacts learn each other's first names alone.
fn first_names(facts: &Facts<'_>, text: &str) -> String {
    facts.plan.contacts.iter().fold(text.to_owned(), |text, contact| match contact.name.as_str() {
        "" => text,
        name => text.replace(name, &words::first_name(name)),
    })
}
