//! The open plans for a board: how many there are, and the most urgent of them, without reading
//! each.

use chrono::{DateTime, Utc};
use sqlx::Row;

use super::{Store, StoreError, instant, millis};

/// How many plans are open, and how many of them are overdue.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OpenPlans {
    /// All of them.
    pub open: usize,
    /// Those whose return time and grace have passed.
    pub overdue: usize,
}

impl Store {
    /// The refs of the open plans that are overdue first, but for those that this key filed.
    ///
    /// # Errors
    /// The database.
    pub async fn most_urgent(&self, most: u32, but_of: &str) -> Result<Vec<String>, StoreError> {
        let rows = sqlx::query(
            "SELECT plans.ref FROM plans LEFT JOIN spares ON spares.plan = plans.ref \
             WHERE plans.closed_at IS NULL AND plans.key_id <> $1 \
             ORDER BY COALESCE(spares.overdue_at, plans.due_at), plans.ref LIMIT $2",
        )
        .bind(but_of)
        .bind(i64::from(most))
        .fetch_all(&self.readers)
        .await?;
        rows.iter().map(|row| Ok(row.try_get("ref")?)).collect()
    }

    /// The refs of all that are overdue, the longest first, and since when, but for those that this
    /// key filed.
    ///
    /// # Errors
    /// The database.
    pub async fn overdue(
        &self,
        now: DateTime<Utc>,
        but_of: &str,
    ) -> Result<Vec<(String, DateTime<Utc>)>, StoreError> {
        let rows = sqlx::query(
            "SELECT plans.ref, COALESCE(spares.overdue_at, plans.due_at) AS since \
             FROM plans LEFT JOIN spares ON spares.plan = plans.ref \
             WHERE plans.closed_at IS NULL AND plans.key_id <> $1 \
             AND COALESCE(spares.overdue_at, plans.due_at) <= $2 ORDER BY since, plans.ref",
        )
        .bind(but_of)
        .bind(millis(now))
        .fetch_all(&self.readers)
        .await?;
        // One that can't be told since when it is overdue hides no other, and is not hidden.
        let since = |row| instant(row, "since").unwrap_or(now);
        rows.iter().map(|row| Ok((row.try_get("ref")?, since(row)))).collect()
    }

    /// How many plans are open, but for those that this key filed.
    ///
    /// # Errors
    /// The database.
    pub async fn count_open(
        &self,
        now: DateTime<Utc>,
        but_of: &str,
    ) -> Result<OpenPlans, StoreError> {
        let row = sqlx::query(
            "SELECT COUNT(*) AS plans, CAST(COALESCE(SUM(CASE WHEN \
             COALESCE(spares.overdue_at, plans.due_at) <= $2 THEN 1 ELSE 0 END), 0) AS BIGINT) \
             AS overdue FROM plans LEFT JOIN spares ON spares.plan = plans.ref \
             WHERE plans.closed_at IS NULL AND plans.key_id <> $1",
        )
        .bind(but_of)
        .bind(millis(now))
        .fetch_one(&self.readers)
        .await?;
        let number = |name| row.try_get(name).map(|it: i64| usize::try_from(it).unwrap_or(0));
        Ok(OpenPlans { open: number("plans")?, overdue: number("overdue")? })
    }
}
