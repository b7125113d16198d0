//! Forgetting plans for good. Only closed ones: what is open is watched.

use chrono::{DateTime, Utc};
use sqlx::Row;

use super::{Store, StoreError, millis};

/// How many are forgotten in one transaction.
const AT_ONCE: i64 = 100;
/// The tables that hold a plan's rows, and the column that names it; the plans themselves last.
const TABLES: [&str; 8] = [
    "DELETE FROM letters WHERE plan = $1",
    "DELETE FROM events WHERE plan = $1",
    "DELETE FROM links WHERE plan = $1",
    "DELETE FROM named_addresses WHERE plan = $1",
    "DELETE FROM spares WHERE plan = $1",
    "DELETE FROM versions WHERE plan = $1",
    "DELETE FROM papers WHERE plan = $1",
    "DELETE FROM plans WHERE ref = $1 AND closed_at IS NOT NULL",
];

impl Store {
    /// Forgets the plans of one key that were closed before; how many, at most a hundred.
    ///
    /// # Errors
    /// The database.
    pub async fn forget_closed(
        &self,
        key_id: &'static str,
        before: DateTime<Utc>,
    ) -> Result<usize, StoreError> {
        self.write(move |connection| {
            Box::pin(async move {
                let rows = sqlx::query(
                    "SELECT ref FROM plans WHERE key_id = $1 AND closed_at < $2 \
                     AND NOT EXISTS (SELECT 1 FROM quarantine WHERE plan = ref) LIMIT $3",
                )
                .bind(key_id)
                .bind(millis(before))
                .bind(AT_ONCE)
                .fetch_all(&mut *connection)
                .await?;
                for row in &rows {
                    let plan_ref: String = row.try_get("ref")?;
                    for delete in TABLES {
                        sqlx::query(delete).bind(&plan_ref).execute(&mut *connection).await?;
                    }
                }
                Ok(rows.len())
            })
        })
        .await
    }
}
