//! Wakes each plan when its time has come.

use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use tokio_util::sync::CancellationToken;

use super::Daemon;
use super::health::Part;
use crate::store::{Applied, StoreError};

/// The clock is read at least this often: it may have been set, and a suspended machine's timers
/// stand still.
const LONGEST_SLEEP: Duration = Duration::from_secs(1);
/// After a plan that could not be moved, so that it does not spin.
const SLEEP_AFTER_TROUBLE: Duration = Duration::from_millis(500);
/// How far the clock may go back without anything being reckoned anew.
const CLOCK_TOLERANCE: TimeDelta = TimeDelta::seconds(2);
/// How many plans are moved by one change. The post's changes wait behind it, so it is short.
const TOGETHER: usize = 32;
/// How many plans are looked at in one pass.
const MOST_AT_ONCE: u32 = 10_000;

/// The watch. The first pass catches up with whatever an outage left behind; it is the same code.
pub(super) async fn watch(daemon: Daemon, stop: CancellationToken) {
    let mut last = daemon.now();
    while !stop.is_cancelled() {
        let now = daemon.now();
        // What was to be waited for is reckoned anew when the clock was set back.
        let everything = now + CLOCK_TOLERANCE < last;
        let passed = pass(&daemon, everything).await;
        // Else it is still to be done, once the database lets it.
        if passed.is_ok() || !everything {
            last = now;
        }
        let stuck = passed.as_ref().is_err_and(StoreError::may_last);
        daemon.0.health.stuck(Part::Watch, stuck);
        let sleep = match passed {
            Ok(next) => until(next, daemon.now()),
            Err(error) => {
                tracing::error!(%error, "the watch can't read or move its plans; it tries again");
                SLEEP_AFTER_TROUBLE
            }
        };
        tokio::select! {
            () = stop.cancelled() => break,
            () = daemon.0.watch_bell.notified() => {}
            () = tokio::time::sleep(sleep) => {}
        }
    }
}

/// Moves every plan whose time has come, each by itself: one that is damaged stops no other.
/// Tells when the next one's time comes.
async fn pass(daemon: &Daemon, everything: bool) -> Result<Option<DateTime<Utc>>, StoreError> {
    let now = daemon.now();
    let until = if everything { DateTime::<Utc>::MAX_UTC } else { now };
    let mut trouble = None;
    daemon.record_sent().await?;
    let due = daemon.store().due(until, MOST_AT_ONCE).await?;
    for together in due.chunks(TOGETHER) {
        for (plan_ref, moved) in daemon.store().tick(together.to_vec(), daemon.now()).await? {
            trouble = trouble.or(follow(daemon, &plan_ref, moved).await.err());
        }
    }
    if daemon.store().alert_quarantined(daemon.now()).await? > 0 {
        daemon.0.post_bells.ring();
    }
    match trouble {
        Some(error) => Err(error),
        None => {
            daemon.0.health.watch_passed(now);
            daemon.store().next_due_at().await
        }
    }
}

/// What follows from a plan's move; one that can't be read is set aside, so that it holds nothing
/// up.
async fn follow(
    daemon: &Daemon,
    plan_ref: &str,
    moved: Result<Applied, StoreError>,
) -> Result<(), StoreError> {
    match moved {
        Ok(applied) => {
            daemon.0.memory.follow(plan_ref, &applied);
            if applied.letters > 0 {
                tracing::info!(plan = plan_ref, letters = applied.letters, "the watch spoke");
                daemon.0.post_bells.ring_for(&applied.orders);
            }
            Ok(())
        }
        // Its page of the file may be one that can't be read or written: plain letters are better
        // than none.
        Err(error) if error.is_damage() || error.is_unsound() => {
            tracing::error!(plan = plan_ref, %error, "this plan is set aside");
            daemon.store().quarantine(plan_ref, &error.to_string(), daemon.now()).await?;
            daemon.0.post_bells.ring();
            Ok(())
        }
        Err(error) => {
            tracing::error!(plan = plan_ref, %error, "this plan can't be moved");
            Err(error)
        }
    }
}

/// How long to sleep until `at`, never longer than a second.
fn until(at: Option<DateTime<Utc>>, now: DateTime<Utc>) -> Duration {
    let left = at.map_or(LONGEST_SLEEP, |at| (at - now).to_std().unwrap_or(Duration::ZERO));
    left.min(LONGEST_SLEEP)
}
