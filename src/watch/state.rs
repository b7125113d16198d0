//! The state of a watched plan.

use std::ops::Deref;

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use super::event::By;
use super::ladder::{Ladder, To, moved};
use super::letters::{Cause, Kind, Recipient};
use super::step::Step;
use crate::measure::Span;

/// What a plan is watched by.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Terms {
    /// The return time.
    pub due_at: DateTime<Utc>,
    /// The plan's own grace, or the ladder's.
    pub grace: Span,
    /// The ladder in force when it was filed.
    pub ladder: Ladder,
    /// For each of the crew, whether letters reach them.
    pub crew: Vec<bool>,
    /// How many contacts there are.
    pub contacts: usize,
}

/// A watched plan. Everybody may read [where it stands](State), through it; only
/// [`Watched::file`] and [`step`](super::step()) make one, and whoever reads back what one of them
/// made.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Watched(State);

impl Watched {
    /// A plan filed at `now`, with the `filed` letters it owes.
    #[must_use]
    pub fn file(terms: Terms, now: DateTime<Utc>) -> Step {
        super::step::filed(State::new(terms), now)
    }

    /// A state as it comes out of a step: nobody outside can make one of a state.
    pub(super) fn from_step(state: State) -> Self {
        Watched(state)
    }
}

/// For reading alone: there is no `DerefMut`, so nobody outside moves a plan by hand.
impl Deref for Watched {
    type Target = State;

    fn deref(&self) -> &State {
        &self.0
    }
}

/// Where a watched plan stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct State {
    /// What it is watched by; an extension moves `due_at`, an amendment all but the ladder.
    pub terms: Terms,
    /// An extension, an amendment and a reopening each begin a new round.
    pub round: u32,
    /// The number of the last event; filing is number 1.
    pub events: u32,
    /// Where it stands.
    pub phase: Phase,
    /// The crew, in the plan's order. Places are for life: an amendment adds at the end and takes
    /// nobody out, so that what was said of somebody stays said of them.
    pub crew: Vec<CrewState>,
    /// The contacts, in the plan's order; their places are for life too.
    pub contacts: Vec<ContactState>,
    /// The places of the contacts who are still asked, in the order of the newest version of the
    /// plan; `None` while it has one version only, and all are asked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) asked: Option<Vec<usize>>,
    /// What the crew last said of itself while out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_word: Option<LastWord>,
    /// What the keeper may have been told.
    pub keeper: Told,
    /// The last extension or amendment.
    pub changed_by: Option<u32>,
    /// The event that last reopened it.
    pub reopened_by: Option<u32>,
    pub(super) climbed: Climbed,
}

/// What the crew said of itself while out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LastWord {
    /// When it was said.
    pub at: DateTime<Utc>,
    /// The position, as the plan file writes it.
    pub place: Option<String>,
    /// What they said, as typed.
    pub note: Option<String>,
    /// Who said it.
    pub by: By,
}

/// Where a plan stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Phase {
    /// Before the return time and its grace have passed.
    Armed,
    /// They have passed, and not everyone is ashore.
    Overdue,
    /// Everyone is ashore, the trip is called off, or the keeper has closed it.
    Closed(Closing),
}

/// How and when a plan closed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Closing {
    /// When.
    pub at: DateTime<Utc>,
    /// The event that closed it.
    pub event: u32,
    /// How.
    pub how: How,
}

/// How a plan closed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum How {
    /// The last of the crew is ashore.
    Ashore,
    /// The trip was called off.
    CalledOff,
    /// The keeper of the service closed it by hand.
    ByKeeper,
}

/// One of the crew.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct CrewState {
    /// Who says that they are ashore: the crew, each contact and the keeper, once each. They are
    /// while any of these stands.
    pub words: Vec<Ashore>,
    /// The amendment that took them off the trip.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub removed_by: Option<u32>,
    /// What they may have been told.
    pub told: Told,
}

/// A word that somebody is ashore.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Ashore {
    /// When it was said.
    pub at: DateTime<Utc>,
    /// The event that said it.
    pub event: u32,
    /// Who said it.
    pub by: By,
    /// How they know, when it is somebody else.
    pub how: Option<String>,
}

/// A contact.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ContactState {
    /// When they said that they have the letter.
    pub confirmed_at: Option<DateTime<Utc>>,
    /// "I am on it", until it runs out.
    pub on_it: Option<OnIt>,
    /// "I have called."
    pub called: Option<CalledRescue>,
    /// The event of "I can't act."
    pub cant_act: Option<u32>,
    /// The event of "never write to me again"; nothing takes it back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub opted_out: Option<u32>,
    /// The last "I am on it" that ran out.
    pub ran_out: Option<RanOut>,
    /// The amendment since which they are no longer asked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub removed_by: Option<u32>,
    /// What they may have been told.
    pub told: Told,
}

/// An "I am on it" has run out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RanOut {
    /// The event in which it ran out.
    pub event: u32,
    /// The name that was typed.
    pub name: String,
}

/// Somebody is on it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct OnIt {
    /// The event that said it.
    pub event: u32,
    /// The name typed.
    pub name: String,
    /// When it was said.
    pub at: DateTime<Utc>,
    /// When it runs out.
    pub until: DateTime<Utc>,
}

/// Somebody has called a rescue service.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CalledRescue {
    /// The event that said it.
    pub event: u32,
    /// The name typed.
    pub name: String,
    /// When it was said.
    pub at: DateTime<Utc>,
    /// Which service, as typed.
    pub service: String,
    /// When they called, as typed.
    pub when: String,
    /// The service's reference, as typed.
    pub reference: Option<String>,
}

/// What a reader may have been told: set when a letter is about to be handed over.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Told {
    /// Of the plan (`filed` or `changed`).
    pub of_plan: bool,
    /// That the crew is overdue.
    pub alerted: bool,
    /// That it is over (`home` or `stand-down`), and not withdrawn since.
    pub over: bool,
    /// The newest rung or repeat ordered for them in this round: the one that is still wanted.
    pub latest_rung: Option<Cause>,
    /// Whether it asks them to call in the contacts' stead, whatever the rung itself says.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub(super) in_their_stead: bool,
    /// Whether their address is refused for good.
    pub refused: bool,
    /// Whether a letter that a relay took came back. Until they answer, that a relay takes the next
    /// one says nothing.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub bounced: bool,
    /// Whether one came back for what stands in it, it may be for something that somebody typed:
    /// theirs go in words of ours alone, as long as their address stays. That they answer says only
    /// that those arrive.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub words_refused: bool,
    /// Which letter last told them of the plan: `filed` or `changed`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plan_letter: Option<Kind>,
    /// The reopening of which they are told by `withdrawn`, the last of those: of a later one they are not told
    /// where they never heard of the end in between.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub withdrawn: Option<u32>,
    /// The event by which a letter was last sent to them again.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub again: Option<u32>,
}

/// How far up the ladder this round has come.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Climbed {
    /// How many rungs to the crew are behind us.
    pub(super) crew_rungs: usize,
    /// How many alert rungs are behind us, and when the last of them went.
    pub(super) alert_rungs: usize,
    pub(super) alerted_at: Option<DateTime<Utc>>,
    /// How many repeats of the last rung have gone.
    #[serde(rename = "calls")]
    pub(super) repeats: u32,
    /// Whether crew and keeper are asked to call again before the next repeat is due.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub(super) asks_again: bool,
}

impl CrewState {
    /// The first word that stands of their being ashore; `None` while they are out.
    #[must_use]
    pub fn ashore(&self) -> Option<&Ashore> {
        self.words.first()
    }
}

impl State {
    fn new(terms: Terms) -> Self {
        let crew = terms.crew.iter().map(|_| CrewState::default()).collect();
        let contacts = (0..terms.contacts).map(|_| ContactState::default()).collect();
        State {
            terms,
            round: 1,
            events: 1,
            phase: Phase::Armed,
            crew,
            contacts,
            asked: None,
            last_word: None,
            keeper: Told::default(),
            changed_by: None,
            reopened_by: None,
            climbed: Climbed::default(),
        }
    }

    /// When the crew is overdue: the return time and the grace.
    #[must_use]
    pub fn overdue_at(&self) -> DateTime<Utc> {
        moved(self.terms.due_at, self.terms.grace.delta())
    }

    /// Those of the crew who are not ashore, by their place in the plan.
    #[must_use]
    pub fn out(&self) -> Vec<usize> {
        if self.is_closed() {
            return Vec::new();
        }
        self.on_trip().into_iter().filter(|&at| self.crew[at].ashore().is_none()).collect()
    }

    /// When the last of those on the trip was said to be ashore; `None` while anybody is not.
    pub(super) fn all_ashore_at(&self) -> Option<DateTime<Utc>> {
        let ashore = |at: usize| self.crew.get(at)?.ashore().map(|word| word.at);
        let each: Option<Vec<_>> = self.on_trip().into_iter().map(ashore).collect();
        each?.into_iter().max()
    }

    /// Whether this place of the crew is on the trip: there, and not taken off by an amendment.
    #[must_use]
    pub fn is_on_trip(&self, crew: usize) -> bool {
        self.crew.get(crew).is_some_and(|one| one.removed_by.is_none())
    }

    /// The places of the crew who are on the trip.
    #[must_use]
    pub fn on_trip(&self) -> Vec<usize> {
        (0..self.crew.len()).filter(|&at| self.is_on_trip(at)).collect()
    }

    /// Whether this contact is still asked: there, and not taken out by an amendment.
    #[must_use]
    pub fn is_asked(&self, contact: usize) -> bool {
        self.contacts.get(contact).is_some_and(|one| one.removed_by.is_none())
    }

    /// The places of the contacts who are still asked, in the order of the newest version of the
    /// plan: that is how a rung counts them.
    #[must_use]
    pub fn asked(&self) -> Vec<usize> {
        let all = || (0..self.contacts.len()).collect();
        self.asked.clone().unwrap_or_else(all)
    }

    /// Whether an amendment has taken this reader out, and which.
    #[must_use]
    pub fn removed_by(&self, reader: Recipient) -> Option<u32> {
        match reader {
            Recipient::Crew(at) => self.crew.get(at)?.removed_by,
            Recipient::Contact(at) => self.contacts.get(at)?.removed_by,
            Recipient::Keeper => None,
        }
    }

    /// How and when it closed; `None` while it is open.
    #[must_use]
    pub fn closing(&self) -> Option<Closing> {
        match self.phase {
            Phase::Closed(closing) => Some(closing),
            Phase::Armed | Phase::Overdue => None,
        }
    }

    /// Whether it has closed.
    #[must_use]
    pub fn is_closed(&self) -> bool {
        self.closing().is_some()
    }

    /// What this reader may have been told.
    #[must_use]
    pub fn told(&self, reader: Recipient) -> Told {
        match reader {
            Recipient::Crew(at) => self.crew.get(at).map(|one| one.told.clone()),
            Recipient::Contact(at) => self.contacts.get(at).map(|one| one.told.clone()),
            Recipient::Keeper => Some(self.keeper.clone()),
        }
        .unwrap_or_default()
    }

    pub(super) fn told_mut(&mut self, reader: Recipient) -> Option<&mut Told> {
        match reader {
            Recipient::Crew(at) => self.crew.get_mut(at).map(|one| &mut one.told),
            Recipient::Contact(at) => self.contacts.get_mut(at).map(|one| &mut one.told),
            Recipient::Keeper => Some(&mut self.keeper),
        }
    }

    /// The crew on the trip whom letters reach.
    pub(super) fn crew_readers(&self) -> Vec<Recipient> {
        self.reached().filter(|&at| self.is_on_trip(at)).map(Recipient::Crew).collect()
    }

    /// The contacts who are asked.
    pub(super) fn contact_readers(&self) -> Vec<Recipient> {
        self.asked().into_iter().map(Recipient::Contact).collect()
    }

    /// Everybody a letter can reach, those too who were taken out: they may be owed a last word.
    pub(super) fn readers(&self) -> Vec<Recipient> {
        let mut readers: Vec<Recipient> = self.reached().map(Recipient::Crew).collect();
        readers.extend((0..self.contacts.len()).map(Recipient::Contact));
        readers.push(Recipient::Keeper);
        readers
    }

    fn reached(&self) -> impl Iterator<Item = usize> {
        self.terms.crew.iter().enumerate().filter(|(_, reached)| **reached).map(|(at, _)| at)
    }

    /// The readers whom a rung means. A contact whom the plan lacks stands for all of them.
    pub(super) fn resolve(&self, to: &[To]) -> Vec<Recipient> {
        let asked = self.asked();
        let contact = |number: usize| number.checked_sub(1).and_then(|at| asked.get(at));
        let mut readers: Vec<Recipient> = to
            .iter()
            .flat_map(|to| match *to {
                To::Crew => self.crew_readers(),
                To::Contact(number) => match contact(number) {
                    Some(&at) => vec![Recipient::Contact(at)],
                    None => self.contact_readers(),
                },
                To::Contacts => self.contact_readers(),
                To::Keeper => vec![Recipient::Keeper],
            })
            .collect();
        readers.sort();
        readers.dedup();
        readers
    }

    /// Whether a contact can't be reached or can't act, or is not asked any more. One who has called
    /// since the return time is left though no letter reaches them; one who is only on it is not, for
    /// `call-rescue` would reach nobody until that runs out.
    pub(super) fn is_out_of_reach(&self, contact: usize) -> bool {
        let due_at = self.terms.due_at;
        self.contacts.get(contact).is_none_or(|one| {
            let unreached =
                one.told.refused && one.called.as_ref().is_none_or(|call| call.at < due_at);
            let cant_act = one.cant_act.is_some() || one.opted_out.is_some();
            one.removed_by.is_some() || cant_act || unreached
        })
    }

    /// Whether a letter of this kind is spared a contact who wants none. Two kinds are not: one
    /// that corrects an alert which they had, and, while nobody else is left who can be reached and
    /// act, the alert itself: a life stands against a letter.
    pub(super) fn is_spared(&self, reader: Recipient, kind: Kind) -> bool {
        let Recipient::Contact(at) = reader else { return false };
        let Some(one) = self.contacts.get(at).filter(|one| one.opted_out.is_some()) else {
            return false;
        };
        match kind {
            Kind::Overdue | Kind::CallRescue => !self.nobody_left(),
            Kind::Changed | Kind::StandDown | Kind::Withdrawn => !one.told.alerted,
            _ => true,
        }
    }

    /// Whether no contact is left who can be reached and act.
    #[must_use]
    pub fn nobody_left(&self) -> bool {
        self.in_reach() == 0
    }

    /// How many contacts can be reached and act.
    pub(super) fn in_reach(&self) -> usize {
        (0..self.contacts.len()).filter(|&contact| !self.is_out_of_reach(contact)).count()
    }
}
