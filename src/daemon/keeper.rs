//! Letters to the keeper about the service itself. They need no database: they wait in memory, and
//! go as soon as somebody takes them.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use sha2::{Digest, Sha256};
use thiserror::Error;
use tokio::sync::Notify;
use tokio_util::sync::CancellationToken;

use super::{Daemon, House};
use crate::letter::{Letter, service_trouble};
use crate::post::{MimeError, Outgoing, Post, SendError, Tried};
use crate::settings::Mailbox;

/// The same trouble is told again after this.
const BETWEEN_REMINDERS: TimeDelta = TimeDelta::hours(6);
/// Between attempts at a letter that nobody took.
const BETWEEN_TRIES: Duration = Duration::from_secs(15);
/// More than this waits only when nothing leaves at all.
const MOST_WAITING: usize = 100;

/// Why a letter did not leave.
#[derive(Debug, Error)]
pub enum NotTaken {
    /// It could not be written.
    #[error(transparent)]
    Unwritten(#[from] MimeError),
    /// No place became free for it.
    #[error("all places are taken by letters that wait for an answer")]
    NoPlace,
    /// Nobody took it.
    #[error(transparent)]
    Unsent(#[from] SendError),
}

/// What the keeper is to hear.
#[derive(Default)]
pub(super) struct Desk {
    state: Mutex<State>,
    bell: Notify,
}

#[derive(Default)]
struct State {
    waiting: Vec<Notice>,
    told_at: BTreeMap<&'static str, DateTime<Utc>>,
}

#[derive(Clone)]
struct Notice {
    topic: &'static str,
    what: String,
    mend: Vec<String>,
    seen_at: DateTime<Utc>,
}

impl Daemon {
    /// Tells the keeper of something that could stop an alert, and what to do about it; the same
    /// topic at most every six hours.
    pub(super) fn tell_keeper(&self, topic: &'static str, what: &str, mend: &[&str]) {
        tracing::error!(topic, what, "trouble");
        if self.0.house.keeper_email.is_none() {
            return;
        }
        let now = self.now();
        let desk = &self.0.desk;
        let mut state = desk.state.lock().unwrap_or_else(PoisonError::into_inner);
        let lately = state.told_at.get(topic).is_some_and(|at| now - *at < BETWEEN_REMINDERS);
        if lately || state.waiting.len() >= MOST_WAITING {
            return;
        }
        state.told_at.insert(topic, now);
        let mend = mend.iter().map(|step| (*step).to_owned()).collect();
        state.waiting.push(Notice { topic, what: what.to_owned(), mend, seen_at: now });
        desk.bell.notify_one();
    }

    /// Hands a letter over without asking the database for anything.
    pub(super) async fn hand_over(&self, letter: &Outgoing) -> Result<(), NotTaken> {
        hand_over(&self.0.post, letter).await
    }

    /// What goes to this reader, under this name.
    pub(super) fn outgoing(
        &self,
        name: &str,
        kind: &str,
        plan_ref: Option<&str>,
        to: Mailbox,
        letter: Letter,
    ) -> Outgoing {
        outgoing(&self.0.house, name, kind, plan_ref, to, letter, self.now())
    }

    /// Where the keeper is written to.
    pub(super) fn keeper_mailbox(&self) -> Option<Mailbox> {
        keeper_mailbox(&self.0.house)
    }
}

/// Tells the keeper that the service could not start, and that nobody watches. For whoever starts
/// it, when there is no service yet that could tell.
///
/// # Errors
/// Nobody takes the letter.
pub async fn tell_of_failed_start(
    house: &House,
    post: &Post,
    why: &str,
    now: DateTime<Utc>,
) -> Result<(), NotTaken> {
    let notice = Notice {
        topic: "start",
        what: format!("the service can't start, and NOBODY WATCHES the open plans: {why}"),
        mend: vec!["Mend that, and start the service again.".to_owned()],
        seen_at: now,
    };
    match written(house, &notice, now) {
        Some(letter) => hand_over(post, &letter).await,
        None => Ok(()),
    }
}

async fn hand_over(post: &Post, letter: &Outgoing) -> Result<(), NotTaken> {
    let bytes = letter.build()?;
    let place = post.place(&letter.to.email, letter.importance_high).await;
    let place = place.ok_or(NotTaken::NoPlace)?;
    post.begin(&place, &letter.envelope(), &Tried::default()).await?.finish(&bytes).await?;
    Ok(())
}

fn outgoing(
    house: &House,
    name: &str,
    kind: &str,
    plan_ref: Option<&str>,
    to: Mailbox,
    letter: Letter,
    now: DateTime<Utc>,
) -> Outgoing {
    let domain = house.from.email.rsplit('@').next().unwrap_or("localhost");
    Outgoing {
        message_id: format!("{name}@{domain}"),
        date: now,
        from: house.from.clone(),
        to,
        reply_to: None,
        subject: letter.subject,
        kind: kind.to_owned(),
        plan_ref: plan_ref.map(str::to_owned),
        thread: Some(format!("{}@{domain}", letter.thread)),
        text: letter.text,
        html: (!letter.html.is_empty()).then_some(letter.html),
        importance_high: letter.important,
        attachments: Vec::new(),
    }
}

fn keeper_mailbox(house: &House) -> Option<Mailbox> {
    let name = Some(format!("Keeper of {}", house.name));
    house.keeper_email.clone().map(|email| Mailbox { name, email })
}

/// The letter of a notice; `None` without a keeper's address.
fn written(house: &House, notice: &Notice, now: DateTime<Utc>) -> Option<Outgoing> {
    let to = keeper_mailbox(house)?;
    let Notice { topic, what, mend, seen_at } = notice;
    let letter = service_trouble(&house.name, topic, what, mend, *seen_at);
    // The same at every attempt, as every letter's.
    let hash = Sha256::digest(format!("{topic} {what} {seen_at}"));
    let name: String = hash.iter().take(16).map(|byte| format!("{byte:02x}")).collect();
    Some(outgoing(house, &name, "trouble", None, to, letter, now))
}

/// Sends what waits for the keeper.
pub(super) async fn write_to_keeper(daemon: Daemon, stop: CancellationToken) {
    let desk = &daemon.0.desk;
    while !stop.is_cancelled() {
        let first = {
            let state = desk.state.lock().unwrap_or_else(PoisonError::into_inner);
            state.waiting.first().cloned()
        };
        let pause = match first {
            None => Duration::from_secs(3600),
            Some(notice) => match send(&daemon, &notice).await {
                Ok(()) => {
                    let mut state = desk.state.lock().unwrap_or_else(PoisonError::into_inner);
                    state.waiting.remove(0);
                    continue;
                }
                Err(error) => {
                    tracing::warn!(topic = notice.topic, %error, "the keeper can't be told");
                    BETWEEN_TRIES
                }
            },
        };
        tokio::select! {
            () = stop.cancelled() => break,
            () = desk.bell.notified() => {}
            () = tokio::time::sleep(pause) => {}
        }
    }
}

async fn send(daemon: &Daemon, notice: &Notice) -> Result<(), NotTaken> {
    match written(&daemon.0.house, notice, daemon.now()) {
        Some(letter) => daemon.hand_over(&letter).await,
        None => Ok(()),
    }
}
