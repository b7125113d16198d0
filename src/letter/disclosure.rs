//! How much of a plan its reader may see: decided here and nowhere else.

use chrono::{DateTime, Utc};

use crate::plan::CrewMember;
use crate::watch::{Kind, Phase, Watched};

/// How much of a plan its reader may see.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Disclosure {
    /// While nobody is missing: nothing of anybody's health.
    WithoutHealth,
    /// All that a rescuer must know: health too, the conditions now, and what was done so far.
    ForRescue,
}

impl Disclosure {
    /// For a page that is read at `now`.
    pub(super) fn of_page(watched: &Watched, now: DateTime<Utc>) -> Self {
        match watched.phase {
            Phase::Overdue => Disclosure::ForRescue,
            Phase::Armed if now >= watched.overdue_at() => Disclosure::ForRescue,
            Phase::Armed | Phase::Closed(_) => Disclosure::WithoutHealth,
        }
    }

    /// For a letter of this kind.
    pub(super) fn of_letter(kind: Kind) -> Self {
        if kind.is_alert() { Disclosure::ForRescue } else { Disclosure::WithoutHealth }
    }

    pub(super) fn is_for_rescue(self) -> bool {
        self == Disclosure::ForRescue
    }

    /// What is told of somebody's health.
    pub(super) fn medical_of(self, one: &CrewMember) -> Option<&String> {
        one.medical.as_ref().filter(|_| self.is_for_rescue())
    }
}
