//! What the water and the wind are now, for alerts: asked ahead and kept in memory, so that no alert
//! waits for a station.

use std::collections::VecDeque;
use std::hash::{DefaultHasher, Hash, Hasher};
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

/// Reviews made since a plan was filed or last amended, the oldest first.
#[derive(Default)]
pub(super) struct Latest(Mutex<VecDeque<Kept>>);

struct Kept {
    plan_ref: String,
    /// Of the plan's text: amended, it may lead to other waters.
    text_mark: u64,
    review: Arc<Review>,
}

impl Latest {
    /// The newest review of this plan as it stands, if it still says something of now.
    pub(super) fn of(&self, record: &PlanRecord, now: DateTime<Utc>) -> Option<Arc<Review>> {
        let kept = self.lock();
        let one = kept.iter().rfind(|one| one.plan_ref == record.plan_ref)?;
        let says =
            one.text_mark == text_mark(record) && now - one.review.reviewed_at.to_utc() < OLD;
        says.then(|| Arc::clone(&one.review))
    }

    fn is_fresh(&self, record: &PlanRecord, now: DateTime<Utc>) -> bool {
        self.of(record, now).is_some_and(|review| now - review.reviewed_at.to_utc() < FRESH)
    }

    fn keep(&self, record: &PlanRecord, review: Review) {
        let mut kept = self.lock();
        kept.retain(|one| one.plan_ref != record.plan_ref);
        kept.push_back(Kept {
            plan_ref: record.plan_ref.clone(),
            text_mark: text_mark(record),
            review: Arc::new(review),
        });
        if kept.len() > MOST_KEPT {
            kept.pop_front();
        }
    }

    fn lock(&self) -> MutexGuard<'_, VecDeque<Kept>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Asks for the weather of plans that are overdue or soon will be, until `stop` is cancelled.
pub(super) async fn look_ahead(daemon: Daemon, stop: CancellationToken) {
    loop {
        let now = daemon.now();
        let fresh = |record: &PlanRecord| daemon.0.latest.is_fresh(record, now);
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

fn text_mark(record: &PlanRecord) -> u64 {
    let mut hasher = DefaultHasher::new();
    record.plan_json.hash(&mut hasher);
    hasher.finish()
}

impl Daemon {
    /// The newest review of a plan: made since it was filed or amended, if one still says something of now;
    /// else the one of then. `None` where that can't be read.
    ///
    /// # Errors
    /// [`StoreError::NoSuchPlan`], damage, or the database.
    pub async fn newest_review(&self, plan_ref: &str) -> Result<Option<Arc<Review>>, StoreError> {
        let record = self.store().plan(plan_ref).await?;
        Ok(self.latest(&record).or_else(|| stored_review(&record).map(Arc::new)))
    }

    async fn look(&self, record: &PlanRecord) {
        let Ok(plan) = self.plan_of(record) else { return };
        let review = guarded_while(self.review_for(&plan, For::Filing(None))).await;
        if let Ok(review) = review {
            self.0.latest.keep(record, review);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::Span;
    use crate::watch::{Anchor, Ladder, Rung, RungKind, Terms, To, Watched};

    fn noon() -> DateTime<Utc> {
        "2026-06-14T12:00:00Z".parse().unwrap()
    }

    fn record(plan_json: &str) -> PlanRecord {
        let (to, kind) = (vec![To::Contacts], RungKind::CallRescue);
        let call = Rung { anchor: Anchor::Overdue, offset_s: 0, to, kind };
        let [grace, repeat, most] = [15, 10, 15].map(Span::from_minutes);
        let ladder = Ladder::new(vec![call], grace, repeat, most).unwrap();
        let terms = Terms { due_at: noon(), grace, ladder, crew: vec![true], contacts: 1 };
        PlanRecord {
            plan_ref: "A".to_owned(),
            plan_json: plan_json.to_owned(),
            review_json: String::new(),
            state: Watched::file(terms, noon() - TimeDelta::hours(3)).plan,
            filed_at: noon() - TimeDelta::hours(3),
            key_id: String::new(),
        }
    }

    fn review() -> Review {
        let review = serde_json::json!({
            "reviewed_at": "2026-06-14T12:00:00Z",
            "route": {
                "length_m": 0.0, "farthest": null, "farthest_unknown": "no shoreline",
                "over_land_m": null, "shoreline_accuracy_m": null, "legs": []
            },
            "timing": {
                "paddling_s": null, "stays_s": 0, "available_s": 0, "sunset": null,
                "civil_dusk": null, "sun": null, "overdue_at": "2026-06-14T12:15:00Z"
            },
            "water": {
                "temperature_c": null, "kind": "unknown", "source": null, "taken_at": null,
                "age_s": null, "passed": [], "silent": []
            },
            "cautions": [], "quiet": [], "unknown": []
        });
        serde_json::from_value(review).unwrap()
    }

    /// The alert would tell the wind and the water of where nobody is, and a drift by them.
    #[test]
    fn what_was_heard_of_a_route_says_nothing_of_another() {
        let (latest, before) = (Latest::default(), record("to the west"));
        latest.keep(&before, review());
        assert!(latest.is_fresh(&before, noon() + TimeDelta::minutes(19)));
        assert!(!latest.is_fresh(&before, noon() + FRESH));
        assert!(latest.of(&before, noon() + FRESH).is_some());
        assert!(latest.of(&before, noon() + OLD).is_none());
        let amended = record("to the east");
        assert!(latest.of(&amended, noon()).is_none() && !latest.is_fresh(&amended, noon()));
        latest.keep(&amended, review());
        assert!(latest.of(&amended, noon()).is_some());
        assert!(latest.of(&before, noon()).is_none(), "one of each plan");
    }
}
