//! What can happen to a watched plan.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use super::amend::Amendment;
use super::letters::{Kind, Recipient};
use crate::measure::Span;

/// An event. Crew and contacts are named by their place in the plan, counted from 0.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Event {
    /// Time has passed.
    Tick,
    /// These of the crew are ashore.
    CheckedIn {
        /// Who.
        who: Vec<usize>,
        /// Who says so.
        by: By,
        /// How they know, when it is somebody else.
        how: Option<String>,
    },
    /// The return time moves later.
    Extended {
        /// By how much.
        later: Span,
        /// Who says so.
        by: By,
    },
    /// The plan is replaced by a new version of itself.
    Amended {
        /// What it is replaced by.
        to: Box<Amendment>,
        /// Who says so.
        by: By,
    },
    /// The trip is called off.
    CalledOff {
        /// Who says so.
        by: By,
    },
    /// A contact answers.
    Answered {
        /// Which contact.
        contact: usize,
        /// The name they typed.
        name: String,
        /// What they say.
        answer: Answer,
    },
    /// The keeper closes the plan by hand.
    ClosedByHand {
        /// Who does.
        by: By,
        /// Why, as typed.
        reason: String,
    },
    /// The keeper has a reader written to again, of what they ought to hold now.
    SentAgain {
        /// Whom.
        to: Recipient,
        /// Who does.
        by: By,
    },
    /// The crew is still out, and says so: where, and what they want to be known.
    StillOut {
        /// The position, as the plan file writes it.
        place: Option<String>,
        /// What they say, as typed.
        note: Option<String>,
        /// Who says so.
        by: By,
    },
    /// An answer, a check-in or a closing is taken back.
    Undone {
        /// The number of the event taken back.
        event: u32,
        /// Who says so.
        by: By,
    },
    /// A letter is about to be handed over: from now on its reader may have it.
    Handing {
        /// Who is written to.
        to: Recipient,
        /// What it is.
        kind: Kind,
    },
    /// The same of an alert that lacks what was said while it was on its way.
    HandingWithout {
        /// Who is written to.
        to: Recipient,
        /// What it is.
        kind: Kind,
    },
    /// A reader's address is refused for good.
    Refused {
        /// Whose.
        to: Recipient,
        /// The letter that was refused.
        kind: Kind,
    },
    /// A letter that a relay took came back: its reader's mailbox does not take it.
    Bounced {
        /// Whose.
        to: Recipient,
        /// The letter that came back.
        kind: Kind,
        /// Whether it may have been sent back for what stands in it, and not for its address.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        for_content: bool,
    },
    /// A relay took a letter to an address that was refused before.
    TakenAgain {
        /// Whose.
        to: Recipient,
    },
}

impl Event {
    /// Puts this name in the place of the one under which a contact spoke, if it is theirs. Nothing that
    /// the watch decides depends on a name.
    pub fn rename_contact(&mut self, contact: usize, name: &str) {
        match self {
            Event::Answered { contact: at, name: typed, .. } if *at == contact => {
                name.clone_into(typed);
            }
            Event::CheckedIn { by, .. }
            | Event::Extended { by, .. }
            | Event::Amended { by, .. }
            | Event::CalledOff { by }
            | Event::ClosedByHand { by, .. }
            | Event::SentAgain { by, .. }
            | Event::StillOut { by, .. }
            | Event::Undone { by, .. } => {
                if let By::Contact(at, typed) = by
                    && *at == contact
                {
                    name.clone_into(typed);
                }
            }
            Event::Answered { .. }
            | Event::Tick
            | Event::Handing { .. }
            | Event::HandingWithout { .. }
            | Event::Refused { .. }
            | Event::Bounced { .. }
            | Event::TakenAgain { .. } => {}
        }
    }
}

/// An event that happened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Past {
    /// Its number; filing is number 1 and stands in no history.
    pub number: u32,
    /// When it was recorded.
    pub at: DateTime<Utc>,
    /// What happened.
    pub event: Event,
}

/// Who says something.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum By {
    /// The crew, by the device or the link that filed the plan, with the name typed if any.
    Crew(Option<String>),
    /// A contact, and the name they typed.
    Contact(usize, String),
    /// The keeper of the service, by the name of their key.
    Keeper(String),
}

impl By {
    /// Whether it is the same side that speaks: the crew, one contact, or the keeper.
    #[must_use]
    pub fn is_same_speaker(&self, other: &By) -> bool {
        match (self, other) {
            (By::Crew(_), By::Crew(_)) | (By::Keeper(_), By::Keeper(_)) => true,
            (By::Contact(one, _), By::Contact(two, _)) => one == two,
            _ => false,
        }
    }
}

/// What a contact says.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Answer {
    /// I have the letter that told me of the trip.
    HaveIt,
    /// I am on it.
    OnIt,
    /// I have called a rescue service.
    Called {
        /// Which, as typed.
        service: String,
        /// When, as typed.
        when: String,
        /// Their reference, as typed.
        reference: Option<String>,
    },
    /// I can't act.
    CantAct,
    /// Never write to me again.
    Never,
}
