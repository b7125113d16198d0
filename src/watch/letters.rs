//! The letters a plan owes: their kinds, readers and keys, and whether one is still wanted.

use std::fmt;
use std::str::FromStr;

use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};

use super::ladder::{RungKind, moved};
use super::state::{Closing, ContactState, State, Watched};

/// What a letter is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// A plan is armed.
    Filed,
    /// It was extended or amended.
    Changed,
    /// To the crew: the return time is near.
    Reminder,
    /// To the crew: the return time has come.
    Due,
    /// The crew is overdue.
    Overdue,
    /// Call the rescue service now.
    CallRescue,
    /// It is over, and this reader was never alarmed.
    Home,
    /// It is over, and this reader may have been alarmed.
    StandDown,
    /// A closing was undone.
    Withdrawn,
    /// Somebody answered, an answer fell away, one of the crew is ashore.
    News,
    /// To the keeper: something that could stop an alert.
    Trouble,
    /// Before any trip, and once: is this address the contact's, and are they willing?
    Confirm,
    /// An exercise, by the keeper's word.
    Drill,
}

/// How a letter must be handed over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Urgency {
    /// Marked as of high importance, and by places that are kept for such alone.
    Alert,
    /// Any other, where there is room.
    Ordinary,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Kind; 13] = [
        Kind::Filed,
        Kind::Changed,
        Kind::Reminder,
        Kind::Due,
        Kind::Overdue,
        Kind::CallRescue,
        Kind::Home,
        Kind::StandDown,
        Kind::Withdrawn,
        Kind::News,
        Kind::Trouble,
        Kind::Confirm,
        Kind::Drill,
    ];

    /// Whether it alarms its reader.
    #[must_use]
    pub fn is_alert(self) -> bool {
        matches!(self, Kind::Overdue | Kind::CallRescue)
    }

    /// How it must be handed over.
    #[must_use]
    pub fn urgency(self) -> Urgency {
        if self.is_alert() { Urgency::Alert } else { Urgency::Ordinary }
    }

    /// Whether it may wait while fewer letters are to be sent. Not so alerts, nor the few on which
    /// somebody acts at once: a reminder that comes late is an alert for nothing, and whoever was
    /// alarmed searches until they hear.
    #[must_use]
    pub fn can_wait(self) -> bool {
        match self {
            Kind::Reminder
            | Kind::Due
            | Kind::Overdue
            | Kind::CallRescue
            | Kind::StandDown
            | Kind::Withdrawn => false,
            Kind::Filed
            | Kind::Changed
            | Kind::Home
            | Kind::News
            | Kind::Trouble
            | Kind::Confirm
            | Kind::Drill => true,
        }
    }

    /// Whether it is one of the ladder's.
    #[must_use]
    pub fn is_rung(self) -> bool {
        matches!(self, Kind::Reminder | Kind::Due) || self.is_alert()
    }

    /// Its name on the outside: `call-rescue`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Kind::Filed => "filed",
            Kind::Changed => "changed",
            Kind::Reminder => "reminder",
            Kind::Due => "due",
            Kind::Overdue => "overdue",
            Kind::CallRescue => "call-rescue",
            Kind::Home => "home",
            Kind::StandDown => "stand-down",
            Kind::Withdrawn => "withdrawn",
            Kind::News => "news",
            Kind::Trouble => "trouble",
            Kind::Confirm => "confirm",
            Kind::Drill => "drill",
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(self.name())
    }
}

impl FromStr for Kind {
    type Err = ();

    fn from_str(text: &str) -> Result<Self, ()> {
        Kind::ALL.into_iter().find(|kind| kind.name() == text).ok_or(())
    }
}

impl From<RungKind> for Kind {
    fn from(kind: RungKind) -> Kind {
        match kind {
            RungKind::Reminder => Kind::Reminder,
            RungKind::Due => Kind::Due,
            RungKind::Overdue => Kind::Overdue,
            RungKind::CallRescue => Kind::CallRescue,
        }
    }
}

/// One reader; crew and contacts by their place in the plan, counted from 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Recipient {
    /// One of the crew.
    Crew(usize),
    /// A contact ashore.
    Contact(usize),
    /// Who runs the service.
    Keeper,
}

impl fmt::Display for Recipient {
    /// `crew:1`, `contact:2` (counted from 1), `keeper`.
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Recipient::Crew(at) => write!(out, "crew:{}", at + 1),
            Recipient::Contact(at) => write!(out, "contact:{}", at + 1),
            Recipient::Keeper => out.write_str("keeper"),
        }
    }
}

impl FromStr for Recipient {
    type Err = ();

    fn from_str(text: &str) -> Result<Self, ()> {
        if text == "keeper" {
            return Ok(Recipient::Keeper);
        }
        let (role, number) = text.split_once(':').ok_or(())?;
        let number: usize = number.parse().map_err(|_| ())?;
        let at = number.checked_sub(1).ok_or(())?;
        match role {
            "crew" => Ok(Recipient::Crew(at)),
            "contact" => Ok(Recipient::Contact(at)),
            _ => Err(()),
        }
    }
}

/// Why a letter is owed; within a round, no cause owes one reader the same kind twice.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// A rung, by its place in the ladder.
    Rung(usize),
    /// A repeat of the last rung, counted from 1; `call` on the outside.
    #[serde(rename = "call")]
    Repeat(u32),
    /// An event, by its number.
    Event(u32),
}

impl fmt::Display for Cause {
    /// `rung:0`, `call:1`, `event:7`.
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Cause::Rung(at) => write!(out, "rung:{at}"),
            Cause::Repeat(number) => write!(out, "call:{number}"),
            Cause::Event(number) => write!(out, "event:{number}"),
        }
    }
}

impl FromStr for Cause {
    type Err = ();

    fn from_str(text: &str) -> Result<Self, ()> {
        let (name, number) = text.split_once(':').ok_or(())?;
        match name {
            "rung" => number.parse().map(Cause::Rung).map_err(|_| ()),
            "call" => number.parse().map(Cause::Repeat).map_err(|_| ()),
            "event" => number.parse().map(Cause::Event).map_err(|_| ()),
            _ => Err(()),
        }
    }
}

/// A letter owed. With the plan's ref, all but `scheduled_at` is its key.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Order {
    /// The plan's round: an extension, an amendment and a reopening each begin a new one.
    pub round: u32,
    /// Why it is owed.
    pub cause: Cause,
    /// Who is written to.
    pub to: Recipient,
    /// What it is.
    pub kind: Kind,
    /// When it should have been ordered; earlier than now after an outage.
    pub scheduled_at: DateTime<Utc>,
}

/// How long after a closing its letters are still tried.
const AFTER_CLOSING: TimeDelta = TimeDelta::hours(24);

/// The last look before a letter leaves: whether the plan, as it now stands, still owes it.
#[must_use]
pub fn wanted(plan: &Watched, letter: &Order, now: DateTime<Utc>) -> bool {
    if retry_until(plan).is_some_and(|until| now > until) {
        return false;
    }
    if plan.is_spared(letter.to, letter.kind) {
        return false;
    }
    let open = !plan.is_closed();
    let removed_by = plan.removed_by(letter.to);
    let is_by = |event: u32| letter.cause == Cause::Event(event);
    let again = plan.told(letter.to).again.is_some_and(is_by);
    match letter.kind {
        Kind::Filed | Kind::Confirm | Kind::Drill => open && removed_by.is_none(),
        // An older rung gives way to the newer one to the same reader.
        Kind::Reminder | Kind::Due | Kind::Overdue | Kind::CallRescue => {
            open && removed_by.is_none()
                && letter.round == plan.round
                && plan
                    .told(letter.to)
                    .latest_rung
                    .is_none_or(|latest| latest == letter.cause || again)
        }
        // Whoever was taken out hears of that, and of no change after it.
        Kind::Changed => again || removed_by.or(plan.changed_by).is_none_or(is_by),
        Kind::Home | Kind::StandDown => {
            plan.closing().is_some_and(|closing| again || is_by(closing.event))
        }
        // A relay may have put it off while the trip was ended and opened once more.
        Kind::Withdrawn => {
            let is_last = plan.told(letter.to).withdrawn.is_some_and(is_by);
            open && (is_last || plan.reopened_by.is_none_or(is_by))
        }
        // It is written from the plan as it stands, which is no longer theirs to read. And whoever is
        // stood down would read as a new alarm what was said before.
        Kind::News => {
            let is_past = |end: Closing| letter.cause < Cause::Event(end.event);
            let is_over = plan.closing().is_some_and(is_past);
            removed_by.is_none() && !(is_over && matches!(letter.to, Recipient::Contact(_)))
        }
        Kind::Trouble => true,
    }
}

impl State {
    /// Whether a letter written from this state says what is so in the other: the same times,
    /// the same people out, the same answers, the same contacts whom no letter reaches. What was
    /// handed over to whom may differ.
    #[must_use]
    pub fn tells_the_same(&self, other: &State) -> bool {
        let crew = |plan: &State| plan.crew.iter().map(|one| one.words.clone()).collect::<Vec<_>>();
        let answers = |plan: &State| {
            let of = |one: &ContactState| {
                let acts = (one.on_it.clone(), one.called.clone());
                (acts, one.cant_act, one.opted_out, one.confirmed_at)
            };
            plan.contacts.iter().map(of).collect::<Vec<_>>()
        };
        self.differs_in_words_alone(other)
            && self.last_word == other.last_word
            && crew(self) == crew(other)
            && answers(self) == answers(other)
    }

    /// Whether what was said is all that a letter written from this state may lack: the times, the
    /// people out and the contacts whom no letter reaches are the same in the other.
    #[must_use]
    pub fn differs_in_words_alone(&self, other: &State) -> bool {
        let refused =
            |plan: &State| plan.contacts.iter().map(|one| one.told.refused).collect::<Vec<_>>();
        self.terms == other.terms
            && self.round == other.round
            && self.phase == other.phase
            && self.out() == other.out()
            && refused(self) == refused(other)
    }
}

/// Until when a plan's letters are tried again: without end while it is open, for 24 h after it
/// closed.
#[must_use]
pub fn retry_until(plan: &Watched) -> Option<DateTime<Utc>> {
    plan.closing().map(|closing| moved(closing.at, AFTER_CLOSING))
}
