//! What the water and the wind are now, for alerts: asked ahead and kept in memory, so that no alert
//! waits for a station.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use tokio::time::sleep;
use tokio_util::sync::CancellationToken;

use super::Daemon;
use super::acting::stored_review;
use super::judging::For;
use crate::guarded::guarded_while;
use crate::review::Review;
use crate::store::{PlanRecord, StoreError};
use crate::watch::Watched;

/// So many plans are kept in mind, the newest.
const MOST_KEPT: usize = 500;
/// Alerts that may be due within this find the weather asked for.
const AHEAD: TimeDelta = TimeDelta::minutes(15);
/// What is younger is not asked again.
const FRESH: TimeDelta = TimeDelta::minutes(20);
/// Older than this it says nothing of now.
const OLD: TimeDelta = TimeDelta::hours(3);
const LOOKS_AFTER: Duration = Duration::from_secs(60);
/// Between two plans others have the machine: alerts come first.
const RESTS: Duration = Duration::from_millis(250);

/// Reviews made since a plan was filed, the oldest first.
#[derive(Default)]
pub(super) struct Latest(Mutex<VecDeque<(String, Arc<Review>)>>);

impl Latest {
    /// The newest review of this plan, if it still says something of now.
    pub(super) fn of(&self, plan_ref: &str, now: DateTime<Utc>) -> Option<Arc<Review>> {
        let kept = self.lock();
        let (_, review) = kept.iter().rfind(|(of, _)| of == plan_ref)?;
        (now - review.reviewed_at.to_utc() < OLD).then(|| Arc::clone(review))
    }

    fn is_fresh(&self, plan_ref: &str, now: DateTime<Utc>) -> bool {
        self.of(plan_ref, now).is_some_and(|review| now - review.reviewed_at.to_utc() < FRESH)
    }

    fn keep(&self, plan_ref: &str, review: Review) {
        let mut kept = self.lock();
        kept.retain(|(of, _)| of != plan_ref);
        kept.push_back((plan_ref.to_owned(), Arc::new(review)));
        if kept.len() > MOST_KEPT {
            kept.pop_front();
        }
    }

    fn lock(&self) -> MutexGuard<'_, VecDeque<(String, Arc<Review>)>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Asks for the weather of plans that are overdue or soon will be, until `stop` is cancelled.
pub(super) async fn look_ahead(daemon: Daemon, stop: CancellationToken) {
    loop {
        let now = daemon.now();
        let fresh = |plan_ref: &str, _: &Watched| daemon.0.latest.is_fresh(plan_ref, now);
        let soon = daemon.0.memory.overdue_before(now + AHEAD, fresh);
        for record in soon.into_iter().rev().take(MOST_KEPT) {
            if stop.is_cancelled() {
                return;
            }
            daemon.look(&record).await;
            sleep(RESTS).await;
        }
        tokio::select! {
            () = stop.cancelled() => return,
            () = sleep(LOOKS_AFTER) => {}
        }
    }
}

impl Daemon {
    /// The newest review of a plan: made since it was filed, if one still says something of now;
    /// else the one of its filing. `None` where that can't be read.
    ///
    /// # Errors
    /// [`StoreError::NoSuchPlan`], damage, or the database.
    pub async fn newest_review(&self, plan_ref: &str) -> Result<Option<Arc<Review>>, StoreError> {
        if let Some(review) = self.0.latest.of(plan_ref, self.now()) {
            return Ok(Some(review));
        }
        let record = self.store().plan(plan_ref).await?;
        Ok(stored_review(&record).map(Arc::new))
    }

    async fn look(&self, record: &PlanRecord) {
        let Ok(plan) = self.plan_of(record) else { return };
        let review = guarded_while(self.review_for(&plan, For::Filing(None))).await;
        if let Ok(review) = review {
            self.0.latest.keep(&record.plan_ref, review);
        }
    }
}
