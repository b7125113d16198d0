//! Whether somebody ashore will hear of it.
//!
//! Common practice, no source: one contact can be asleep or without a signal; one who is afloat
//! with the crew helps nobody; and a rescue service wants to call back.

use super::{Ashore, COMMON_PRACTICE, Caution, Facts, Level, Limits, words};
use crate::plan::{Contact, Plan};

pub(super) const ID: &str = "contacts";

/// So many are named.
const MOST_NAMES: usize = 3;

pub(super) fn raise(facts: &Facts<'_>, _: &Limits) -> Vec<Caution> {
    let plan = facts.plan;
    let (afloat, ashore): (Vec<_>, Vec<_>) =
        plan.contacts.iter().partition(|contact| goes_afloat(plan, contact));
    let mut cautions = Vec::new();
    if !afloat.is_empty() {
        cautions.push(told_afloat(&afloat, ashore.is_empty()));
    }
    if let [first, others @ ..] = ashore.as_slice()
        && others.iter().all(|other| other.email.eq_ignore_ascii_case(&first.email))
    {
        let text = |names: &str| {
            format!(
                "Only {names} ashore is told: if that one letter is not read, nobody raises the alarm."
            )
        };
        let clears = "A second contact with another address.";
        cautions.push(caution(Level::Caution, &[first.name.as_str()], text, clears));
    }
    let no_phone: Vec<_> = ashore.into_iter().filter(|contact| contact.phone.is_none()).collect();
    if !no_phone.is_empty() {
        let text = |names: &str| {
            format!(
                "No telephone number is given of {names}: neither another contact nor the rescue \
                 service can call back."
            )
        };
        let clears = "A telephone number of each contact.";
        cautions.push(caution(Level::Caution, &names(&no_phone), text, clears));
    }
    cautions
}

fn told_afloat(afloat: &[&Contact], all: bool) -> Caution {
    let nobody = if all { ", so nobody ashore is told at all" } else { "" };
    let text = |names: &str| {
        format!(
            "What tells {names} goes afloat: a name, address or telephone number is one of the \
             crew's own{nobody}."
        )
    };
    let level = if all { Level::Danger } else { Level::Warning };
    let clears = "Contacts who stay ashore, with addresses that are read there.";
    caution(level, &names(afloat), text, clears)
}

fn goes_afloat(plan: &Plan, contact: &Contact) -> bool {
    plan.crew.iter().any(|member| {
        let same_email = |email: &String| email.eq_ignore_ascii_case(&contact.email);
        let same_phone =
            |phone: &String| contact.phone.as_ref().is_some_and(|own| dials(own) == dials(phone));
        member.name.to_lowercase() == contact.name.to_lowercase()
            || member.email.as_ref().is_some_and(same_email)
            || member.phone.as_ref().is_some_and(same_phone)
    })
}

/// What of a telephone number is dialled.
fn dials(phone: &str) -> String {
    phone.chars().filter(char::is_ascii_digit).collect()
}

fn names<'a>(contacts: &[&'a Contact]) -> Vec<&'a str> {
    contacts.iter().map(|contact| contact.name.as_str()).collect()
}

/// Each of these cautions names contacts, of whom the others learn the first names alone.
fn caution(level: Level, names: &[&str], text: impl Fn(&str) -> String, clears: &str) -> Caution {
    let first_names: Vec<_> = names.iter().map(|name| words::first_name(name)).collect();
    let ashore = Ashore::Instead(text(&words::list(&first_names, MOST_NAMES)));
    let text = text(&words::list(names, MOST_NAMES));
    Caution::new(ID, level, text, ashore, COMMON_PRACTICE, clears)
}

/// That these contacts have never answered a letter; `None` for nobody. Who has is not in the plan,
/// so whoever keeps it raises this one.
pub fn unconfirmed(names: &[&str]) -> Option<Caution> {
    if names.is_empty() {
        return None;
    }
    let have = if names.len() == 1 { "has" } else { "have" };
    let text = |names: &str| {
        format!(
            "{names} {have} never answered a letter of this service: the address may be wrong, or \
             its letters may land among the spam."
        )
    };
    let clears =
        "An answer on the page that our letter links to. Telephone them before you launch.";
    Some(caution(Level::Caution, names, text, clears))
}
