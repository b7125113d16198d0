//! What the service does for itself: looks whether its database is sound, keeps room on the disk,
//! ends a review, and tries plans again that could not be read.

use std::time::{Duration, Instant};

use chrono::{DateTime, TimeDelta, Utc};
use tokio_util::sync::CancellationToken;

use super::{Daemon, zones};
use crate::store::{Difference, StoreError};

/// Between looks at the disk and the review.
const BETWEEN_LOOKS: Duration = Duration::from_secs(5);
/// Between whole checks of the database.
const BETWEEN_CHECKS: TimeDelta = TimeDelta::days(1);
/// At the start so many plans are looked through, those whose time comes first, once the first
/// alerts have had their turn; the daily check takes all of them.
const LOOKED_THROUGH_AT_START: u32 = 1000;
const BEFORE_LOOKING_THROUGH: Duration = Duration::from_secs(5);
/// How many open plans a letter lists.
const MOST_LISTED: usize = 50;

/// Starts the review of a database that may be older than what it once acknowledged, and lists
/// its open plans to the keeper while their alerts are held.
pub(super) async fn begin_review(daemon: &Daemon) -> Result<(), StoreError> {
    let now = daemon.now();
    let Some(review) = daemon.store().review(now).await? else { return Ok(()) };
    if review.until <= now {
        return daemon.store().end_review().await;
    }
    let what = format!(
        "the database may be older than what the service once acknowledged ({}); no alert goes out \
         before {}, then all that are due",
        review.why,
        review.until.format("%H:%M UTC"),
    );
    let mut mend = vec![
        "Ask the crews below, or their contacts, whether they are ashore, and check them in: \
         `shorelamp board`, `shorelamp checkin REF`."
            .to_owned(),
        "Plans filed after that time are not in it: nobody watches them. Their crews and contacts \
         hold letters that say when to worry."
            .to_owned(),
    ];
    mend.extend(open_plans(daemon).await?);
    let mend: Vec<&str> = mend.iter().map(String::as_str).collect();
    daemon.tell_keeper("review", &what, &mend);
    daemon.0.health.hold_until(Some(review.until));
    Ok(())
}

async fn open_plans(daemon: &Daemon) -> Result<Vec<String>, StoreError> {
    let plans = daemon.open_trips().await?;
    let lines = plans.iter().take(MOST_LISTED).map(|plan| match plan {
        Ok(plan) => {
            let overdue = plan.state.overdue_at().format("%-d %b %Y, %H:%M UTC");
            format!("Open: {}, overdue from {overdue}.", plan.plan_ref)
        }
        Err(error) => format!("Open: {error}."),
    });
    let mut lines: Vec<String> = lines.collect();
    if plans.len() > MOST_LISTED {
        lines.push(format!("And {} more: see the board.", plans.len() - MOST_LISTED));
    }
    Ok(lines)
}

/// The upkeep, until `stop`.
pub(super) async fn keep_up(daemon: Daemon, stop: CancellationToken) {
    let (started, mut looked_through) = (Instant::now(), false);
    let mut checked_at: Option<DateTime<Utc>> = None;
    if let Err(error) = zones::look(&daemon).await {
        tracing::error!(%error, "whether clocks go otherwise than when plans were filed can't be told");
    }
    while !stop.is_cancelled() {
        let now = daemon.now();
        if checked_at.is_none_or(|at| now - at >= BETWEEN_CHECKS || now < at) {
            // Beside the rest: with very many plans it takes minutes.
            if checked_at.replace(now).is_some() {
                let daemon = daemon.clone();
                tokio::spawn(async move { tell_of(&daemon, daemon.store().verify().await) });
            }
            if let Err(error) = check(&daemon).await {
                tracing::error!(%error, "the database can't be checked");
            }
        }
        look(&daemon).await;
        if !looked_through && daemon.is_ready() && started.elapsed() > BEFORE_LOOKING_THROUGH {
            looked_through = true;
            tell_of(&daemon, daemon.store().verify_soonest(LOOKED_THROUGH_AT_START).await);
        }
        tokio::select! {
            () = stop.cancelled() => break,
            found = daemon.store().damage_met() => tell_of_damage(&daemon, &found),
            () = tokio::time::sleep(BETWEEN_LOOKS) => {}
        }
    }
}

/// Tells the keeper of plans that are not what their events make of them.
fn tell_of(daemon: &Daemon, verified: Result<Vec<Difference>, StoreError>) {
    let differences = match verified {
        Ok(differences) if differences.is_empty() => return,
        Ok(differences) => differences,
        Err(error) => {
            tracing::error!(%error, "the plans can't be verified");
            return;
        }
    };
    for Difference { plan_ref, what } in &differences {
        tracing::error!(plan = plan_ref, what, "this plan is not what its events make of it");
    }
    let listed = differences.iter().take(MOST_LISTED);
    let listed: Vec<String> =
        listed.map(|one| format!("{}: {}.", one.plan_ref, one.what)).collect();
    let mut mend = vec![
        "Look at the board, and reach the crews of these plans yourself: an alert of theirs may \
         come at a wrong time.",
        "`shorelamp verify` tells which they are; look at the disk, and restore the newest backup \
         that verifies.",
    ];
    mend.extend(listed.iter().map(String::as_str));
    let what = format!("{} of the plans are not what their events make of them", differences.len());
    daemon.tell_keeper("verify", &what, &mend);
}

async fn look(daemon: &Daemon) {
    if daemon.store().is_low() {
        daemon.tell_keeper(
            "disk",
            "the disk of the data folder is nearly full; no new plan is taken, while those that \
             are armed are watched as before",
            &["Make room on the disk of the data folder; plans are then taken again by themselves."],
        );
    } else {
        daemon.store().lay_ballast();
    }
    end_review(daemon).await;
    daemon.ask_strangers().await;
    if let Err(error) = daemon.mark_all_unwanted().await {
        tracing::warn!(%error, "contacts who want no letters can't be marked now");
    }
}

/// The review ends by its time, or by the keeper's word, which stands in the database.
async fn end_review(daemon: &Daemon) {
    let Some(until) = daemon.0.health.held_until() else { return };
    let now = daemon.now();
    let over = match daemon.store().review(now).await {
        Ok(None) => true,
        _ => until <= now && daemon.store().end_review().await.is_ok(),
    };
    if over {
        daemon.0.health.hold_until(None);
        daemon.ring();
    }
}

fn tell_of_damage(daemon: &Daemon, found: &str) {
    daemon.0.health.found_damage(true);
    daemon.tell_keeper(
        "database",
        &format!("the database's file is damaged ({found}); what can be read of it is watched"),
        &[
            "Look at the board, and reach the crews and contacts of the open plans yourself.",
            "Copy the data folder away, stop the service, restore the newest backup, and start it \
             again.",
            "Look at the disk: a file does not get damaged by itself.",
        ],
    );
}

/// Whether the file is sound, and whether plans can be read again that could not.
async fn check(daemon: &Daemon) -> Result<(), StoreError> {
    let found = daemon.store().quick_check().await?;
    match found {
        Some(found) => tell_of_damage(daemon, &found),
        None => daemon.0.health.found_damage(false),
    }
    for plan in daemon.store().quarantined().await? {
        match daemon.store().release(&plan.plan_ref, daemon.now()).await {
            Ok(true) => {
                tracing::warn!(plan = plan.plan_ref, "this plan can be read again, and is watched");
            }
            Ok(false) => {}
            // One that stays where it is keeps no other there.
            Err(error) => {
                tracing::error!(plan = plan.plan_ref, %error, "this plan stays set aside");
            }
        }
    }
    Ok(())
}
