//! What the crew was warned of, as its reader may see it: the crew every word, those ashore what each
//! rule says may be told there.

use super::brief::{Row, Section};
use super::facts::Facts;
use super::words;
use crate::caution::Caution;
use crate::watch::Event;

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
    let text = |one: &Caution| match reader {
        Reader::Crew => Some(words::clean_lines(&one.text)),
        Reader::Ashore => Some(words::clean_lines(&one.told_ashore(&facts.plan.contacts)?)),
    };
    let mut rows: Vec<Row> =
        all.iter().filter_map(|one| Some(Row::new(one.level.signal_word(), text(one)?))).collect();
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
