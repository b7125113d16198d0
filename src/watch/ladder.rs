//! The ladder: which letters go to whom, how long before and after the return time.

use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::measure::Span;

/// The rungs in the order of their time, and the spans between what follows.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Ladder {
    // Nobody outside sets these: a repeat of no time would keep the watch from ever sleeping.
    grace: Span,
    repeat: Span,
    pause: Span,
    rungs: Vec<Rung>,
}

/// One rung.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Rung {
    /// What its time is counted from.
    pub anchor: Anchor,
    /// Seconds from the anchor, negative before it; at most [`Span::LONGEST`] either way.
    pub offset_s: i64,
    /// Who is written to.
    pub to: Vec<To>,
    /// What they are told.
    pub kind: RungKind,
}

/// A moment of a plan that rungs are counted from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Anchor {
    /// The return time.
    Due,
    /// The return time and the grace.
    Overdue,
}

/// Whom a rung addresses.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum To {
    /// Everyone afloat who has an address.
    Crew,
    /// The contact of this number, counted from 1; every contact where the plan has fewer.
    Contact(usize),
    /// Every contact.
    Contacts,
    /// Who runs the service.
    Keeper,
}

/// The two halves of a ladder: each is climbed by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Track {
    /// Words to the crew, before anybody is alarmed.
    Crew,
    /// Alerts.
    Alerts,
}

/// What a rung tells, the most urgent last.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RungKind {
    /// To the crew: your return time is near.
    Reminder,
    /// To the crew: your return time has come.
    Due,
    /// To contacts: the crew is overdue.
    Overdue,
    /// To contacts: call the rescue service now.
    CallRescue,
}

/// Why rungs make no ladder.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
pub enum LadderFault {
    /// A contact would be told before the crew is overdue.
    #[error("rung {0} goes to a contact before `overdue`; nobody ashore is alarmed earlier")]
    TooEarly(usize),
    /// The ladder would end without the push to call.
    #[error("the last rung must be kind = \"call-rescue\" and go to \"contacts\"")]
    LastRung,
    /// A kind that is meant for others than it goes to.
    #[error(
        "rung {0}: `reminder` and `due` go to the crew or keeper, `overdue` and `call-rescue` to contacts or keeper"
    )]
    WrongReader(usize),
    /// A rung for nobody.
    #[error("rung {0} goes to nobody; give it to = [\"contacts\"] or another reader")]
    Nobody(usize),
    /// A rung of no trip.
    #[error("rung {0} is more than 400 days from the moment that it is counted from")]
    TooFar(usize),
    /// A repeat of no time would never stop.
    #[error("repeat must be at least 1s")]
    Repeat,
}

impl RungKind {
    /// Whether it is an alert to people ashore, not a word to the crew.
    #[must_use]
    pub fn is_alert(self) -> bool {
        matches!(self, RungKind::Overdue | RungKind::CallRescue)
    }
}

impl Ladder {
    /// A ladder of these rungs, sorted by time, or everything that is wrong with them (rungs
    /// counted from 1 in the order given).
    ///
    /// # Errors
    /// Each [`LadderFault`] found.
    pub fn new(
        mut rungs: Vec<Rung>,
        grace: Span,
        repeat: Span,
        pause: Span,
    ) -> Result<Self, Vec<LadderFault>> {
        let numbered = || rungs.iter().enumerate().map(|(at, rung)| (at + 1, rung));
        let mut faults: Vec<LadderFault> =
            numbered().flat_map(|(number, rung)| rung.faults(number, grace)).collect();
        if repeat == Span::ZERO {
            faults.push(LadderFault::Repeat);
        }
        rungs.sort_by_key(|rung| rung.after_due_s(grace));
        let ends_well = rungs.last().is_some_and(|last| {
            last.kind == RungKind::CallRescue && last.to.contains(&To::Contacts)
        });
        if !ends_well {
            faults.push(LadderFault::LastRung);
        }
        if faults.is_empty() { Ok(Ladder { grace, repeat, pause, rungs }) } else { Err(faults) }
    }

    /// From the return time to the moment at which a crew is overdue.
    #[must_use]
    pub fn grace(&self) -> Span {
        self.grace
    }

    /// From the last rung to its first repeat, and between repeats; at least a second.
    #[must_use]
    pub fn repeat(&self) -> Span {
        self.repeat
    }

    /// For how long an "I am on it" spares its contact the repeats.
    #[must_use]
    pub fn pause(&self) -> Span {
        self.pause
    }

    /// The rungs in the order of their time under the ladder's own grace.
    #[must_use]
    pub fn rungs(&self) -> &[Rung] {
        &self.rungs
    }

    /// Whether one rung says less than an alert that another is.
    pub(super) fn says_less(&self, rung: usize, than: usize) -> bool {
        let kind = |at: usize| self.rungs.get(at).map(|rung| rung.kind);
        kind(than).is_some_and(RungKind::is_alert) && kind(rung) < kind(than)
    }

    /// The rungs of one track with their numbers and their times in a plan with this return time and
    /// grace, in the order of time. The last rung stays the last, and no alert comes before the crew
    /// is overdue.
    #[must_use]
    pub fn track(
        &self,
        track: Track,
        due_at: DateTime<Utc>,
        grace: Span,
    ) -> Vec<(usize, DateTime<Utc>)> {
        // Under a plan's own grace a rung counted from the return time could fall before its
        // predecessor; it then goes with it, so that the ladder never steps down.
        let mut least_s = match track {
            Track::Alerts => i64::from(grace.seconds()),
            Track::Crew => i64::MIN,
        };
        let numbered = self.rungs.iter().enumerate();
        numbered
            .filter(|(_, rung)| rung.kind.is_alert() == (track == Track::Alerts))
            .map(|(number, rung)| {
                least_s = least_s.max(rung.after_due_s(grace));
                (number, moved(due_at, TimeDelta::seconds(least_s)))
            })
            .collect()
    }
}

/// This moment moved by so much, or the end of all time that way: no sum of times makes the watch
/// panic, and so forget every other plan.
pub(super) fn moved(at: DateTime<Utc>, by: TimeDelta) -> DateTime<Utc> {
    let end =
        if by < TimeDelta::zero() { DateTime::<Utc>::MIN_UTC } else { DateTime::<Utc>::MAX_UTC };
    at.checked_add_signed(by).unwrap_or(end)
}

impl Rung {
    fn after_due_s(&self, grace: Span) -> i64 {
        match self.anchor {
            Anchor::Due => self.offset_s,
            Anchor::Overdue => self.offset_s.saturating_add(i64::from(grace.seconds())),
        }
    }

    fn faults(&self, number: usize, grace: Span) -> Vec<LadderFault> {
        let mut faults = Vec::new();
        let to_contact = self.to.iter().any(|to| matches!(to, To::Contact(_) | To::Contacts));
        if self.offset_s.unsigned_abs() > u64::from(Span::LONGEST.seconds()) {
            faults.push(LadderFault::TooFar(number));
        }
        let early = self.after_due_s(grace) < i64::from(grace.seconds());
        if early && (to_contact || self.kind.is_alert()) {
            faults.push(LadderFault::TooEarly(number));
        }
        let to_crew = self.to.contains(&To::Crew);
        if (self.kind.is_alert() && to_crew) || (!self.kind.is_alert() && to_contact) {
            faults.push(LadderFault::WrongReader(number));
        }
        if self.to.is_empty() {
            faults.push(LadderFault::Nobody(number));
        }
        faults
    }
}
