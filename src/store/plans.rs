//! Plans, their states and their events.

use chrono::{DateTime, Utc};
use serde::de::DeserializeOwned;
use sqlx::any::AnyRow;
use sqlx::{Any, Row, Transaction};

use super::{Store, StoreError, damaged, from_millis, instant, letters, millis};
use crate::watch::{Event, Past, Phase, Step, Watched, next_wakeup, step};

/// A plan to be filed, with all that is written in the same transaction.
#[derive(Clone, Debug)]
pub struct Filing<'a> {
    /// The plan's ref.
    pub plan_ref: &'a str,
    /// The plan, in the plan file's keys.
    pub plan_json: &'a str,
    /// Its review at filing.
    pub review_json: &'a str,
    /// Its first state and letters.
    pub first: &'a Step,
    /// The key that files it.
    pub key_id: &'a str,
    /// The client's idempotency key.
    pub idempotency: Option<&'a str>,
    /// The hash of the body it came as.
    pub body_hash: &'a str,
    /// The hashes of its links.
    pub links: &'a [(String, super::Link)],
    /// The keyed hashes of its contacts' addresses, in the plan's order.
    pub addresses: &'a [String],
}

/// A plan as it stands.
#[derive(Clone, Debug)]
pub struct PlanRecord {
    /// Its ref.
    pub plan_ref: String,
    /// The plan, in the plan file's keys.
    pub plan_json: String,
    /// Its review at filing.
    pub review_json: String,
    /// Its state.
    pub state: Watched,
    /// When it was filed.
    pub filed_at: DateTime<Utc>,
    /// The key that filed it.
    pub key_id: String,
}

/// What an event led to.
#[derive(Clone, Debug)]
pub struct Applied {
    /// The plan's state after it.
    pub state: Watched,
    /// Whether it changed anything.
    pub changed: bool,
    /// How many letters it ordered.
    pub letters: usize,
}

const COLUMNS: &str = "ref, plan_json, review_json, state_json, filed_at, key_id";

impl Store {
    /// Files a plan. When the same key files the same body under the same idempotency key again,
    /// the ref of the first filing comes back and nothing is written.
    ///
    /// # Errors
    /// [`StoreError::OtherBody`], or the database.
    pub async fn file(
        &self,
        filing: &Filing<'_>,
        now: DateTime<Utc>,
    ) -> Result<String, StoreError> {
        let mut tx = self.write().await?;
        if let Some(first) = earlier_filing(&mut tx, filing).await? {
            return Ok(first);
        }
        insert_plan(&mut tx, filing, now).await?;
        letters::insert(&mut tx, filing.plan_ref, &filing.first.orders, now).await?;
        for (hash, link) in filing.links {
            super::links::insert(&mut tx, filing.plan_ref, hash, link).await?;
        }
        for (contact, hash) in filing.addresses.iter().enumerate() {
            sqlx::query(
                "INSERT INTO named_addresses (hash, plan, contact, filed_at) \
                 VALUES ($1, $2, $3, $4)",
            )
            .bind(hash)
            .bind(filing.plan_ref)
            .bind(i64::try_from(contact).unwrap_or(i64::MAX))
            .bind(millis(now))
            .execute(&mut *tx)
            .await?;
        }
        tx.commit().await?;
        Ok(filing.plan_ref.to_owned())
    }

    /// The ref of the plan that this key filed under this idempotency key.
    ///
    /// # Errors
    /// [`StoreError::OtherBody`], or the database.
    pub async fn filed_before(
        &self,
        key_id: &str,
        idempotency: &str,
        body_hash: &str,
    ) -> Result<Option<String>, StoreError> {
        let row =
            sqlx::query("SELECT ref, body_hash FROM plans WHERE key_id = $1 AND idempotency = $2")
                .bind(key_id)
                .bind(idempotency)
                .fetch_optional(&self.readers)
                .await?;
        row.map(|row| same_body(&row, body_hash)).transpose()
    }

    /// Moves a plan by one event, in one transaction. An idempotency key that the plan has seen
    /// changes nothing.
    ///
    /// # Errors
    /// [`StoreError::Refused`] when the event does not apply, [`StoreError::NoSuchPlan`], damage,
    /// or the database.
    pub async fn apply(
        &self,
        plan_ref: &str,
        event: &Event,
        idempotency: Option<&str>,
        now: DateTime<Utc>,
    ) -> Result<Applied, StoreError> {
        let mut tx = self.write().await?;
        let state = locked_state(&mut tx, plan_ref).await?;
        if let Some(key) = idempotency {
            let seen = sqlx::query("SELECT 1 FROM events WHERE plan = $1 AND idempotency = $2")
                .bind(plan_ref)
                .bind(key)
                .fetch_optional(&mut *tx)
                .await?;
            if seen.is_some() {
                return Ok(Applied { state, changed: false, letters: 0 });
            }
        }
        let next = step(&state, event, now)?;
        if next.changed {
            write_step(&mut tx, plan_ref, event, &next, idempotency, now).await?;
            tx.commit().await?;
        }
        Ok(Applied { state: next.plan, changed: next.changed, letters: next.orders.len() })
    }

    /// The plans whose time has come, the longest waiting first.
    ///
    /// # Errors
    /// The database.
    pub async fn due(&self, now: DateTime<Utc>, most: u32) -> Result<Vec<String>, StoreError> {
        let rows =
            sqlx::query("SELECT ref FROM plans WHERE next_at <= $1 ORDER BY next_at LIMIT $2")
                .bind(millis(now))
                .bind(i64::from(most))
                .fetch_all(&self.readers)
                .await?;
        rows.iter().map(|row| Ok(row.try_get("ref")?)).collect()
    }

    /// When the next plan's time comes.
    ///
    /// # Errors
    /// The database.
    pub async fn next_due_at(&self) -> Result<Option<DateTime<Utc>>, StoreError> {
        let row = sqlx::query("SELECT MIN(next_at) AS next_at FROM plans")
            .fetch_one(&self.readers)
            .await?;
        row.try_get::<Option<i64>, _>("next_at")?.map(from_millis).transpose()
    }

    /// A plan as it stands.
    ///
    /// # Errors
    /// [`StoreError::NoSuchPlan`], damage, or the database.
    pub async fn plan(&self, plan_ref: &str) -> Result<PlanRecord, StoreError> {
        let row =
            sqlx::query(sqlx::AssertSqlSafe(format!("SELECT {COLUMNS} FROM plans WHERE ref = $1")))
                .bind(plan_ref)
                .fetch_optional(&self.readers)
                .await?;
        plan_record(&row.ok_or(StoreError::NoSuchPlan)?)
    }

    /// The open plans by their return time; one that can't be read stands in its place as an
    /// error, so that it hides no other.
    ///
    /// # Errors
    /// The database.
    pub async fn open_plans(&self) -> Result<Vec<Result<PlanRecord, StoreError>>, StoreError> {
        let rows = sqlx::query(sqlx::AssertSqlSafe(format!(
            "SELECT {COLUMNS} FROM plans WHERE closed_at IS NULL ORDER BY due_at, ref"
        )))
        .fetch_all(&self.readers)
        .await?;
        Ok(rows.iter().map(plan_record).collect())
    }

    /// Everything that has happened to a plan since it was filed.
    ///
    /// # Errors
    /// Damage, or the database.
    pub async fn history(&self, plan_ref: &str) -> Result<Vec<Past>, StoreError> {
        let rows = sqlx::query(
            "SELECT number, at, event_json FROM events WHERE plan = $1 ORDER BY number",
        )
        .bind(plan_ref)
        .fetch_all(&self.readers)
        .await?;
        rows.iter()
            .map(|row| {
                let number: i64 = row.try_get("number")?;
                Ok(Past {
                    number: u32::try_from(number).map_err(|error| damaged(plan_ref, error))?,
                    at: instant(row, "at")?,
                    event: json(row, "event_json", plan_ref)?,
                })
            })
            .collect()
    }

    /// How many plans this key has filed since an instant.
    ///
    /// # Errors
    /// The database.
    pub async fn filings_by_key(
        &self,
        key_id: &str,
        since: DateTime<Utc>,
    ) -> Result<i64, StoreError> {
        let row =
            sqlx::query("SELECT COUNT(*) AS number FROM plans WHERE key_id = $1 AND filed_at > $2")
                .bind(key_id)
                .bind(millis(since))
                .fetch_one(&self.readers)
                .await?;
        Ok(row.try_get("number")?)
    }

    /// How many plans since an instant name an address that has never been confirmed; none for
    /// one that has.
    ///
    /// # Errors
    /// The database.
    pub async fn filings_naming_unconfirmed(
        &self,
        address_hash: &str,
        since: DateTime<Utc>,
    ) -> Result<i64, StoreError> {
        let row = sqlx::query(
            "SELECT COUNT(DISTINCT plan) AS number FROM named_addresses WHERE hash = $1 \
             AND filed_at > $2 AND hash NOT IN (SELECT hash FROM confirmed_addresses)",
        )
        .bind(address_hash)
        .bind(millis(since))
        .fetch_one(&self.readers)
        .await?;
        Ok(row.try_get("number")?)
    }

    /// Remembers that somebody at this contact's address has answered.
    ///
    /// # Errors
    /// The database.
    pub async fn confirm_address(
        &self,
        plan_ref: &str,
        contact: usize,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        sqlx::query(
            "INSERT INTO confirmed_addresses (hash, confirmed_at) \
             SELECT hash, $1 FROM named_addresses WHERE plan = $2 AND contact = $3 \
             ON CONFLICT (hash) DO NOTHING",
        )
        .bind(millis(now))
        .bind(plan_ref)
        .bind(i64::try_from(contact).unwrap_or(i64::MAX))
        .execute(&self.writer)
        .await?;
        Ok(())
    }
}

async fn earlier_filing(
    tx: &mut Transaction<'_, Any>,
    filing: &Filing<'_>,
) -> Result<Option<String>, StoreError> {
    let Some(idempotency) = filing.idempotency else { return Ok(None) };
    let row =
        sqlx::query("SELECT ref, body_hash FROM plans WHERE key_id = $1 AND idempotency = $2")
            .bind(filing.key_id)
            .bind(idempotency)
            .fetch_optional(&mut **tx)
            .await?;
    row.map(|row| same_body(&row, filing.body_hash)).transpose()
}

fn same_body(row: &AnyRow, body_hash: &str) -> Result<String, StoreError> {
    let hash: String = row.try_get("body_hash")?;
    if hash == body_hash { Ok(row.try_get("ref")?) } else { Err(StoreError::OtherBody) }
}

async fn insert_plan(
    tx: &mut Transaction<'_, Any>,
    filing: &Filing<'_>,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let state = &filing.first.plan;
    sqlx::query(
        "INSERT INTO plans (ref, plan_json, review_json, state_json, version, filed_at, due_at, \
         next_at, closed_at, key_id, idempotency, body_hash) \
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, NULL, $9, $10, $11)",
    )
    .bind(filing.plan_ref)
    .bind(filing.plan_json)
    .bind(filing.review_json)
    .bind(to_json(filing.plan_ref, state)?)
    .bind(i64::from(state.events))
    .bind(millis(now))
    .bind(millis(state.terms.due_at))
    .bind(next_wakeup(state).map(millis))
    .bind(filing.key_id)
    .bind(filing.idempotency)
    .bind(filing.body_hash)
    .execute(&mut **tx)
    .await?;
    Ok(())
}

/// A plan's state inside a transaction that holds the writer's place.
pub(super) async fn locked_state(
    tx: &mut Transaction<'_, Any>,
    plan_ref: &str,
) -> Result<Watched, StoreError> {
    let row = sqlx::query("SELECT state_json FROM plans WHERE ref = $1")
        .bind(plan_ref)
        .fetch_optional(&mut **tx)
        .await?;
    json(&row.ok_or(StoreError::NoSuchPlan)?, "state_json", plan_ref)
}

/// Writes a step: the state, its event and the letters it orders.
pub(super) async fn write_step(
    tx: &mut Transaction<'_, Any>,
    plan_ref: &str,
    event: &Event,
    next: &Step,
    idempotency: Option<&str>,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let state = &next.plan;
    let closed_at = match state.phase {
        Phase::Closed(closing) => Some(millis(closing.at)),
        Phase::Armed | Phase::Overdue => None,
    };
    let written = sqlx::query(
        "UPDATE plans SET state_json = $1, version = $2, due_at = $3, next_at = $4, \
         closed_at = $5 WHERE ref = $6 AND version < $2",
    )
    .bind(to_json(plan_ref, state)?)
    .bind(i64::from(state.events))
    .bind(millis(state.terms.due_at))
    .bind(next_wakeup(state).map(millis))
    .bind(closed_at)
    .bind(plan_ref)
    .execute(&mut **tx)
    .await?;
    if written.rows_affected() != 1 {
        return Err(damaged(plan_ref, "its version went backwards"));
    }
    sqlx::query(
        "INSERT INTO events (plan, number, at, event_json, idempotency) \
         VALUES ($1, $2, $3, $4, $5)",
    )
    .bind(plan_ref)
    .bind(i64::from(state.events))
    .bind(millis(now))
    .bind(to_json(plan_ref, event)?)
    .bind(idempotency)
    .execute(&mut **tx)
    .await?;
    letters::insert(tx, plan_ref, &next.orders, now).await
}

fn plan_record(row: &AnyRow) -> Result<PlanRecord, StoreError> {
    let plan_ref: String = row.try_get("ref")?;
    Ok(PlanRecord {
        plan_json: row.try_get("plan_json")?,
        review_json: row.try_get("review_json")?,
        state: json(row, "state_json", &plan_ref)?,
        filed_at: instant(row, "filed_at")?,
        key_id: row.try_get("key_id")?,
        plan_ref,
    })
}

fn json<T: DeserializeOwned>(row: &AnyRow, column: &str, plan_ref: &str) -> Result<T, StoreError> {
    let text: String = row.try_get(column)?;
    serde_json::from_str(&text).map_err(|error| damaged(plan_ref, format!("{column}: {error}")))
}

fn to_json<T: serde::Serialize>(plan_ref: &str, value: &T) -> Result<String, StoreError> {
    serde_json::to_string(value).map_err(|error| damaged(plan_ref, error))
}
