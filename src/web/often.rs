//! How often a day one plan may be changed. Each change is a letter to everybody it names, and they
//! may be strangers who never asked for it.
//!
//! No crew and no contact comes near these numbers. What stops an alert is taken as long as it was
//! not taken back very often; then the keeper closes the plan by hand.

use axum::http::StatusCode;
use chrono::{DateTime, TimeDelta, Utc};

use super::deed::Notice;
use super::problem::Problem;
use crate::daemon::Daemon;
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

/// Why this is not done now; none where it may be. It keeps nobody from anything that stops or brings
/// an alert because of its own numbers: where they can't be read, there are none. A deed that was done
/// already is no other, however late it is sent again.
async fn refusal(
    daemon: &Daemon,
    plan_ref: &str,
    (deed, event): (Deed, Option<&Event>),
    once: Option<&str>,
) -> Option<String> {
    let why = too_often(deed, &daemon.history(plan_ref).await, daemon.now())?;
    (!daemon.is_done(plan_ref, event, once).await).then_some(why)
}

/// The same of an event, and of the key that it comes under.
pub(super) async fn why_not(
    daemon: &Daemon,
    plan_ref: &str,
    event: &Event,
    once: Option<&str>,
) -> Option<String> {
    refusal(daemon, plan_ref, (Deed::of(event)?, Some(event)), once).await
}

/// What a page says instead of doing this.
pub(super) async fn notice(
    daemon: &Daemon,
    plan_ref: &str,
    event: &Event,
    once: &str,
) -> Option<Notice> {
    let why = why_not(daemon, plan_ref, event, Some(once)).await?;
    let status = StatusCode::TOO_MANY_REQUESTS;
    Some(Notice { status, text: format!("Nothing was changed: {why}.") })
}

/// What a program is told instead.
pub(super) async fn allowed(
    daemon: &Daemon,
    plan_ref: &str,
    event: &Event,
    once: Option<&str>,
) -> Result<(), Problem> {
    why_not(daemon, plan_ref, event, once).await.map_or(Ok(()), |why| Err(problem(&why)))
}

/// The same of a new version of the plan.
pub(super) async fn change_allowed(
    daemon: &Daemon,
    plan_ref: &str,
    once: Option<&str>,
) -> Result<(), Problem> {
    let why = refusal(daemon, plan_ref, (Deed::Change, None), once).await;
    why.map_or(Ok(()), |why| Err(problem(&why)))
}

fn problem(why: &str) -> Problem {
    let detail = format!("nothing was changed: {why}");
    Problem::new(StatusCode::TOO_MANY_REQUESTS, detail).retry_after_s(3600)
}
