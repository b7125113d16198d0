//! Pages of the file that can't be read or written: told at once, and letters lost in them ordered
//! anew.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use chrono::{DateTime, Utc};
use sqlx::Row;
use tokio::sync::Notify;

use super::{Store, StoreError};
use crate::watch::{By, Event, Recipient};

/// What was met of damage. Cheap to clone: every clone is the same.
#[derive(Clone, Debug, Default)]
pub(super) struct Damage(Arc<Met>);

#[derive(Debug, Default)]
struct Met {
    what: Mutex<Option<String>>,
    bell: Notify,
    /// The numbers of the letters' rows that are lost, and whether they are ordered anew.
    lost: Mutex<BTreeMap<i64, bool>>,
}

impl Damage {
    /// Takes note of an outcome that tells of a damaged page.
    pub(super) fn heed<T>(&self, outcome: Result<T, StoreError>) -> Result<T, StoreError> {
        if let Err(error) = &outcome
            && error.is_of_a_page()
        {
            *lock(&self.0.what) = Some(error.to_string());
            self.0.bell.notify_one();
        }
        outcome
    }

    fn is_ordered(&self, row: i64) -> bool {
        lock(&self.0.lost).get(&row).is_some_and(|anew| *anew)
    }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Reads an index alone, so that it tells whose the letter is though its row can't be read.
const WHOSE: &str = "SELECT plan, recipient FROM letters INDEXED BY sqlite_autoindex_letters_2 \
     WHERE rowid = $1";

/// Who orders what was lost.
const SERVICE: &str = "the service, for a damaged letter";

impl Store {
    /// Waits until a page of the file can't be read or written, and tells what was met.
    pub async fn damage_met(&self) -> String {
        let met = &self.writer.damage().0;
        loop {
            met.bell.notified().await;
            if let Some(what) = lock(&met.what).take() {
                return what;
            }
        }
    }

    pub(super) fn heed<T>(&self, outcome: Result<T, StoreError>) -> Result<T, StoreError> {
        self.writer.damage().heed(outcome)
    }

    /// Whether letters are lost in damaged pages that could not be ordered anew.
    #[must_use]
    pub fn has_lost_letters(&self) -> bool {
        lock(&self.writer.damage().0.lost).values().any(|anew| !anew)
    }

    /// Orders the letters in these rows anew, once: their readers are written to of what they ought
    /// to hold now.
    pub(super) async fn order_lost_anew(&self, rows: Vec<i64>, now: DateTime<Utc>) {
        for row in rows {
            if self.writer.damage().is_ordered(row) {
                continue;
            }
            let ordered = self.order_anew(row, now).await;
            if let Err(error) = &ordered {
                tracing::error!(row, %error, "a letter that can't be read can't be ordered anew");
            }
            lock(&self.writer.damage().0.lost).insert(row, ordered.is_ok());
        }
    }

    async fn order_anew(&self, row: i64, now: DateTime<Utc>) -> Result<(), StoreError> {
        let found = sqlx::query(WHOSE).bind(row).fetch_optional(&self.readers).await?;
        let Some(found) = found else { return Ok(()) };
        let plan_ref: String = found.try_get("plan")?;
        let to: Recipient = super::letters::word(&found, "recipient", &plan_ref)?;
        let again = Event::SentAgain { to, by: By::Keeper(SERVICE.to_owned()) };
        tracing::error!(plan = plan_ref, %to, "a letter can't be read; it is ordered anew");
        match self.apply(&plan_ref, &again, None, now).await {
            // What the plan refuses is not owed any more.
            Ok(_) | Err(StoreError::Refused(_)) => Ok(()),
            Err(error) => Err(error),
        }
    }
}
