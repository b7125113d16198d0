//! The open plans by who filed them, without reading each.

use chrono::{DateTime, Utc};
use sqlx::Row;

use super::{Store, StoreError, from_millis};

impl Store {
    /// So many of the open plans after this ref, as they are stored; `None` where that is no text.
    ///
    /// # Errors
    /// The database.
    pub async fn open_papers(
        &self,
        after: &str,
        most: u32,
    ) -> Result<Vec<(String, Option<String>)>, StoreError> {
        let rows = sqlx::query(
            "SELECT ref, plan_json FROM plans LEFT JOIN papers ON papers.plan = plans.ref \
             WHERE closed_at IS NULL AND ref > $1 ORDER BY ref LIMIT $2",
        )
        .bind(after)
        .bind(i64::from(most))
        .fetch_all(&self.readers)
        .await?;
        rows.iter().map(|row| Ok((row.try_get(0)?, row.try_get(1).ok().flatten()))).collect()
    }

    /// The refs of the open plans that this key filed.
    ///
    /// # Errors
    /// The database.
    pub async fn open_plans_of(&self, key_id: &str) -> Result<Vec<String>, StoreError> {
        let rows = sqlx::query("SELECT ref FROM plans WHERE key_id = $1 AND closed_at IS NULL")
            .bind(key_id)
            .fetch_all(&self.readers)
            .await?;
        rows.iter().map(|row| Ok(row.try_get("ref")?)).collect()
    }

    /// How many plans are open that others than this key filed, and when the next of them wakes.
    ///
    /// # Errors
    /// The database.
    pub async fn open_plans_but_of(
        &self,
        key_id: &str,
    ) -> Result<(usize, Option<DateTime<Utc>>), StoreError> {
        let row = sqlx::query(
            "SELECT COUNT(*) AS plans, MIN(next_at) AS next_at FROM plans \
             WHERE closed_at IS NULL AND key_id <> $1",
        )
        .bind(key_id)
        .fetch_one(&self.readers)
        .await?;
        let plans: i64 = row.try_get("plans")?;
        // A damaged time is none.
        let next_at: Option<i64> = row.try_get("next_at").ok().flatten();
        let next_at = next_at.and_then(|millis| from_millis(millis).ok());
        Ok((usize::try_from(plans).unwrap_or(0), next_at))
    }
}
