//! Where a trip stands, in the words that stand first on every page about it.

use chrono::{DateTime, Utc};

use super::said::crew_names;
use super::words::{first_name, from_now};
use crate::daemon::{Daemon, Dossier};
use crate::letter::{Brief, Clock, brief};
use crate::watch::{ContactState, How, Phase};

/// A trip as a page's head shows it.
pub(super) struct Trip {
    pub(super) plan_ref: String,
    pub(super) title: String,
    pub(super) stage: Stage,
    pub(super) crew: String,
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
}

impl Stage {
    pub(super) fn of(dossier: &Dossier, now: DateTime<Utc>) -> Self {
        let state = &dossier.record.state;
        match state.phase {
            Phase::Closed(closing) if closing.how == How::CalledOff => Stage::CalledOff,
            Phase::Closed(_) => Stage::Ashore,
            Phase::Overdue => Stage::Overdue,
            Phase::Armed if now >= state.overdue_at() => Stage::Overdue,
            Phase::Armed if now >= state.terms.due_at => Stage::Late,
            Phase::Armed => Stage::Out,
        }
    }

    pub(super) fn is_open(self) -> bool {
        !matches!(self, Stage::Ashore | Stage::CalledOff)
    }
}

impl Trip {
    pub(super) fn of(dossier: &Dossier, now: DateTime<Utc>) -> Self {
        let state = &dossier.record.state;
        let clock = Clock::new(dossier.plan.times.zone);
        let out = state.out();
        let everybody: Vec<usize> = (0..dossier.plan.crew.len()).collect();
        let closed_at = match state.phase {
            Phase::Closed(closing) => clock.full(closing.at),
            Phase::Armed | Phase::Overdue => String::new(),
        };
        Trip {
            plan_ref: dossier.record.plan_ref.clone(),
            title: dossier.plan.title.clone().unwrap_or_default(),
            stage: Stage::of(dossier, now),
            crew: crew_names(dossier, &everybody),
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
            Stage::Ashore | Stage::CalledOff => "over",
        }
    }
}

fn ashore(dossier: &Dossier, clock: Clock) -> Vec<String> {
    let crew = dossier.plan.crew.iter().zip(&dossier.record.state.crew);
    crew.filter_map(|(one, state)| {
        let ashore = state.ashore.as_ref()?;
        Some(format!("{} is ashore, as we were told at {}.", one.name, clock.time(ashore.at)))
    })
    .collect()
}

/// What each contact was sent and has answered, by first name; `me` marks the reader's own line.
pub(super) fn contacts(dossier: &Dossier, me: Option<usize>) -> Vec<(String, String)> {
    let clock = Clock::new(dossier.plan.times.zone);
    let contacts = dossier.plan.contacts.iter().zip(&dossier.record.state.contacts).enumerate();
    contacts
        .map(|(at, (contact, state))| {
            let you = if me == Some(at) { " (you)" } else { "" };
            (format!("{}{you}", first_name(&contact.name)), fate(state, clock))
        })
        .collect()
}

fn fate(state: &ContactState, clock: Clock) -> String {
    let mut told = vec![match (&state.told, state.confirmed_at) {
        (told, _) if told.refused => "our letters don't reach this address".to_owned(),
        (_, Some(at)) => format!("has had our letter, and said so at {}", clock.time(at)),
        (told, None) if told.alerted => "an alert has left for them".to_owned(),
        (told, None) if told.of_plan => {
            "the plan has left for them; they have not said that they have it".to_owned()
        }
        (_, None) => "no letter has left for them yet".to_owned(),
    }];
    if let Some(called) = &state.called {
        told.push(format!(
            "{} wrote at {}: has called {}",
            first_name(&called.name),
            clock.time(called.at),
            called.service
        ));
    }
    if let Some(on_it) = &state.on_it {
        told.push(format!(
            "{} wrote at {}: is on it, until {}",
            first_name(&on_it.name),
            clock.time(on_it.at),
            clock.time(on_it.until)
        ));
    }
    if state.cant_act.is_some() {
        told.push("can't act".to_owned());
    }
    if let Some(ran_out) = state.ran_out.as_ref().filter(|_| state.on_it.is_none()) {
        told.push(format!("{} was on it; that has run out", first_name(&ran_out.name)));
    }
    told.join("; ")
}

/// The whole plan. What a rescuer must know of the crew's health stands in it once the crew is
/// overdue, and at no other time.
pub(super) fn whole_plan(daemon: &Daemon, dossier: &Dossier, now: DateTime<Utc>) -> Brief {
    let with_medical = Stage::of(dossier, now) == Stage::Overdue;
    brief(&daemon.facts(dossier, None, now), with_medical)
}
