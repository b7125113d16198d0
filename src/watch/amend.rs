//! A plan replaced by a new version of itself.
//!
//! People are told apart by their places everywhere, so places are for life: whoever was in the
//! plan keeps theirs, whoever is added gets the next one, and whoever is taken out stays in theirs,
//! marked. What was said, sent and answered before stays true of the same person.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use super::letters::{Kind, Recipient};
use super::state::{ContactState, CrewState};
use super::step::{Moving, Refusal};
use crate::measure::Span;

/// What a plan is replaced by, as far as the watch goes.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Amendment {
    /// The round of the plan that it was made from. When another began meanwhile, its places and
    /// times may be others, and it has to be made again.
    pub from_round: u32,
    /// The new return time.
    pub due_at: DateTime<Utc>,
    /// The new grace.
    pub grace: Span,
    /// Every place of the crew, those known so far first.
    pub crew: Vec<Place>,
    /// How many places of contacts there are, those known so far first.
    pub contacts: usize,
    /// The places of the contacts who are asked from now on, in the new version's order.
    pub asked: Vec<usize>,
    /// The return time that it replaces.
    pub was_due_at: DateTime<Utc>,
    /// When the crew would have been overdue by it.
    pub was_overdue_at: DateTime<Utc>,
    /// Who is on the trip or asked now, and was not before.
    pub joined: Vec<Recipient>,
    /// Who was, and is no more.
    pub left: Vec<Recipient>,
    /// What else differs, besides the return time.
    pub parts: Vec<Part>,
}

/// A place of the crew in a new version.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Place {
    /// Not on this trip.
    Removed,
    /// On it, without an address.
    Unreached,
    /// On it, with the address that they had.
    Reached,
    /// On it, with another address than before.
    ReachedAnew,
}

/// A part of a plan that can differ between two versions.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Part {
    /// When they launch.
    Launch,
    /// Launch, points, landing, speed.
    Route,
    /// What they paddle.
    Craft,
    /// What they carry.
    Gear,
    /// What is told of somebody who is on the trip in both.
    Person,
    /// What is told of a contact who is asked in both.
    Contact,
    /// The title, the zone, or what the crew has read of the day.
    Other,
}

impl Moving {
    /// Takes the new version's people and times. It never closes a plan: that everybody who is
    /// left is ashore has to be said by whoever knows it.
    pub(super) fn amend(&mut self, to: &Amendment) -> Result<(), Refusal> {
        if self.plan.is_closed() {
            return Err(Refusal::Closed);
        }
        if to.from_round != self.plan.round {
            return Err(Refusal::MovedOn);
        }
        if to.due_at <= self.now {
            return Err(Refusal::PastReturn);
        }
        self.check_people(to)?;
        self.plan.terms.due_at = to.due_at;
        self.plan.terms.grace = to.grace;
        let mut fresh = self.place_crew(&to.crew);
        if self.plan.out().is_empty() {
            return Err(Refusal::NobodyOut);
        }
        fresh.extend(self.place_contacts(to));
        self.begin_after_change();
        self.tell_of_change(&fresh);
        self.climb();
        Ok(())
    }

    fn check_people(&self, to: &Amendment) -> Result<(), Refusal> {
        let mut asked = to.asked.clone();
        asked.sort_unstable();
        asked.dedup();
        let known = asked.len() == to.asked.len() && asked.iter().all(|&at| at < to.contacts);
        let kept = to.crew.len() >= self.plan.crew.len() && to.contacts >= self.plan.contacts.len();
        let somebody = to.crew.iter().any(|place| *place != Place::Removed) && !asked.is_empty();
        if known && kept && somebody { Ok(()) } else { Err(Refusal::Nobody) }
    }

    /// Gives the crew their places; who of them has to be told of the plan as if it were new.
    fn place_crew(&mut self, places: &[Place]) -> Vec<Recipient> {
        self.plan.crew.resize_with(places.len(), CrewState::default);
        self.plan.terms.crew.resize(places.len(), false);
        let mut fresh = Vec::new();
        for (at, place) in places.iter().enumerate() {
            let one = &mut self.plan.crew[at];
            let reached = &mut self.plan.terms.crew[at];
            if *place == Place::Removed {
                one.removed_by.get_or_insert(self.event);
                continue;
            }
            let returns = one.removed_by.take().is_some();
            if returns {
                // What was said of them before was said of another trip.
                one.words.clear();
            }
            let had = std::mem::replace(reached, *place != Place::Unreached);
            if *place == Place::ReachedAnew {
                (one.told.refused, one.told.bounced) = (false, false);
                (one.told.words_refused, one.told.of_plan) = (false, false);
            }
            if *reached && (returns || !had || *place == Place::ReachedAnew) {
                fresh.push(Recipient::Crew(at));
            }
        }
        fresh
    }

    fn place_contacts(&mut self, to: &Amendment) -> Vec<Recipient> {
        let known = self.plan.contacts.len();
        self.plan.contacts.resize_with(to.contacts, ContactState::default);
        self.plan.terms.contacts = to.contacts;
        self.plan.asked = Some(to.asked.clone());
        let mut fresh = Vec::new();
        for (at, one) in self.plan.contacts.iter_mut().enumerate() {
            if !to.asked.contains(&at) {
                one.removed_by.get_or_insert(self.event);
                one.cant_act = None;
                continue;
            }
            let returns = one.removed_by.take().is_some();
            if at >= known || returns {
                fresh.push(Recipient::Contact(at));
            }
        }
        fresh
    }

    /// A new round in which the crew has just spoken: it needs no reminder that is past, and what
    /// was done about the old times no longer counts.
    pub(super) fn begin_after_change(&mut self) {
        self.plan.phase = self.phase_by_the_clock();
        self.plan.changed_by = Some(self.event);
        self.begin_round();
        self.forget_who_acts();
        self.pass_crew_rungs();
    }

    /// `changed` to all who may know of the plan or of an alarm, but `filed` to the fresh. Whoever
    /// was taken out hears of that once, and of no change after it.
    pub(super) fn tell_of_change(&mut self, fresh: &[Recipient]) {
        for reader in self.plan.readers() {
            if fresh.contains(&reader) && !self.plan.is_spared(reader, Kind::Filed) {
                self.tell(reader, Kind::Filed);
                continue;
            }
            let left_before = self.plan.removed_by(reader).is_some_and(|by| by != self.event);
            let told = self.plan.told(reader);
            let knows = told.of_plan && reader != Recipient::Keeper;
            if !left_before && (knows || told.alerted) {
                self.tell(reader, Kind::Changed);
            }
        }
    }
}
