//! What of a caution those ashore may read.
//!
//! A caution is written to a paddler who can still stay at home. To a family in the night and to a
//! searcher, how long a body lasts in cold water foretells a death and helps no search; and contacts
//! learn each other's first names alone. Each rule says what of its words may be told ashore.

use std::borrow::Cow;

use serde::{Deserialize, Serialize};

use super::{Caution, cold_water, contacts, course, help, words};
use crate::plan::Contact;

/// What of a caution contacts, the keeper and a rescue service may read.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ashore {
    /// Every word.
    Whole,
    /// These words in place of the crew's.
    Instead(String),
    /// Nothing: it is figures for planning a trip in cold water, from end to end.
    LeftOut,
    /// The rule did not say: the caution was stored before rules did.
    #[default]
    Unsaid,
}

impl Caution {
    /// The words for those ashore; `None` where there are none. `contacts` are the plan's: a caution
    /// stored before its rule said so may hold their whole names.
    #[must_use]
    pub fn told_ashore(&self, contacts: &[Contact]) -> Option<Cow<'_, str>> {
        match &self.ashore {
            Ashore::Whole => Some(Cow::Borrowed(&self.text)),
            Ashore::Instead(text) => Some(Cow::Borrowed(text)),
            Ashore::LeftOut => None,
            Ashore::Unsaid => stored_before(self, contacts),
        }
    }
}

/// The same for what was stored before rules said it: plans that were armed then are still watched.
fn stored_before<'a>(caution: &'a Caution, contacts: &[Contact]) -> Option<Cow<'a, str>> {
    let text = caution.text.as_str();
    match caution.id.as_ref() {
        course::ID | help::ID => None,
        cold_water::ID => Some(match text.rsplit_once(": ") {
            Some((water, _)) => Cow::Owned(format!("{water}.")),
            None => Cow::Borrowed(text),
        }),
        contacts::ID => {
            let names =
                contacts.iter().map(|one| one.name.as_str()).filter(|name| !name.is_empty());
            let short = |text: String, name: &str| text.replace(name, words::first_name(name));
            Some(Cow::Owned(names.fold(text.to_owned(), short)))
        }
        _ => Some(Cow::Borrowed(text)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// As a review was stored before rules said what may be told ashore. (Invented.)
    fn stored(id: &str, text: &str) -> Caution {
        let stored = serde_json::json!({
            "id": id, "level": "danger", "text": text, "source": "invented", "clears": ""
        });
        serde_json::from_value(stored).unwrap()
    }

    #[test]
    fn what_was_stored_before_is_told_as_ever() {
        let contact = Contact {
            name: "Dunstan Okafor".to_owned(),
            relation: None,
            email: "dunstan@example.org".to_owned(),
            phone: None,
        };
        let told = |id, text| {
            stored(id, text).told_ashore(std::slice::from_ref(&contact)).map(Cow::into_owned)
        };
        assert_eq!(told("immersion", "exhausted in 30 min"), None);
        assert_eq!(told("help", "exhausted in 30 min"), None);
        let water = "The water is 9.5 °C (46088: now): it takes the breath.";
        assert_eq!(told("cold-water", water).unwrap(), "The water is 9.5 °C (46088: now).");
        let only = "Only Dunstan Okafor ashore is told.";
        assert_eq!(told("contacts", only).unwrap(), "Only Dunstan ashore is told.");
        assert_eq!(told("wind", "It blows: hard.").unwrap(), "It blows: hard.");
    }

    #[test]
    fn a_new_caution_is_stored_with_what_its_rule_said() {
        for ashore in [Ashore::Whole, Ashore::LeftOut, Ashore::Instead("less".to_owned())] {
            let caution =
                Caution::new("wind", super::super::Level::Danger, "all".into(), ashore, "", "");
            let stored = serde_json::to_string(&caution).unwrap();
            assert_eq!(serde_json::from_str::<Caution>(&stored).unwrap(), caution);
        }
    }
}
