//! The canary: an invented plan that goes overdue again and again, to try the whole road to the
//! mailbox, while nobody is missing.
//!
//! It is filed, watched and posted as any plan is, by a key of its own, on a ladder of one rung.
//! Its letters go to one mailbox of the keeper's and say in subject and text that they are a test.
//! It stands on no board, and it is closed as soon as its alert has arrived, or has not in time.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime};

use chrono::{DateTime, TimeDelta, Utc};
use serde_json::json;
use thiserror::Error;
use tokio_util::sync::CancellationToken;

use super::secrets::{SecretsError, new_ref, token_hash};
use super::{Daemon, filing};
use crate::measure::Span;
use crate::plan::{Plan, read_json};
use crate::settings::Canary;
use crate::store::{Filing, LetterState, PlanRecord, StoreError};
use crate::watch::{Anchor, By, Event, Kind, Ladder, Rung, RungKind, Terms, To, Watched};

/// The key that files it; no key of a person's has this id.
pub(super) const KEY: &str = "canary";
/// From filing to its return time, and from that to overdue.
const RETURN_AFTER: TimeDelta = TimeDelta::seconds(3);
const GRACE_S: u32 = 1;
/// Nothing is said twice.
const NEVER_AGAIN: Span = Span::from_hours(24);
/// Between looks at its alert.
const BETWEEN_LOOKS: Duration = Duration::from_millis(500);
/// Before the first, and after one that did not come through.
const AT_FIRST: Duration = Duration::from_secs(2);
const TRY_AGAIN: Duration = Duration::from_secs(300);
/// What is left of it is forgotten after this.
const FORGOTTEN_AFTER: TimeDelta = TimeDelta::days(2);
/// The clock of a mailbox's disk may differ by a little.
const TOLERANCE: Duration = Duration::from_secs(5);

/// Why the test alert did not come through.
#[derive(Debug, Error)]
enum Lost {
    #[error("the invented plan could not be filed: {0}")]
    Unfiled(String),
    #[error("the database: {0}")]
    Store(#[from] StoreError),
    #[error("its address is refused: {0}")]
    Refused(String),
    #[error("no relay took it in time; the last word: {0}")]
    NotHanded(String),
    #[error("it was handed over, but did not appear in {} in time", .0.display())]
    NotThere(PathBuf),
}

impl Lost {
    /// The same without what a relay or the database said: that may name an address.
    fn in_public(&self) -> &'static str {
        match self {
            Lost::Unfiled(_) => "the invented plan could not be filed",
            Lost::Store(_) => "the database could not be asked",
            Lost::Refused(_) => "its address is refused",
            Lost::NotHanded(_) => "no relay took its alert in time",
            Lost::NotThere(_) => "its alert was handed over, but did not arrive in time",
        }
    }
}

impl Lost {
    /// What a log may say of it: what a relay said stands in the database, with the letter.
    fn in_log(&self) -> String {
        match self {
            Lost::Store(_) | Lost::NotThere(_) => self.to_string(),
            Lost::Unfiled(_) | Lost::Refused(_) | Lost::NotHanded(_) => self.in_public().to_owned(),
        }
    }
}

impl From<SecretsError> for Lost {
    fn from(error: SecretsError) -> Self {
        Lost::Unfiled(error.to_string())
    }
}

/// Whether this is a canary, and nobody's trip.
#[must_use]
pub fn is_canary(record: &PlanRecord) -> bool {
    record.key_id == KEY
}

impl Daemon {
    /// Closes what an earlier life left of its canary. For a service that has none any more too.
    ///
    /// # Errors
    /// The database.
    pub async fn close_canaries(&self) -> Result<(), StoreError> {
        for plan_ref in self.store().open_plans_of(KEY).await? {
            match self.close_canary(&plan_ref).await {
                // One that can't be read goes the way of all plans that can't.
                Err(error) if error.may_be_of_one_row() => {
                    tracing::warn!(%error, "an earlier canary can't be closed");
                }
                closed => closed?,
            }
        }
        Ok(())
    }

    /// Sends a canary down the road again and again, until `stop`.
    pub async fn sing(self, canary: Canary, stop: CancellationToken) {
        let every = Duration::from_secs(canary.every.seconds().into());
        let mut pause = AT_FIRST;
        loop {
            tokio::select! {
                () = stop.cancelled() => break,
                () = tokio::time::sleep(pause) => {}
            }
            // A review holds every alert back, this one too.
            if self.0.health.held_until().is_some() {
                continue;
            }
            let came = self.send_canary(&canary, &stop).await;
            if stop.is_cancelled() {
                break;
            }
            pause = if came.is_ok() { every } else { every.min(TRY_AGAIN) };
            if let Err(why) = &came {
                tracing::error!(why = why.in_log(), "the test alert did not come through");
            }
            let came = came.map(|()| self.now()).map_err(|why| why.in_public());
            self.0.health.outside().canary = Some(came);
            let before = self.now() - FORGOTTEN_AFTER;
            if let Err(error) = self.store().forget_closed(KEY, before).await {
                tracing::warn!(%error, "earlier canaries can't be forgotten");
            }
        }
    }

    /// One canary, from its filing to its closing.
    async fn send_canary(&self, canary: &Canary, stop: &CancellationToken) -> Result<(), Lost> {
        self.close_canaries().await?;
        let began = SystemTime::now();
        let plan_ref = self.file_canary(canary).await?;
        let came = self.await_canary(&plan_ref, canary, began, stop).await;
        self.close_canary(&plan_ref).await?;
        came
    }

    async fn file_canary(&self, canary: &Canary) -> Result<String, Lost> {
        let now = self.now();
        let plan = invented(&canary.to, now).map_err(Lost::Unfiled)?;
        let plan_ref = new_ref()?;
        let first = Watched::file(terms(&plan)?, now);
        let filing = Filing {
            plan_ref: &plan_ref,
            plan_json: &filing::to_json(&plan_ref, &plan)?,
            review_json: "null",
            first: &first,
            key_id: KEY,
            idempotency: None,
            body_hash: &token_hash(&plan_ref),
            // Nobody opens its pages, and no limit counts it.
            links: &[],
            addresses: &[],
            card: &filing::card(&plan, &first.plan.asked()),
            strangers: None,
        };
        self.store().file(&filing, now).await?;
        self.0.memory.remember(self.store().plan(&plan_ref).await?);
        self.ring();
        Ok(plan_ref)
    }

    /// Waits until its alert has arrived.
    async fn await_canary(
        &self,
        plan_ref: &str,
        canary: &Canary,
        began: SystemTime,
        stop: &CancellationToken,
    ) -> Result<(), Lost> {
        let road = RETURN_AFTER + grace().delta() + canary.within.delta();
        let deadline = Instant::now() + road.to_std().unwrap_or_default();
        loop {
            let letters = self.store().letters(plan_ref).await?;
            let alert = letters.iter().find(|letter| letter.kind == Kind::CallRescue);
            let note = alert.and_then(|alert| alert.note.clone()).unwrap_or_default();
            let lost = match (alert.map(|alert| alert.state), &canary.folder) {
                (Some(LetterState::Refused), _) => return Err(Lost::Refused(note)),
                (Some(LetterState::Handed), None) => return Ok(()),
                (Some(LetterState::Handed), Some(folder)) => {
                    if lies_in(folder, plan_ref, began).await {
                        return Ok(());
                    }
                    Lost::NotThere(folder.clone())
                }
                _ => Lost::NotHanded(note),
            };
            if Instant::now() > deadline {
                return Err(lost);
            }
            tokio::select! {
                () = stop.cancelled() => return Ok(()),
                () = tokio::time::sleep(BETWEEN_LOOKS) => {}
            }
        }
    }

    async fn close_canary(&self, plan_ref: &str) -> Result<(), StoreError> {
        let by = By::Crew(Some("a test".to_owned()));
        let event = Event::CheckedIn { who: vec![0], by, how: None };
        self.act(plan_ref, &event, None).await.map(|_| ())
    }
}

fn grace() -> Span {
    Span::from_seconds(GRACE_S)
}

fn terms(plan: &Plan) -> Result<Terms, Lost> {
    let rung = Rung {
        anchor: Anchor::Overdue,
        offset_s: 0,
        to: vec![To::Contacts],
        kind: RungKind::CallRescue,
    };
    let ladder = Ladder::new(vec![rung], grace(), NEVER_AGAIN, NEVER_AGAIN);
    let ladder = ladder.map_err(|faults| Lost::Unfiled(format!("{faults:?}")))?;
    let (due_at, contacts) = (plan.times.return_by.at, plan.contacts.len());
    Ok(Terms { due_at, grace: grace(), ladder, crew: vec![false], contacts })
}

/// Nobody: at 0° N 0° E, where no boat of ours goes.
fn invented(to: &str, now: DateTime<Utc>) -> Result<Plan, String> {
    let at = |at: DateTime<Utc>| at.to_rfc3339_opts(chrono::SecondsFormat::Millis, true);
    let plan = json!({
        "title": "TEST of the service, nobody is missing",
        "times": {"launch": at(now - TimeDelta::hours(1)), "return_by": at(now + RETURN_AFTER)},
        "launch": {"position": "0.0000 0.0000", "name": "nowhere (a test)"},
        "crew": [{"name": "Nobody (a test)"}],
        "contact": [{"name": "Test mailbox", "email": to}],
    });
    let no_files = |_: &str| Err("it names no files".to_owned());
    read_json(&plan.to_string(), &no_files).map_err(|faults| faults.to_string())
}

/// Whether a letter of this plan that calls for rescue lies in the folder, or in one below it, as
/// mail programs sort them. Only what is new is read.
async fn lies_in(folder: &Path, plan_ref: &str, since: SystemTime) -> bool {
    let (folder, plan_ref) = (folder.to_owned(), plan_ref.to_owned());
    let looked = tokio::task::spawn_blocking(move || {
        let since = since.checked_sub(TOLERANCE).unwrap_or(since);
        let below =
            files(&folder).into_iter().filter(|path| path.is_dir()).flat_map(|at| files(&at));
        files(&folder).into_iter().chain(below).any(|path| is_alert(&path, &plan_ref, since))
    });
    looked.await.unwrap_or(false)
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    entries.flatten().map(|entry| entry.path()).collect()
}

fn is_alert(path: &Path, plan_ref: &str, since: SystemTime) -> bool {
    let is_new = std::fs::metadata(path)
        .and_then(|file| Ok(file.is_file() && file.modified()? >= since))
        .unwrap_or(false);
    if !is_new {
        return false;
    }
    let Ok(bytes) = std::fs::read(path) else { return false };
    let Some(letter) = mail_parser::MessageParser::default().parse_headers(&bytes) else {
        return false;
    };
    let says =
        |name: &str, text: &str| letter.header_raw(name).is_some_and(|value| value.trim() == text);
    says("Shorelamp-Kind", Kind::CallRescue.name()) && says("Shorelamp-Plan", plan_ref)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_log_repeats_what_a_relay_said_of_it() {
        let said = || "550 5.1.1 <pell@example.org>: no such mailbox".to_owned();
        for lost in [Lost::Refused(said()), Lost::NotHanded(said()), Lost::Unfiled(said())] {
            assert!(lost.to_string().contains("pell@"));
            assert_eq!(lost.in_log(), lost.in_public());
        }
    }
}
