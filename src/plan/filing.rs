//! What stands against filing a plan that is sound in itself. None of it stands against one that is
//! armed.

use chrono::{DateTime, Utc};
use serde_json::Value;

use super::{Fault, Faults, Plan};

/// So many bytes of words go into a plan (common sense, no source): a party of sixty with 500 places is
/// well within it, and a letter of them within what mail services take.
const MOST_BYTES_OF_WORDS: usize = 64 * 1024;
/// So many count for each one's notes on health where nobody may find out how many there are, and so many
/// for the ways to reach each contact.
const ROOM_OF_NOTES: usize = 256;
const ROOM_OF_WAYS: usize = 64;
/// What some mail servers take for the sign that another address stands before it.
const LEADING_ON: [char; 8] = ['%', '!', '@', '<', '>', ',', ';', ':'];

impl Plan {
    /// What stands against filing this plan at `now`: a return time that has passed (a launch that
    /// has passed does not: people file late), an address that may lead to another, or more words
    /// than an alert can hold.
    ///
    /// # Errors
    /// The faults, each with its mend.
    pub fn check_filing(&self, now: DateTime<Utc>) -> Result<(), Faults> {
        self.check(None, too_many_words(bytes_of(self), None), now)
    }

    /// The same of a new version of a plan that is armed, but for what is so in the old one already:
    /// who was let set out with it must be able to change it.
    ///
    /// # Errors
    /// The faults, each with its mend.
    pub fn check_amending(&self, old: &Plan, now: DateTime<Utc>) -> Result<(), Faults> {
        let words = too_many_words(bytes_of(self), Some(bytes_of(old)));
        self.check(Some(old), words, now)
    }

    /// The same where whoever made the new version was not shown what the old one says of health and how
    /// its contacts are reached: so many bytes of that they `typed` themselves. All else of it counts the
    /// same however long it is, so that the room that is left tells nothing of it.
    ///
    /// # Errors
    /// The faults, each with its mend.
    pub fn check_amending_unseen(
        &self,
        old: &Plan,
        typed: usize,
        now: DateTime<Utc>,
    ) -> Result<(), Faults> {
        let words = too_many_words(bytes_shown(self) + typed, Some(bytes_shown(old)));
        self.check(Some(old), words, now)
    }

    fn check(
        &self,
        old: Option<&Plan>,
        words: Option<Fault>,
        now: DateTime<Utc>,
    ) -> Result<(), Faults> {
        let mut faults = addresses_that_lead_on(self, old);
        faults.extend(words);
        if self.times.return_by.at <= now {
            faults.push(Fault::new(
                "times.return_by",
                self.times.return_by.at.to_rfc3339(),
                "this return time has passed already: give the time by which the crew will now be \
                 back, or, if it is back, there is nothing to file",
            ));
        }
        Faults::some(faults).map_or(Ok(()), Err)
    }
}

/// A mail server may read in them another address, and a way to it: `name%host@relay`,
/// `host!name@relay`, `"name@host"@relay` (RFC 5321, 4.1.2 leaves the name to its own host; Postfix
/// reads all three so as shipped). Then neither what is counted here nor a "never" would hold.
fn addresses_that_lead_on(plan: &Plan, old: Option<&Plan>) -> Vec<Fault> {
    let known = |email: &str| old.is_some_and(|old| addresses(old).any(|(.., one)| one == email));
    let may_lead_on =
        |email: &str| email.rsplit_once('@').is_some_and(|(name, _)| name.contains(LEADING_ON));
    let mend = "has one of %!@<>,;: before its last @: some mail servers send that on to another \
                address, which may be a stranger's; write the address at which the letters are read";
    addresses(plan)
        .filter(|(.., email)| may_lead_on(email) && !known(email))
        .map(|(who, at, email)| Fault::new(&format!("{who}[{}].email", at + 1), email, mend))
        .collect()
}

/// Everybody's address, with where it stands.
fn addresses(plan: &Plan) -> impl Iterator<Item = (&'static str, usize, &str)> {
    let crew = plan.crew.iter().enumerate();
    let crew = crew.filter_map(|(at, one)| Some(("crew", at, one.email.as_deref()?)));
    let contacts = plan.contacts.iter().enumerate();
    crew.chain(contacts.map(|(at, one)| ("contact", at, one.email.as_str())))
}

/// `before`: so many stand in the version that is armed, which no other has to fall below.
fn too_many_words(bytes: usize, before: Option<usize>) -> Option<Fault> {
    let is_no_more = before.is_some_and(|before| bytes <= before);
    (bytes > MOST_BYTES_OF_WORDS && !is_no_more).then(|| {
        let mend = format!(
            "this plan has {} kB of words, and an alert holds {} kB: shorten the notes on people, or \
             file a plan for each group",
            bytes.div_ceil(1024),
            MOST_BYTES_OF_WORDS / 1024
        );
        Fault::new("", "", mend)
    })
}

fn bytes_of(plan: &Plan) -> usize {
    serde_json::to_value(plan).map_or(0, |plan| bytes_of_words(&plan))
}

fn bytes_shown(plan: &Plan) -> usize {
    let mut shown = plan.clone();
    shown.crew.iter_mut().for_each(|one| one.medical = None);
    for contact in &mut shown.contacts {
        contact.email.clear();
        contact.phone = None;
    }
    bytes_of(&shown) + plan.crew.len() * ROOM_OF_NOTES + plan.contacts.len() * ROOM_OF_WAYS
}

/// The bytes of all texts in this, positions and times among them.
fn bytes_of_words(value: &Value) -> usize {
    match value {
        Value::String(text) => text.len(),
        Value::Array(all) => all.iter().map(bytes_of_words).sum(),
        Value::Object(all) => all.values().map(bytes_of_words).sum(),
        Value::Null | Value::Bool(_) | Value::Number(_) => 0,
    }
}
