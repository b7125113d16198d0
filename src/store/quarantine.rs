//! Plans that can't be read: the watch leaves them alone, and their contacts get plain letters.
//!
//! Such a plan has no state to step through, so it has a ladder of its own: `overdue` when the
//! crew is overdue by the spare copy, `call-rescue` half an hour later and then every hour for a
//! day. Nothing but the keeper can end it.

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::{AnyConnection, Row};

use super::spare::{Card, number, read};
use super::way::{End, Spares, by_any_way};
use super::{Store, StoreError, from_millis, letters, millis, plans};
use crate::watch::{Cause, Kind, Order, Recipient};

/// From the plain `overdue` to the first plain `call-rescue`.
const UNTIL_CALL: TimeDelta = TimeDelta::minutes(30);
const BETWEEN_CALLS: TimeDelta = TimeDelta::hours(1);
/// How many plain alerts go out: a day's worth.
const MOST_ALERTS: i64 = 25;
/// A return this far ahead is no time that anybody filed.
const FARTHEST_RETURN: TimeDelta = TimeDelta::days(366);

/// A plan that can't be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Quarantined {
    /// Its ref.
    pub plan_ref: String,
    /// What is wrong with it.
    pub why: String,
    /// When that was found.
    pub found_at: DateTime<Utc>,
}

impl Store {
    /// Sets a plan aside that can't be read, and owes its keeper a letter. Whether it was not set
    /// aside before.
    ///
    /// # Errors
    /// The database.
    pub async fn quarantine(
        &self,
        plan_ref: &str,
        why: &str,
        now: DateTime<Utc>,
    ) -> Result<bool, StoreError> {
        // Read beside the writer: a connection that met a damaged page may not write after it.
        let next_at = {
            let mut reader = self.readers.acquire().await?;
            first_alert_at(&mut reader, plan_ref, now).await?
        };
        by_any_way(plan_ref, |way| {
            let (plan_ref, why) = (plan_ref.to_owned(), why.to_owned());
            self.write(move |connection| {
                Box::pin(async move {
                    set_aside(connection, &plan_ref, &why, next_at, now, way.end).await
                })
            })
        })
        .await
    }

    /// Orders the plain alerts of the plans set aside whose time has come; how many letters.
    ///
    /// # Errors
    /// The database.
    pub async fn alert_quarantined(&self, now: DateTime<Utc>) -> Result<usize, StoreError> {
        let due = sqlx::query("SELECT plan FROM quarantine WHERE next_at <= $1 LIMIT 1000")
            .bind(millis(now))
            .fetch_all(&self.readers)
            .await?;
        let mut ordered = 0;
        for row in due {
            let plan_ref: String = row.try_get("plan")?;
            let card = self.spare(&plan_ref).await?.card.unwrap_or_default();
            ordered += by_any_way(&plan_ref, |way| {
                let (plan_ref, card) = (plan_ref.clone(), card.clone());
                self.write(move |connection| {
                    Box::pin(async move { alert(connection, &plan_ref, &card, now, way.end).await })
                })
            })
            .await?;
        }
        Ok(ordered)
    }

    /// The plans set aside.
    ///
    /// # Errors
    /// The database.
    pub async fn quarantined(&self) -> Result<Vec<Quarantined>, StoreError> {
        let rows =
            sqlx::query("SELECT plan, why, found_at FROM quarantine ORDER BY found_at, plan")
                .fetch_all(&self.readers)
                .await?;
        rows.iter()
            .map(|row| {
                Ok(Quarantined {
                    plan_ref: row.try_get("plan")?,
                    why: row.try_get("why")?,
                    found_at: super::instant(row, "found_at")?,
                })
            })
            .collect()
    }

    /// Takes a plan back under the watch, when its row has been mended; whether it could be read.
    ///
    /// # Errors
    /// The database.
    pub async fn release(&self, plan_ref: &str) -> Result<bool, StoreError> {
        let plan_ref = plan_ref.to_owned();
        self.write(move |connection| {
            Box::pin(async move {
                match plans::locked_state(connection, &plan_ref).await {
                    Ok(state) => {
                        plans::write_times(connection, &plan_ref, &state, Spares::Follow).await?
                    }
                    Err(error) if error.is_damage() => return Ok(false),
                    Err(error) => return Err(error),
                }
                sqlx::query("DELETE FROM quarantine WHERE plan = $1")
                    .bind(&plan_ref)
                    .execute(connection)
                    .await?;
                Ok(true)
            })
        })
        .await
    }
}

async fn set_aside(
    connection: &mut AnyConnection,
    plan_ref: &str,
    why: &str,
    next_at: Option<DateTime<Utc>>,
    now: DateTime<Utc>,
    end: End,
) -> Result<bool, StoreError> {
    let done = sqlx::query(
        "INSERT INTO quarantine (plan, found_at, why, alerts, next_at) VALUES ($1, $2, $3, 0, $4) \
         ON CONFLICT (plan) DO NOTHING",
    )
    .bind(plan_ref)
    .bind(millis(now))
    .bind(why)
    .bind(next_at.map(millis))
    .execute(&mut *connection)
    .await?;
    if done.rows_affected() == 0 {
        return Ok(false);
    }
    let trouble = order(Recipient::Keeper, Kind::Trouble, 0, now);
    letters::insert(connection, &[(plan_ref, &trouble)], now, end).await?;
    Ok(true)
}

/// When the plain `overdue` goes: never before the crew is overdue, so not at all while that is
/// unknown. A plan counts as closed only where both copies say so.
async fn first_alert_at(
    connection: &mut AnyConnection,
    plan_ref: &str,
    now: DateTime<Utc>,
) -> Result<Option<DateTime<Utc>>, StoreError> {
    let wake = "SELECT wake_at FROM spares WHERE plan = $1";
    let open = "SELECT 1 FROM plans WHERE ref = $1 AND closed_at IS NULL";
    let closed = number(connection, plan_ref, wake).await?.is_none()
        && number(connection, plan_ref, open).await?.is_none();
    if closed {
        return Ok(None);
    }
    let filed = "SELECT filed_at FROM plans WHERE ref = $1";
    let filed_at = number(connection, plan_ref, filed).await?;
    let filed_at = filed_at.and_then(|millis| from_millis(millis).ok()).unwrap_or_default();
    let overdue_at = read(connection, plan_ref).await?.overdue_at;
    Ok(overdue_at.filter(|at| *at >= filed_at && *at <= now + FARTHEST_RETURN))
}

async fn alert(
    connection: &mut AnyConnection,
    plan_ref: &str,
    card: &Card,
    now: DateTime<Utc>,
    end: End,
) -> Result<usize, StoreError> {
    let sent = number(connection, plan_ref, "SELECT alerts FROM quarantine WHERE plan = $1");
    let sent = sent.await?.unwrap_or(0);
    let kind = if sent == 0 { Kind::Overdue } else { Kind::CallRescue };
    let asked = (0..card.contacts.len()).filter(|at| !card.not_asked.contains(at));
    let cause = u32::try_from(sent).unwrap_or(u32::MAX);
    let orders: Vec<Order> =
        asked.map(|at| order(Recipient::Contact(at), kind, cause, now)).collect();
    let owed: Vec<_> = orders.iter().map(|order| (plan_ref, order)).collect();
    letters::insert(connection, &owed, now, end).await?;
    let pause = if sent == 0 { UNTIL_CALL } else { BETWEEN_CALLS };
    let next_at = (sent + 1 < MOST_ALERTS).then(|| millis(now + pause));
    sqlx::query("UPDATE quarantine SET alerts = $1, next_at = $2 WHERE plan = $3")
        .bind(sent + 1)
        .bind(next_at)
        .bind(plan_ref)
        .execute(connection)
        .await?;
    Ok(orders.len())
}

/// A letter outside every round: rounds begin with 1.
fn order(to: Recipient, kind: Kind, number: u32, now: DateTime<Utc>) -> Order {
    Order { round: 0, cause: Cause::Repeat(number), to, kind, scheduled_at: now }
}
