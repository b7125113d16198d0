//! The keys of those who may file plans, and of keepers. Only their hashes are stored.

use chrono::{DateTime, Utc};
use sqlx::Row;

use super::{Store, StoreError, millis};

/// A key that is in force.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Key {
    /// Its id; not a secret.
    pub id: String,
    /// Whose it is.
    pub name: String,
    /// Whether it is a keeper's.
    pub keeper: bool,
}

impl Store {
    /// Adds a key by the hash of its secret.
    ///
    /// # Errors
    /// The database.
    pub async fn add_key(
        &self,
        key: &Key,
        hash: &str,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let (key, hash) = (key.clone(), hash.to_owned());
        let text = "INSERT INTO keys (id, name, hash, keeper, made_at) VALUES ($1, $2, $3, $4, $5)";
        self.write(move |connection| {
            Box::pin(async move {
                sqlx::query(text)
                    .bind(key.id)
                    .bind(key.name)
                    .bind(hash)
                    .bind(i64::from(key.keeper))
                    .bind(millis(now))
                    .execute(connection)
                    .await?;
                Ok(())
            })
        })
        .await
    }

    /// The key in force whose secret has this hash.
    ///
    /// # Errors
    /// The database.
    pub async fn key(&self, hash: &str) -> Result<Option<Key>, StoreError> {
        let row =
            sqlx::query("SELECT id, name, keeper FROM keys WHERE hash = $1 AND revoked_at IS NULL")
                .bind(hash)
                .fetch_optional(&self.readers)
                .await?;
        row.map(|row| {
            let keeper: i64 = row.try_get("keeper")?;
            let (id, name) = (row.try_get("id")?, row.try_get("name")?);
            Ok(Key { id, name, keeper: keeper != 0 })
        })
        .transpose()
    }
}
