//! Claims the letters that plans owe and sets each on its way: alerts by one loop, all others by
//! another, so that neither ever waits for the other.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::{Duration, Instant};

use chrono::TimeDelta;
use tokio::sync::{Notify, OwnedSemaphorePermit, Semaphore};
use tokio::time::{sleep, timeout};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use super::health::Part;
use super::rounds::Rounds;
use super::{Daemon, sending};
use crate::store::{Claimed, Lane, StoreError};
use crate::watch::Order;

/// How many letters may be under way at once, those not counted that hang.
const MOST_ALERTS: u32 = 256;
const MOST_OTHERS: u32 = 128;
/// A lease outlives the longest attempt, the waiting before it and its writing down.
const LEASE_BEYOND_ATTEMPT: TimeDelta = TimeDelta::seconds(60);
/// That of an alert, before which there may be all the others at the door, by sixteens, each for as long as
/// it takes to hang.
const LEASE_OF_ALERT_BEYOND_ATTEMPT: TimeDelta = TimeDelta::seconds(150);
/// A letter whose lease has run out is claimed anew, and has come to its last look, within this.
const CLAIMED_ANEW_WITHIN: Duration = Duration::from_secs(60);
/// How long a stop waits for answers that are due.
pub(super) const LONGEST_GOODBYE: Duration = Duration::from_secs(15);
/// A letter that is due may belong to the other loop, which has no desk free for it.
const SHORTEST_SLEEP: Duration = Duration::from_millis(20);
const LONGEST_SLEEP: Duration = Duration::from_secs(1);
/// With a backlog, letters are claimed by the dozen, but none waits longer than this for company.
const MOST_TOGETHER: u32 = 32;
const WAIT_FOR_COMPANY: Duration = Duration::from_millis(50);

/// Rung when a letter was ordered: one bell for each loop.
#[derive(Default)]
pub(super) struct Bells {
    alerts: Notify,
    others: Notify,
}

impl Bells {
    pub(super) fn ring(&self) {
        self.alerts.notify_one();
        self.others.notify_one();
    }

    /// Rings for those alone who have to do with one of these letters.
    pub(super) fn ring_for(&self, orders: &[Order]) {
        if orders.iter().any(|order| order.kind.is_alert()) {
            self.alerts.notify_one();
        }
        if orders.iter().any(|order| !order.kind.is_alert()) {
            self.others.notify_one();
        }
    }
}

/// Which letters a loop claims, in this order.
#[derive(Clone, Copy)]
enum Road {
    Alerts,
    Others,
}

impl Road {
    fn lanes(self) -> &'static [Lane] {
        match self {
            Road::Alerts => &[Lane::Alert],
            Road::Others => &[Lane::Turn, Lane::Word],
        }
    }

    fn most(self) -> u32 {
        match self {
            Road::Alerts => MOST_ALERTS,
            Road::Others => MOST_OTHERS,
        }
    }

    fn lease_beyond_attempt(self) -> TimeDelta {
        match self {
            Road::Alerts => LEASE_OF_ALERT_BEYOND_ATTEMPT,
            Road::Others => LEASE_BEYOND_ATTEMPT,
        }
    }

    fn bell(self, bells: &Bells) -> &Notify {
        match self {
            Road::Alerts => &bells.alerts,
            Road::Others => &bells.others,
        }
    }
}

/// The post: both loops, until `stop`.
pub(super) async fn post(daemon: Daemon, stop: CancellationToken) {
    tokio::join!(send_all(&daemon, Road::Alerts, &stop), send_all(&daemon, Road::Others, &stop));
}

async fn send_all(daemon: &Daemon, road: Road, stop: &CancellationToken) {
    let desks = Arc::new(Semaphore::new(road.most() as usize));
    let under_way = TaskTracker::new();
    let mut rounds = Rounds::default();
    while !stop.is_cancelled() {
        let claimed = claim(daemon, road, &desks, &under_way, &mut rounds).await;
        if matches!(road, Road::Alerts) {
            let stuck = claimed.as_ref().is_err_and(StoreError::may_last)
                || daemon.store().has_lost_letters()
                || daemon.0.health.any_held_up();
            daemon.0.health.stuck(Part::Post, stuck);
        }
        let pause = match claimed {
            Ok(0) => until_next(daemon).await,
            Ok(_) => continue,
            Err(error) => {
                tracing::error!(%error, "the post can't read its letters; it tries again");
                LONGEST_SLEEP
            }
        };
        tokio::select! {
            () = stop.cancelled() => break,
            () = road.bell(&daemon.0.post_bells).notified() => {}
            () = sleep(pause) => {}
        }
    }
    // What is under way may end: an answer that comes now must not be forgotten.
    under_way.close();
    let _unanswered = timeout(LONGEST_GOODBYE, under_way.wait()).await;
}

/// Claims letters for the desks that are free, and sets each on its way.
async fn claim(
    daemon: &Daemon,
    road: Road,
    desks: &Arc<Semaphore>,
    under_way: &TaskTracker,
    rounds: &mut Rounds,
) -> Result<usize, StoreError> {
    let mut free = free_desks(desks).await;
    daemon.record_sent().await?;
    let store = daemon.store();
    let most = u32::try_from(free.len()).unwrap_or(u32::MAX);
    let behind = rounds.behind(Instant::now());
    let (now, lease, lanes) = (daemon.now(), lease(daemon, road), road.lanes());
    let letters = store.claim_in_turn(now, lease, lanes, most, behind.clone()).await?;
    let claimed = letters.len();
    if matches!(road, Road::Alerts) {
        let all = claimed >= most as usize;
        let keys = match all {
            true => store.keys_of(letters.iter().map(|one| one.plan_ref.as_str())).await,
            false => BTreeSet::new(),
        };
        rounds.claimed(keys, &behind, all, Instant::now());
    }
    let plans = store.read_together(letters.iter().map(|one| one.plan_ref.as_str())).await;
    for letter in letters {
        let (daemon, desk) = (daemon.clone(), free.pop());
        let read = plans.get(&letter.plan_ref);
        under_way.spawn(async move { sending::send(&daemon, &letter, read, desk).await });
    }
    daemon.0.health.post_passed(daemon.now());
    Ok(claimed)
}

/// The free desks, at least one; with most of them taken, a moment passes for more to become free.
async fn free_desks(desks: &Arc<Semaphore>) -> Vec<OwnedSemaphorePermit> {
    let _several = timeout(WAIT_FOR_COMPANY, desks.acquire_many(MOST_TOGETHER)).await;
    let Ok(first) = Arc::clone(desks).acquire_owned().await else { return Vec::new() };
    let more = std::iter::from_fn(|| Arc::clone(desks).try_acquire_owned().ok());
    std::iter::once(first).chain(more).collect()
}

/// For how long a letter is claimed.
fn lease(daemon: &Daemon, road: Road) -> TimeDelta {
    let attempt = TimeDelta::from_std(daemon.0.post.longest_attempt()).unwrap_or(TimeDelta::MAX);
    attempt.checked_add(&road.lease_beyond_attempt()).unwrap_or(attempt)
}

/// An alert of which something can't be written, before it may leave, lies until it is claimed anew, and
/// then again. Memory is to send it.
pub(super) fn see_whether_it_is_held_up(
    daemon: &Daemon,
    claimed: &Claimed,
    written: &Result<(), StoreError>,
) {
    let (memory, health) = (&daemon.0.memory, &daemon.0.health);
    let (plan_ref, order) = (&claimed.plan_ref, &claimed.order);
    if !written.as_ref().is_err_and(StoreError::may_last) || memory.has_left(plan_ref, order) {
        health.holds_up_no_more(&claimed.id);
        return;
    }
    let lease = lease(daemon, Road::Alerts).to_std().unwrap_or(Duration::MAX);
    let until = Instant::now().checked_add(lease.saturating_add(CLAIMED_ANEW_WITHIN));
    health.holds_up(&claimed.id, until.unwrap_or_else(Instant::now));
    memory.owes_too(plan_ref, order);
}

async fn until_next(daemon: &Daemon) -> Duration {
    match daemon.store().next_letter_at().await {
        Ok(Some(at)) => {
            let left = (at - daemon.now()).to_std().unwrap_or(Duration::ZERO);
            left.clamp(SHORTEST_SLEEP, LONGEST_SLEEP)
        }
        _ => LONGEST_SLEEP,
    }
}
