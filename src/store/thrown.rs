//! Filings by the id that their device gave them: looked up before they are sent again, or thrown
//! away for good.

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::{AnyConnection, Row};

use super::{Store, StoreError, millis};

/// So many ids a key throws away within a day: more than any device has plans waiting. They are kept
/// for good, and must not fill the disk.
const MOST_A_DAY: i64 = 200;

/// A plan that was filed under an id.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FiledAs {
    /// Its ref.
    pub plan_ref: String,
    /// The keyed hash of the body it came as.
    pub body_hash: String,
}

/// What is known of an id.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Known {
    /// Nothing ever came under it.
    Nothing,
    /// A plan was filed under it.
    Filed(FiledAs),
    /// It was thrown away before anything was filed under it.
    ThrownAway,
}

impl Store {
    /// What became of the id under which this key's device meant to file.
    ///
    /// # Errors
    /// The database.
    pub async fn known_as(&self, key_id: &str, id: &str) -> Result<Known, StoreError> {
        let mut connection = self.readers.acquire().await?;
        known(&mut connection, key_id, id).await
    }

    /// Throws an id away, so that nothing that comes under it later is filed; unless a plan was
    /// filed under it before, which then comes back and stays as it is.
    ///
    /// # Errors
    /// [`StoreError::ThrownTooOften`], or the database.
    pub async fn throw_away(
        &self,
        key_id: &str,
        id: &str,
        now: DateTime<Utc>,
    ) -> Result<Option<FiledAs>, StoreError> {
        let (key_id, id) = (key_id.to_owned(), id.to_owned());
        self.write(move |connection| {
            Box::pin(async move {
                match known(connection, &key_id, &id).await? {
                    Known::Filed(filed) => return Ok(Some(filed)),
                    Known::ThrownAway => return Ok(None),
                    Known::Nothing => {}
                }
                if thrown_since(connection, &key_id, now - TimeDelta::days(1)).await? >= MOST_A_DAY
                {
                    return Err(StoreError::ThrownTooOften);
                }
                sqlx::query(
                    "INSERT INTO thrown_away (key_id, idempotency, at) VALUES ($1, $2, $3) \
                     ON CONFLICT (key_id, idempotency) DO NOTHING",
                )
                .bind(key_id)
                .bind(id)
                .bind(millis(now))
                .execute(connection)
                .await?;
                Ok(None)
            })
        })
        .await
    }
}

async fn thrown_since(
    connection: &mut AnyConnection,
    key_id: &str,
    since: DateTime<Utc>,
) -> Result<i64, StoreError> {
    let text = "SELECT COUNT(*) FROM thrown_away WHERE key_id = $1 AND at > $2";
    let count = sqlx::query_scalar(text).bind(key_id).bind(millis(since));
    Ok(count.fetch_one(connection).await?)
}

async fn known(
    connection: &mut AnyConnection,
    key_id: &str,
    id: &str,
) -> Result<Known, StoreError> {
    let row =
        sqlx::query("SELECT ref, body_hash FROM plans WHERE key_id = $1 AND idempotency = $2")
            .bind(key_id)
            .bind(id)
            .fetch_optional(&mut *connection)
            .await?;
    if let Some(row) = row {
        let (plan_ref, body_hash) = (row.try_get("ref")?, row.try_get("body_hash")?);
        return Ok(Known::Filed(FiledAs { plan_ref, body_hash }));
    }
    let thrown = is_thrown_away(connection, key_id, id).await?;
    Ok(if thrown { Known::ThrownAway } else { Known::Nothing })
}

/// Whether nothing may be filed under this id any more.
pub(super) async fn is_thrown_away(
    connection: &mut AnyConnection,
    key_id: &str,
    id: &str,
) -> Result<bool, StoreError> {
    let row = sqlx::query("SELECT at FROM thrown_away WHERE key_id = $1 AND idempotency = $2")
        .bind(key_id)
        .bind(id)
        .fetch_optional(connection)
        .await?;
    Ok(row.is_some())
}
