//! A stop while plans are open, told to the keeper: from then on nobody watches them.

use std::time::Duration;

use chrono::{DateTime, Utc};
use tokio::time::timeout;

use super::keeper::{Trouble, trouble_letter, trouble_over_letter};
use super::{Daemon, canary};
use crate::store::{Note, PlanRecord, StoreError};

/// A stop is not held up for longer than this.
const LONGEST: Duration = Duration::from_secs(5);
const TOPIC: &str = "stopped";

/// The plans that a stop leaves unwatched.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Left {
    /// How many are open, those counted that can't be read.
    pub plans: usize,
    /// When the next letter of any of them is due.
    pub next_at: Option<DateTime<Utc>>,
}

impl Daemon {
    /// The open plans of people; each that can't be read stands among them as an error.
    ///
    /// # Errors
    /// The database.
    pub async fn open_trips(&self) -> Result<Vec<Result<PlanRecord, StoreError>>, StoreError> {
        let mut plans = self.store().open_plans().await?;
        plans.retain(|plan| !plan.as_ref().is_ok_and(canary::is_canary));
        Ok(plans)
    }

    /// What a stop leaves unwatched. Where that is anything, the keeper is told, and it is noted,
    /// so that the next start can say that it is over.
    ///
    /// # Errors
    /// The database can't say which plans are open.
    pub async fn say_farewell(&self) -> Result<Left, StoreError> {
        let (plans, next_at) = self.store().open_plans_but_of(canary::KEY).await?;
        let left = Left { plans, next_at };
        if left.plans == 0 {
            return Ok(left);
        }
        let now = self.now();
        if let Err(error) = self.store().note(Note::StoppedOverPlans, now).await {
            tracing::warn!(%error, "that plans were open at this stop can't be noted");
        }
        let house = &self.0.house;
        let Some(letter) = trouble_letter(house, &stopped(left), now) else { return Ok(left) };
        if !matches!(timeout(LONGEST, self.hand_over(&letter)).await, Ok(Ok(()))) {
            super::keeper::leave_in_folder(self, &letter).await;
        }
        Ok(left)
    }

    /// Tells the keeper that the database was changed for this program while plans are open.
    pub(super) async fn tell_of_upgrade(&self) -> Result<(), StoreError> {
        let Some(from) = self.store().upgraded_from() else { return Ok(()) };
        let (plans, _) = self.store().open_plans_but_of(canary::KEY).await?;
        if plans > 0 {
            self.tell_keeper(
                "upgrade",
                &format!(
                    "the database was changed from schema {from} for this program while plans are \
                     open ({plans}); they are watched as before"
                ),
                &[
                    "Look at the board: are all the plans there?",
                    &format!(
                        "If not, or to go back: stop the service, `shorelamp restore` \
                         before-upgrade-from-{from}.db from the data folder, and start the program \
                         of before."
                    ),
                ],
            );
        }
        Ok(())
    }

    /// Tells the keeper that a stop which left plans unwatched is over.
    pub(super) async fn say_welcome(&self) -> Result<(), StoreError> {
        let Some(at) = self.store().noted(Note::StoppedOverPlans).await? else { return Ok(()) };
        self.store().strike_out(Note::StoppedOverPlans).await?;
        let what = format!(
            "the service was stopped at {} while plans were open",
            at.format("%H:%M UTC on %-d %b %Y")
        );
        let now = self.now();
        if let Some(letter) = trouble_over_letter(&self.0.house, TOPIC, &what, now) {
            let daemon = self.clone();
            tokio::spawn(async move {
                if !matches!(timeout(LONGEST, daemon.hand_over(&letter)).await, Ok(Ok(()))) {
                    super::keeper::leave_in_folder(&daemon, &letter).await;
                }
            });
        }
        Ok(())
    }
}

fn stopped(left: Left) -> Trouble {
    let plans = match left.plans {
        1 => "1 plan is open".to_owned(),
        plans => format!("{plans} plans are open"),
    };
    let next = left.next_at.map_or_else(String::new, |at| {
        format!("; the next letter is due at {}", at.format("%H:%M UTC on %-d %b %Y"))
    });
    Trouble {
        topic: TOPIC.to_owned(),
        what: format!("the service was told to stop, and NOBODY WATCHES: {plans}{next}"),
        mend: vec![
            "Start it again before then; it sends at once what came due meanwhile.".to_owned(),
            "If it must stay down, reach the crews and their contacts yourself: they hold letters \
             that say when to worry."
                .to_owned(),
        ],
    }
}
