//! What a contact has answered, in the order in which it is told. Letters and pages word it each for
//! its reader.

use crate::watch::{CalledRescue, ContactState, OnIt, RanOut};

/// An answer that stands.
#[derive(Clone, Copy, Debug)]
pub enum Standing<'a> {
    /// "I have called."
    Called(&'a CalledRescue),
    /// "I am on it."
    OnIt(&'a OnIt),
    /// "I can't act."
    CantAct,
    /// "Never write to me again."
    WantsNoLetters,
    /// "I am on it" ran out, and nothing was heard since.
    RanOut(&'a RanOut),
}

/// As letters and pages tell [`Standing::CantAct`].
pub const CANT_ACT: &str = "can't act";
/// As letters and pages tell [`Standing::WantsNoLetters`].
pub const WANTS_NO_LETTERS: &str = "wants no letters: don't count on them";

/// What stands of a contact's answers.
#[must_use]
pub fn standing(contact: &ContactState) -> Vec<Standing<'_>> {
    let ran_out = contact.ran_out.as_ref().filter(|_| contact.on_it.is_none());
    [
        contact.called.as_ref().map(Standing::Called),
        contact.on_it.as_ref().map(Standing::OnIt),
        contact.cant_act.map(|_| Standing::CantAct),
        contact.opted_out.map(|_| Standing::WantsNoLetters),
        ran_out.map(Standing::RanOut),
    ]
    .into_iter()
    .flatten()
    .collect()
}
