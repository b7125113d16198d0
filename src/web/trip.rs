//! Where a trip stands, in the words that stand first on every page about it.

use chrono::{DateTime, Utc};

use super::said::{self, crew_names};
use super::words::{first_name, from_now};
use crate::daemon::{Daemon, Dossier, PlanStatus};
use crate::letter::answers::{CANT_ACT, Standing, WANTS_NO_LETTERS, standing};
use crate::letter::{Brief, Clock, crew_brief};
use crate::store::LetterState;
use crate::watch::{Closing, ContactState, How, Kind, Phase, Recipient};

/// A trip as a page's head shows it.
pub(super) struct Trip {
    pub(super) plan_ref: String,
    pub(super) title: String,
    pub(super) stage: Stage,
    pub(super) crew: String,
    /// Those whom an amendment took off the trip.
    pub(super) removed: String,
    /// Why the keeper closed it.
    pub(super) reason: String,
    pub(super) out: String,
    pub(super) out_count: usize,
    pub(super) ashore: Vec<String>,
    pub(super) due: String,
    pub(super) due_in: String,
    pub(super) overdue: String,
    pub(super) overdue_in: String,
    pub(super) closed_at: String,
    pub(super) as_of: String,
}

/// How far a trip has come.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Stage {
    /// Before its return time.
    Out,
    /// Between the return time and the end of the grace.
    Late,
    /// Past both.
    Overdue,
    Ashore,
    CalledOff,
    /// By the keeper.
    Closed,
}

impl Stage {
    pub(super) fn of(dossier: &Dossier, now: DateTime<Utc>) -> Self {
        let state = &dossier.record.state;
        match state.phase {
            Phase::Closed(Closing { how: How::CalledOff, .. }) => Stage::CalledOff,
            Phase::Closed(Closing { how: How::ByKeeper, .. }) => Stage::Closed,
            Phase::Closed(_) => Stage::Ashore,
            Phase::Overdue => Stage::Overdue,
            Phase::Armed if now >= state.overdue_at() => Stage::Overdue,
            Phase::Armed if now >= state.terms.due_at => Stage::Late,
            Phase::Armed => Stage::Out,
        }
    }

    pub(super) fn is_open(self) -> bool {
        !matches!(self, Stage::Ashore | Stage::CalledOff | Stage::Closed)
    }
}

impl Trip {
    pub(super) fn of(dossier: &Dossier, now: DateTime<Utc>) -> Self {
        let state = &dossier.record.state;
        let clock = Clock::new(dossier.plan.times.zone);
        let out = state.out();
        let everybody = state.on_trip();
        let all = 0..dossier.plan.crew.len();
        let removed: Vec<usize> = all.filter(|&at| !state.is_on_trip(at)).collect();
        let closed_at = match state.phase {
            Phase::Closed(closing) => clock.full(closing.at),
            Phase::Armed | Phase::Overdue => String::new(),
        };
        Trip {
            plan_ref: dossier.record.plan_ref.clone(),
            title: dossier.plan.title.clone().unwrap_or_default(),
            stage: Stage::of(dossier, now),
            crew: crew_names(dossier, &everybody),
            removed: crew_names(dossier, &removed),
            reason: said::closing_reason(dossier).unwrap_or_default(),
            out: crew_names(dossier, &out),
            out_count: out.len(),
            ashore: ashore(dossier, clock),
            due: clock.full(state.terms.due_at),
            due_in: from_now(state.terms.due_at, now),
            overdue: clock.full(state.overdue_at()),
            overdue_in: from_now(state.overdue_at(), now),
            closed_at,
            as_of: clock.time(now),
        }
    }

    pub(super) fn is_open(&self) -> bool {
        self.stage.is_open()
    }

    pub(super) fn is_late(&self) -> bool {
        self.stage == Stage::Late
    }

    pub(super) fn is_overdue(&self) -> bool {
        self.stage == Stage::Overdue
    }

    pub(super) fn is_closed_by_keeper(&self) -> bool {
        self.stage == Stage::Closed
    }

    pub(super) fn is_called_off(&self) -> bool {
        self.stage == Stage::CalledOff
    }

    /// `is` or `are`, by how many are out.
    pub(super) fn are(&self) -> &'static str {
        if self.out_count == 1 { "is" } else { "are" }
    }

    pub(super) fn people(&self) -> String {
        if self.out_count == 1 {
            "1 person".to_owned()
        } else {
            format!("{} people", self.out_count)
        }
    }

    pub(super) fn tone(&self) -> &'static str {
        match self.stage {
            Stage::Out => "watched",
            Stage::Late => "wait",
            Stage::Overdue => "alarm",
            Stage::Ashore | Stage::CalledOff | Stage::Closed => "over",
        }
    }
}

fn ashore(dossier: &Dossier, clock: Clock) -> Vec<String> {
    let crew = dossier.plan.crew.iter().zip(&dossier.record.state.crew);
    crew.filter_map(|(one, state)| {
        let ashore = state.ashore().filter(|_| state.removed_by.is_none())?;
        Some(format!("{} is ashore, as we were told at {}.", one.name, clock.time(ashore.at)))
    })
    .collect()
}

/// What each contact was sent and has answered, by first name; `me` marks the reader's own line.
pub(super) fn contacts(status: &PlanStatus, me: Option<usize>) -> Vec<(String, String)> {
    let contacts = status.plan.contacts.iter().zip(&status.state.contacts).enumerate();
    contacts
        .map(|(at, (contact, state))| {
            let you = if me == Some(at) { " (you)" } else { "" };
            let mut told = [vec![sent(status, at, state)], answers(status, state)].concat();
            if state.removed_by.is_some() {
                told.insert(0, "no longer asked".to_owned());
            }
            (format!("{}{you}", first_name(&contact.name)), told.join("; "))
        })
        .collect()
}

/// Handed over and seen are different things, and are never merged.
fn sent(status: &PlanStatus, contact: usize, state: &ContactState) -> String {
    let clock = Clock::new(status.plan.times.zone);
    if state.told.refused {
        return "REFUSED: their mail service takes no letter for this address".to_owned();
    }
    let reader = Recipient::Contact(contact);
    let handed =
        status.letters.iter().rfind(|one| one.to == reader && one.state == LetterState::Handed);
    let last = handed.map_or("no letter has left for them yet".to_owned(), |one| {
        let what = match one.kind {
            Kind::Overdue | Kind::CallRescue => "an alert",
            Kind::Filed => "the plan",
            Kind::Changed => "our letter of the change",
            _ => "our last letter",
        };
        let at = one.settled_at.map(|at| format!(" at {}", clock.time(at))).unwrap_or_default();
        format!("{what} was handed over to their mail service{at}")
    });
    match state.confirmed_at {
        Some(at) => format!("{last}; has said at {} that they have it", clock.time(at)),
        None if handed.is_some() => format!("{last}; they have not said that they have it"),
        None => last,
    }
}

fn answers(status: &PlanStatus, state: &ContactState) -> Vec<String> {
    let clock = Clock::new(status.plan.times.zone);
    let wrote = |name: &str, at| format!("{} wrote at {}", first_name(name), clock.time(at));
    standing(state)
        .into_iter()
        .map(|one| match one {
            Standing::Called(called) => {
                format!("{}: has called {}", wrote(&called.name, called.at), called.service)
            }
            Standing::OnIt(on_it) => {
                let until = clock.time(on_it.until);
                format!("{}: is on it, until {until}", wrote(&on_it.name, on_it.at))
            }
            Standing::CantAct => CANT_ACT.to_owned(),
            Standing::WantsNoLetters => WANTS_NO_LETTERS.to_owned(),
            Standing::RanOut(one) => format!("{} was on it; that ran out", first_name(&one.name)),
        })
        .collect()
}

/// The whole plan as the crew reads it. What a rescuer must know of its health stands in it once the
/// crew is overdue, `by_filer` on the device that filed, and else never.
pub(super) fn crews_plan(
    daemon: &Daemon,
    dossier: &Dossier,
    by_filer: bool,
    now: DateTime<Utc>,
) -> Brief {
    crew_brief(&daemon.facts(dossier, None, now), by_filer, now)
}
