//! How often a day one plan may be changed. Each change is a letter to everybody it names, and they
//! may be strangers who never asked for it.
//!
//! No crew and no contact comes near these numbers. What stops an alert is taken as long as it was
//! not taken back very often; then the keeper closes the plan by hand.

use axum::http::StatusCode;
use chrono::{DateTime, TimeDelta, Utc};

use super::deed::Notice;
use super::problem::Problem;
use crate::watch::{Event, Past};

const A_DAY: TimeDelta = TimeDelta::days(1);
/// A new time or a new version of the plan.
const MOST_CHANGES: usize = 24;
/// Word from a crew that is still out.
const MOST_WORDS: usize = 60;
/// One contact's answers.
const MOST_ANSWERS: usize = 60;
/// What was taken back; after that no check-in is taken.
const MOST_UNDONE: usize = 12;

/// What is counted together.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Deed {
    Change,
    Word,
    Answer(usize),
    Closing,
    Undone,
}

impl Deed {
    fn of(event: &Event) -> Option<Self> {
        Some(match event {
            Event::Extended { .. } | Event::Amended { .. } => Deed::Change,
            Event::StillOut { .. } => Deed::Word,
            Event::Answered { contact, .. } => Deed::Answer(*contact),
            Event::CheckedIn { .. } | Event::CalledOff { .. } => Deed::Closing,
            Event::Undone { .. } => Deed::Undone,
            _ => return None,
        })
    }
}

/// Why this is not done; none where it may be.
fn too_often(deed: Deed, history: &[Past], now: DateTime<Utc>) -> Option<String> {
    let (what, counted, most) = match deed {
        Deed::Change => ("changed", deed, MOST_CHANGES),
        Deed::Word => ("heard of", deed, MOST_WORDS),
        Deed::Answer(_) => ("answered", deed, MOST_ANSWERS),
        Deed::Closing => ("ended, and that taken back,", Deed::Undone, MOST_UNDONE),
        Deed::Undone => return None,
    };
    let recent = history.iter().filter(|past| now - past.at < A_DAY);
    let so_far = recent.filter(|past| Deed::of(&past.event) == Some(counted)).count();
    (so_far >= most).then(|| {
        format!(
            "this trip was {what} {so_far} times within a day, and each time others were written \
             to. Telephone its contacts, or the keeper of this service, who can close it by hand"
        )
    })
}

/// The same of an event.
pub(super) fn too_often_for(history: &[Past], event: &Event, now: DateTime<Utc>) -> Option<String> {
    too_often(Deed::of(event)?, history, now)
}

/// What a page says instead of doing this.
pub(super) fn notice(history: &[Past], event: &Event, now: DateTime<Utc>) -> Option<Notice> {
    let why = too_often_for(history, event, now)?;
    let status = StatusCode::TOO_MANY_REQUESTS;
    Some(Notice { status, text: format!("Nothing was changed: {why}.") })
}

/// What a program is told instead.
pub(super) fn allowed(history: &[Past], event: &Event, now: DateTime<Utc>) -> Result<(), Problem> {
    Deed::of(event).map_or(Ok(()), |deed| checked(deed, history, now))
}

/// The same of a new version of the plan.
pub(super) fn change_allowed(history: &[Past], now: DateTime<Utc>) -> Result<(), Problem> {
    checked(Deed::Change, history, now)
}

fn checked(deed: Deed, history: &[Past], now: DateTime<Utc>) -> Result<(), Problem> {
    let Some(why) = too_often(deed, history, now) else { return Ok(()) };
    let detail = format!("nothing was changed: {why}");
    Err(Problem::new(StatusCode::TOO_MANY_REQUESTS, detail).retry_after_s(3600))
}
