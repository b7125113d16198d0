//! Reading around a page of the file that can't be read. It is slow, and finds every plan that is
//! not in that page.

use chrono::{DateTime, Utc};
use sqlx::Row;

use super::spare::number;
use super::{Store, StoreError, millis};

const NEXT_AT: &str = "SELECT next_at FROM plans WHERE ref = $1";
const WAKE_AT: &str = "SELECT wake_at FROM spares WHERE plan = $1";
const IS_OPEN: &str = "SELECT 1 FROM plans WHERE ref = $1 AND closed_at IS NULL";

impl Store {
    /// The plans whose time has come, the longest waiting first, each asked by itself; and those
    /// that can't tell, last: whoever moves them finds out.
    pub(super) async fn due_one_by_one(
        &self,
        now: DateTime<Utc>,
        most: u32,
    ) -> Result<Vec<String>, StoreError> {
        let mut connection = self.readers.acquire().await?;
        // The refs stand in an index of their own.
        let rows = sqlx::query(
            "SELECT ref FROM plans WHERE ref NOT IN (SELECT plan FROM quarantine) ORDER BY ref",
        )
        .fetch_all(&mut *connection)
        .await?;
        let mut due = Vec::new();
        for row in rows {
            let plan_ref: String = row.try_get("ref")?;
            let next_at = number(&mut connection, &plan_ref, NEXT_AT).await?;
            let wake_at = number(&mut connection, &plan_ref, WAKE_AT).await?;
            let at = match (next_at, wake_at) {
                (None, None) => match number(&mut connection, &plan_ref, IS_OPEN).await? {
                    Some(_) => i64::MAX,
                    None => continue,
                },
                (next_at, wake_at) => {
                    let at = next_at.into_iter().chain(wake_at).min().unwrap_or(i64::MAX);
                    if at > millis(now) {
                        continue;
                    }
                    at
                }
            };
            due.push((at, plan_ref));
        }
        due.sort_unstable();
        let most = usize::try_from(most).unwrap_or(usize::MAX);
        Ok(due.into_iter().take(most).map(|(_, plan_ref)| plan_ref).collect())
    }
}
