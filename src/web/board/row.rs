//! What the board says of one plan.

use chrono::{DateTime, Utc};

use crate::daemon::{Daemon, PlanStatus};
use crate::letter::Clock;
use crate::review::Review;
use crate::store::{LetterState, StoreError, guarded_over};
use crate::watch::Phase;
use crate::web::words::{first_name, from_now, list, sentence};

/// The longest names on the board: a row stays a row.
const LONGEST: usize = 120;

/// A plan on the board.
pub(super) struct Row {
    pub(super) tone: &'static str,
    pub(super) head: String,
    pub(super) when: String,
    pub(super) contacts: String,
    pub(super) letters: String,
    pub(super) readings: String,
}

impl Row {
    pub(super) fn of(daemon: &Daemon, status: &PlanStatus, review: Option<&Review>) -> Self {
        let (now, clock) = (daemon.now(), Clock::new(status.plan.times.zone));
        let (due_at, overdue_at) = (status.state.terms.due_at, status.state.overdue_at());
        let overdue = status.state.phase == Phase::Overdue || now >= overdue_at;
        let late = now >= due_at;
        let (tone, word) = match (overdue, late) {
            (true, _) => ("danger", "OVERDUE"),
            (false, true) => ("warning", "Late"),
            (false, false) => ("", "Out"),
        };
        Row {
            tone,
            head: format!("{word}: {} ({})", cut(&list(&status.out())), status.plan_ref),
            when: format!(
                "Back by {}, {}. Contacts are told {}.",
                clock.full(due_at),
                from_now(due_at, now),
                from_now(overdue_at, now)
            ),
            contacts: contacts(status),
            letters: letters(status),
            readings: review.map_or_else(String::new, |review| readings(review, now)),
        }
    }

    pub(super) fn unread(plan_ref: &str, error: &StoreError) -> Self {
        let told = "The watch leaves it alone; its contacts get plain letters.".to_owned();
        Row { contacts: told, ..Row::unshown(plan_ref, error) }
    }

    /// A row over which the program may fail: it hides no other.
    pub(super) fn at_any_rate(plan_ref: &str, row: impl FnOnce() -> Row) -> Self {
        guarded_over(plan_ref, || Ok(row())).unwrap_or_else(|error| Row::unshown(plan_ref, &error))
    }

    /// A plan that may be watched as it should be, though its row can't be written.
    fn unshown(plan_ref: &str, error: &StoreError) -> Self {
        let (contacts, letters, readings) = Default::default();
        let head = format!("CAN'T BE READ: {plan_ref}");
        Row { tone: "danger", head, when: cut(&error.to_string()), contacts, letters, readings }
    }
}

fn contacts(status: &PlanStatus) -> String {
    let asked = status.contacts().into_iter().filter(|one| !one.removed);
    let told = asked.map(|one| format!("{}: {}", first_name(&one.name), one.word()));
    cut(&told.collect::<Vec<_>>().join("; "))
}

/// The water and the wind that the plan was last judged by, and how old they are now. What is not
/// known is told as such: it counts as the worst.
fn readings(review: &Review, now: DateTime<Utc>) -> String {
    let aged = |at: Option<DateTime<Utc>>| match at {
        Some(at) => format!("taken {}", from_now(at, now)),
        None => "age not told".to_owned(),
    };
    let (water, wind) = (&review.water, &review.water.wind);
    let water = water.temperature_c.map_or_else(
        || "water unknown".to_owned(),
        |degrees| {
            let source = water.source.as_deref().unwrap_or("from nobody who is named");
            let taken = aged(water.taken_at.map(|at| at.to_utc()));
            format!("water {degrees:.1} °C, {taken}, {source}")
        },
    );
    let wind = wind.as_ref().map_or_else(
        || "wind unknown".to_owned(),
        |wind| format!("wind {:.0} kn, {}, {}", wind.speed_kn, aged(wind.taken_at), wind.source),
    );
    let judged = from_now(review.reviewed_at.to_utc(), now);
    format!("Judged {judged}. {}. {}.", cut(&sentence(&water)), cut(&sentence(&wind)))
}

fn letters(status: &PlanStatus) -> String {
    let count = |state| status.letters.iter().filter(|letter| letter.state == state).count();
    let told = [
        (LetterState::Queued, "queued"),
        (LetterState::Sending, "on the way"),
        (LetterState::Handed, "handed over"),
        (LetterState::Refused, "REFUSED"),
    ];
    let told = told.into_iter().map(|(state, word)| (count(state), word));
    let told: Vec<String> = told
        .filter(|(count, _)| *count > 0)
        .map(|(count, word)| format!("{count} {word}"))
        .collect();
    format!("Letters: {}.", told.join(", "))
}

pub(super) fn cut(text: &str) -> String {
    match text.char_indices().nth(LONGEST) {
        Some((at, _)) => format!("{}…", &text[..at]),
        None => text.to_owned(),
    }
}
