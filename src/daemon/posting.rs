//! Hands the letters that plans owe to the post.

use std::sync::Arc;
use std::time::Duration;

use chrono::TimeDelta;
use tokio::sync::Semaphore;
use tokio_util::sync::CancellationToken;

use super::bare::plain_letter;
use super::{Daemon, retry};
use crate::letter;
use crate::plan::{Plan, read_json};
use crate::post::{Outgoing, SendClass, SendError};
use crate::settings::Mailbox;
use crate::store::{Claimed, LastLook, PlanRecord, StoreError};
use crate::watch::Recipient;

/// How many letters are under way at once.
const AT_ONCE: u32 = 8;
/// An attempt has a deadline of a minute in the post; its lease outlives it.
const LEASE: TimeDelta = TimeDelta::seconds(90);
const LONGEST_SLEEP: Duration = Duration::from_secs(1);

/// The post: claims what is due, alerts first, and sends it.
pub(super) async fn post(daemon: Daemon, stop: CancellationToken) {
    let places = Arc::new(Semaphore::new(AT_ONCE as usize));
    while !stop.is_cancelled() {
        let claimed = claim(&daemon, &places).await;
        let sleep = match claimed {
            Ok(0) => pause(&daemon).await,
            Ok(_) => continue,
            Err(error) => {
                tracing::error!(%error, "the post can't read its letters; it tries again");
                LONGEST_SLEEP
            }
        };
        tokio::select! {
            () = stop.cancelled() => break,
            () = daemon.0.post_bell.notified() => {}
            () = tokio::time::sleep(sleep) => {}
        }
    }
    // What is under way is finished: an answer that came must not be forgotten.
    let _all = places.acquire_many(AT_ONCE).await;
}

/// Claims as many letters as there are free places and sets each on its way.
async fn claim(daemon: &Daemon, places: &Arc<Semaphore>) -> Result<usize, StoreError> {
    let Ok(first) = places.clone().acquire_owned().await else { return Ok(0) };
    let free = u32::try_from(places.available_permits()).unwrap_or(0) + 1;
    daemon.record_sent().await?;
    let letters = daemon.0.store.claim(daemon.now(), LEASE, free).await?;
    daemon.0.health.post_passed(daemon.now());
    let number = letters.len();
    let mut place = Some(first);
    for letter in letters {
        let held = match place.take() {
            Some(held) => held,
            None => match places.clone().acquire_owned().await {
                Ok(held) => held,
                Err(_) => return Ok(number),
            },
        };
        let daemon = daemon.clone();
        tokio::spawn(async move {
            send(&daemon, &letter).await;
            drop(held);
            daemon.ring();
        });
    }
    Ok(number)
}

async fn pause(daemon: &Daemon) -> Duration {
    match daemon.0.store.next_letter_at().await {
        Ok(Some(at)) => (at - daemon.now()).to_std().unwrap_or(Duration::ZERO).min(LONGEST_SLEEP),
        _ => LONGEST_SLEEP,
    }
}

/// One attempt at one letter; its outcome is written down whatever it is.
async fn send(daemon: &Daemon, claimed: &Claimed) {
    let outcome = match prepare(daemon, claimed).await {
        Ok(Some(outgoing)) => attempt(daemon, claimed, &outgoing).await,
        Ok(None) => daemon.0.store.refused(claimed, "no address", daemon.now()).await,
        Err(error) => {
            tracing::error!(plan = claimed.plan_ref, letter = claimed.id, %error, "a letter can't be written");
            try_later(daemon, claimed, &error.to_string()).await
        }
    };
    if let Err(error) = outcome {
        // The lease runs out, and the letter is tried again.
        tracing::error!(plan = claimed.plan_ref, letter = claimed.id, %error, "a letter's fate can't be written down");
    }
}

async fn attempt(
    daemon: &Daemon,
    claimed: &Claimed,
    outgoing: &Outgoing,
) -> Result<(), StoreError> {
    let bytes = match outgoing.build() {
        Ok(bytes) => bytes,
        Err(error) => return try_later(daemon, claimed, &error.to_string()).await,
    };
    let handing = match daemon.0.post.begin(&outgoing.envelope()).await {
        Ok(handing) => handing,
        Err(error) => return failed(daemon, claimed, &error).await,
    };
    daemon.record_sent().await?;
    match daemon.0.store.last_look(claimed, daemon.now()).await? {
        LastLook::Send => {}
        LastLook::Dropped | LastLook::LostLease => {
            handing.abandon().await;
            return Ok(());
        }
    }
    match handing.finish(&bytes).await {
        Ok(receipt) => {
            let kind = claimed.order.kind.name();
            tracing::info!(
                plan = claimed.plan_ref,
                letter = claimed.id,
                kind,
                "a letter was handed over"
            );
            daemon.0.health.relay_took(daemon.now());
            daemon.0.memory.handed(&claimed.plan_ref, &claimed.order);
            daemon
                .0
                .store
                .handed(claimed, &format!("{}: {}", receipt.by, receipt.said), daemon.now())
                .await
        }
        Err(error) => failed(daemon, claimed, &error).await,
    }
}

/// A permanent refusal of the address settles the letter; everything else is tried again.
async fn failed(daemon: &Daemon, claimed: &Claimed, error: &SendError) -> Result<(), StoreError> {
    let kind = claimed.order.kind.name();
    tracing::warn!(plan = claimed.plan_ref, letter = claimed.id, kind, class = ?error.class, relay = error.relay, "a letter did not leave");
    if error.class == SendClass::RecipientRefused {
        return daemon.0.store.refused(claimed, &error.to_string(), daemon.now()).await;
    }
    if error.class == SendClass::Transport {
        daemon.0.health.relay_failed(daemon.now());
    }
    try_later(daemon, claimed, &error.to_string()).await
}

async fn try_later(daemon: &Daemon, claimed: &Claimed, note: &str) -> Result<(), StoreError> {
    let next_try_at = daemon.now() + retry::delay(claimed.failures);
    daemon.0.store.try_later(claimed, next_try_at, note).await
}

/// Writes the letter as the plan now stands; `None` when its reader has no address.
async fn prepare(daemon: &Daemon, claimed: &Claimed) -> Result<Option<Outgoing>, StoreError> {
    let dossier = match daemon.dossier(&claimed.plan_ref).await {
        // Better plain than none.
        Err(error) if error.is_damage() => return plain_letter(daemon, claimed, &error).await,
        other => other?,
    };
    let Some(to) = mailbox(daemon, &dossier.plan, claimed.order.to) else { return Ok(None) };
    let page = daemon.page_of(&claimed.plan_ref, claimed.order.to);
    let facts = daemon.facts(&dossier, page.as_deref(), claimed.queued_at);
    let letter = letter::compose(&facts, &claimed.order, daemon.now());
    let domain = daemon.0.house.from.email.rsplit('@').next().unwrap_or("localhost");
    Ok(Some(Outgoing {
        message_id: format!("{}.{}@{domain}", claimed.id, claimed.plan_ref),
        date: daemon.now(),
        from: daemon.0.house.from.clone(),
        to,
        reply_to: None,
        subject: letter.subject,
        kind: claimed.order.kind.name().to_owned(),
        plan_ref: Some(claimed.plan_ref.clone()),
        thread: Some(format!("{}@{domain}", letter.thread)),
        text: letter.text,
        html: (!letter.html.is_empty()).then_some(letter.html),
        importance_high: letter.important,
        attachments: Vec::new(),
    }))
}

pub(super) fn mailbox(daemon: &Daemon, plan: &Plan, to: Recipient) -> Option<Mailbox> {
    let (name, email) = match to {
        Recipient::Crew(at) => {
            plan.crew.get(at).and_then(|one| Some((one.name.clone(), one.email.clone()?)))?
        }
        Recipient::Contact(at) => {
            plan.contacts.get(at).map(|one| (one.name.clone(), one.email.clone()))?
        }
        Recipient::Keeper => {
            (format!("Keeper of {}", daemon.0.house.name), daemon.0.house.keeper_email.clone()?)
        }
    };
    Some(Mailbox { name: Some(name), email })
}

/// A plan as it was stored, which was checked when it was filed.
pub(super) fn stored_plan(record: &PlanRecord) -> Result<Plan, StoreError> {
    let no_files = |_: &str| Err("a stored plan names no files".to_owned());
    read_json(&record.plan_json, &no_files).map_err(|faults| StoreError::Damaged {
        plan: record.plan_ref.clone(),
        why: faults.to_string(),
    })
}
