//! What has happened to a plan.

use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};

use super::error::of_row;
use super::plans::json;
use super::{Store, StoreError, damaged, instant};
use crate::watch::Past;

impl Store {
    /// Everything that has happened to a plan since it was filed. An event that can't be read is
    /// left out: it must not keep back a letter that the others suffice for.
    ///
    /// # Errors
    /// Damage, or the database.
    pub async fn history(&self, plan_ref: &str) -> Result<Vec<Past>, StoreError> {
        let mut connection = self.readers.acquire().await?;
        let history = self.heed(rows_of_history(&mut connection, plan_ref).await)?;
        let readable = history.iter().filter_map(|row| match past(row, plan_ref) {
            Ok(past) => Some(past),
            Err(damage) => {
                tracing::error!(plan = plan_ref, %damage, "an event can't be read; the others are told");
                None
            }
        });
        Ok(readable.collect())
    }

    /// The key that filed a plan; `None` where there is no such plan. Nothing of the plan is read.
    ///
    /// # Errors
    /// The database.
    pub async fn filed_by(&self, plan_ref: &str) -> Result<Option<String>, StoreError> {
        let key = sqlx::query_scalar("SELECT key_id FROM plans WHERE ref = $1").bind(plan_ref);
        Ok(key.fetch_optional(&self.readers).await?)
    }

    /// Whether an event of this plan came under this idempotency key.
    ///
    /// # Errors
    /// The database.
    pub async fn has_seen(&self, plan_ref: &str, idempotency: &str) -> Result<bool, StoreError> {
        let text = "SELECT 1 FROM events WHERE plan = $1 AND idempotency = $2";
        let row = sqlx::query(text).bind(plan_ref).bind(idempotency);
        Ok(row.fetch_optional(&self.readers).await?.is_some())
    }
}

/// What has happened to a plan, oldest first.
pub(super) async fn history(
    connection: &mut AnyConnection,
    plan_ref: &str,
) -> Result<Vec<Past>, StoreError> {
    let rows = rows_of_history(connection, plan_ref).await?;
    rows.iter().map(|row| past(row, plan_ref)).collect()
}

/// The rows that hold it.
pub(super) async fn rows_of_history(
    connection: &mut AnyConnection,
    plan_ref: &str,
) -> Result<Vec<AnyRow>, StoreError> {
    sqlx::query("SELECT number, at, event_json FROM events WHERE plan = $1 ORDER BY number")
        .bind(plan_ref)
        .fetch_all(connection)
        .await
        .map_err(|error| of_row(plan_ref, error))
}

pub(super) fn past(row: &AnyRow, plan_ref: &str) -> Result<Past, StoreError> {
    let number: i64 = row.try_get("number").map_err(|error| of_row(plan_ref, error))?;
    Ok(Past {
        number: u32::try_from(number).map_err(|error| damaged(plan_ref, error))?,
        at: instant(row, "at").map_err(|error| damaged(plan_ref, error))?,
        event: json(row, "event_json", plan_ref)?,
    })
}
